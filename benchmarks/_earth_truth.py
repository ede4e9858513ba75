"""Invented earth faults along strings: the voltages a meter reads, solved node by node.

Every module leaks to earth through a resistance of its own, the fault sits at any point of the
string, and the meter with its input resistance hangs on one pole, then on the other. The potential
of the string is found from the sum of all currents to earth, apart from the code that is judged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arraywright.arrays import FloatArray

__all__ = ["EarthTruth", "make_earth_faults"]


@dataclass(frozen=True, slots=True, kw_only=True)
class EarthTruth:
    """Readings of strings with a known earth fault.

    Attributes:
        module_voc_v: what the flash lists let expect, (strings, modules).
        position: modules between the positive end and the fault, (strings,).
        pos_earth_v: positive pole to earth as read, (strings,).
        neg_earth_v: negative pole to earth as read, (strings,).
        string_voc_v: the string as read, (strings,).
        fault_megohm: resistance of the fault, (strings,).
    """

    module_voc_v: FloatArray
    position: FloatArray
    pos_earth_v: FloatArray
    neg_earth_v: FloatArray
    string_voc_v: FloatArray
    fault_megohm: FloatArray


def make_earth_faults(
    strings: int,
    *,
    modules: int,
    meter_error_ratio: float,
    input_megohm: float,
    sound_megohm: float,
    seed: int,
    fault_megohm: tuple[float, float] = (1e-4, 0.05),
) -> EarthTruth:
    """Draw strings with one fault each and what a meter within its error limits reads.

    ``sound_megohm`` is the insulation of the whole sound string; the fault's resistance is drawn
    evenly in its logarithm.
    """
    rng = np.random.default_rng(seed)
    flashed = 49.6 * (1.0 + 0.004 * rng.standard_normal((strings, modules)))
    warm = 1.0 - 0.003 * rng.normal(0.0, 1.0, (strings, 1)) * np.linspace(-1.0, 1.0, modules)
    true = flashed * warm * (1.0 + 0.001 * rng.standard_normal((strings, modules)))
    low, high = np.log(fault_megohm)
    resistance = np.exp(rng.uniform(low, high, strings))
    position = rng.uniform(0.0, modules, strings)
    ends = np.concatenate([np.zeros((strings, 1)), np.cumsum(true, axis=1)], axis=1)
    whole = np.floor(position).astype(np.int64)
    at = ends[np.arange(strings), whole] + (position - whole) * true[np.arange(strings), whole]
    middles = 0.5 * (ends[:, 1:] + ends[:, :-1])
    leak = rng.uniform(0.5, 1.5, (strings, modules))
    leak *= 1.0 / sound_megohm / leak.sum(axis=1, keepdims=True)

    def read(pole: FloatArray) -> FloatArray:
        # potential p of the positive end from the sum of all currents to earth being zero
        conductance = leak.sum(axis=1) + 1.0 / resistance + 1.0 / input_megohm
        driven = (leak * middles).sum(axis=1) + at / resistance + pole / input_megohm
        return np.asarray(driven / conductance - pole)

    error = 1.0 + rng.uniform(-meter_error_ratio, meter_error_ratio, (3, strings))
    total = ends[:, -1]
    return EarthTruth(
        module_voc_v=flashed,
        position=position,
        pos_earth_v=read(np.zeros(strings)) * error[0],
        neg_earth_v=read(total) * error[1],
        string_voc_v=total * error[2],
        fault_megohm=resistance,
    )
