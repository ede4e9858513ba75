"""Cables: design current, voltage drop, yearly loss and the next size up or down."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.design.check import Practice
from arraywright.design.conductors import (
    corrected_ampacity_a,
    run_resistance_ohm,
    size_areas_mm2,
    size_name,
)
from arraywright.errors import CallError

__all__ = [
    "array_design_current_a",
    "equivalent_hours_h",
    "next_sizes_mm2",
    "run_drop_v",
    "size_options",
    "string_design_current_a",
    "yearly_loss_kwh",
]

Numbers = npt.ArrayLike


def _float(number: Numbers) -> FloatArray:
    return np.asarray(number, dtype=np.float64)


def string_design_current_a(
    max_current_a: Numbers,
    *,
    strings: npt.ArrayLike = 1,
    string_fuse_a: Numbers = 0.0,
    device_a: Numbers = 0.0,
) -> FloatArray:
    """Current [A] a string cable must carry in the IEC practice, any shape.

    With a string fuse: its rating. Without one the other strings can feed a fault: In + I_max
    (N - 1), with N strings in parallel on the nearest overcurrent device downstream and its rating
    In, 0 where there is none. In both cases at least the string's own I_max.

    Args:
        max_current_a: greatest current of one string, see ``design_current``.
        strings: N.
        string_fuse_a: rating of the string's fuse, 0 for none.
        device_a: rating In, 0 for none.

    Source: iec-62548-1 minimum current ratings of circuits (from memory).
    """
    most, fuse = _float(max_current_a), _float(string_fuse_a)
    reverse = _float(device_a) + most * (_float(strings) - 1.0)
    return np.maximum(most, np.where(fuse > 0.0, fuse, reverse))


def array_design_current_a(max_current_a: Numbers, *, device_a: Numbers = 0.0) -> FloatArray:
    """Current [A] a cable behind a combiner box must carry in the IEC practice, any shape.

    The rating of its overcurrent device, at least the greatest current of its strings.

    Args:
        max_current_a: greatest current of all its strings, see ``design_current``.
        device_a: rating of its overcurrent device, 0 for none.

    Source: iec-62548-1 minimum current ratings of circuits (from memory).
    """
    return np.maximum(_float(max_current_a), _float(device_a))


def run_drop_v(
    area_mm2: Numbers,
    *,
    conductor_length_m: Numbers,
    current_a: Numbers,
    conductor_temp_c: Numbers,
    practice: Practice,
    material: npt.ArrayLike = 0,
) -> FloatArray:
    """Voltage drop [V] of a run: U = I R, with R of the conductor out and back, any shape.

    Source: iec-60228; nec-2023 chapter 9 table 8.
    """
    resistance = run_resistance_ohm(
        area_mm2,
        conductor_length_m=conductor_length_m,
        conductor_temp_c=conductor_temp_c,
        practice=practice,
        material=material,
    )
    return resistance * _float(current_a)


def yearly_loss_kwh(
    resistance_ohm: Numbers, *, current_a: FloatArray, duration_h: FloatArray
) -> FloatArray:
    """Energy lost in a run over a year [kWh]: E = R sum(I^2 t) / 1000.

    Args:
        resistance_ohm: resistance of the run at operating temperature, any shape.
        current_a: currents through the year, (bins,).
        duration_h: hours of each current, (bins,).

    Raises:
        CallError: currents and hours differ in number, or an hour is negative.

    Source: common-practice (Joule's law).
    """
    if current_a.shape != duration_h.shape or bool(np.any(duration_h < 0.0)):
        raise CallError(
            "current-duration",
            f"There are {current_a.size} currents and {duration_h.size} durations, or a negative.",
            "Give each current its hours, 0 or more.",
        )
    return _float(resistance_ohm) * float(np.sum(current_a**2 * duration_h)) / 1000.0


def equivalent_hours_h(
    current_a: FloatArray, *, duration_h: FloatArray, rated_current_a: float
) -> tuple[float, float]:
    """Hours [h] at the rated current with the year's ohmic loss, and with its charge.

    T2 = sum((I/In)^2 t) and T1 = sum((I/In) t). The yearly loss over the yearly energy is then the
    relative drop at the rated current times T2 / T1, at the same voltage.

    Source: common-practice.
    """
    ratio = current_a / rated_current_a
    return float(np.sum(ratio**2 * duration_h)), float(np.sum(ratio * duration_h))


def next_sizes_mm2(area_mm2: float, *, practice: Practice) -> tuple[float | None, float | None]:
    """Standard cross-sections [mm2] next below and next above, None where there is none."""
    areas = size_areas_mm2(practice)
    below = areas[areas < 0.99 * area_mm2]
    above = areas[areas > 1.01 * area_mm2]
    return (
        float(below[-1]) if len(below) else None,
        float(above[0]) if len(above) else None,
    )


def size_options(
    area_mm2: float,
    *,
    practice: Practice,
    laying: int,
    material: int,
    ambient_temp_c: float,
    circuits: int,
    design_current_a: float,
    conductor_length_m: float,
    rated_current_a: float,
    rated_voltage_v: float,
    conductor_temp_c: float,
    drop_limit_percent: float,
    loss_equivalent_h: float,
    cost_per_m: Mapping[float, float] | None = None,
) -> pl.DataFrame:
    """Compare a size with the next below and the next above: ampacity, drop, loss, cost.

    Gives a frame of ``size``, ``area_mm2``, ``ampacity_a``, ``drop_percent``, ``loss_kwh`` a
    year, ``fits`` (ampacity and drop hold) and, where the costs of a metre are known, ``cost``
    and ``cost_difference`` against the size asked about. Lengths are of conductor, out and back.

    Args:
        area_mm2: cross-section asked about.
        practice: whose tables count.
        laying: place in ``LAYINGS``.
        material: place in ``MATERIALS``.
        ambient_temp_c: air or ground around the cable.
        circuits: circuits that lie together.
        design_current_a: current the cable must carry; in the NEC practice 690.8(A).
        conductor_length_m: conductor of the run or of all runs, out and back.
        rated_current_a: current the drop is told at.
        rated_voltage_v: voltage it is compared with.
        conductor_temp_c: conductor temperature in operation.
        drop_limit_percent: greatest drop wanted.
        loss_equivalent_h: hours at the rated current with the year's ohmic loss.
        cost_per_m: cost of a metre of conductor by cross-section, in any currency.
    """
    down, up = next_sizes_mm2(area_mm2, practice=practice)
    areas = [one for one in (down, area_mm2, up) if one is not None]
    ampacity = corrected_ampacity_a(
        areas,
        practice=practice,
        laying=laying,
        ambient_temp_c=ambient_temp_c,
        circuits=circuits,
        material=material,
    )
    resistance = run_resistance_ohm(
        areas,
        conductor_length_m=conductor_length_m,
        conductor_temp_c=conductor_temp_c,
        practice=practice,
        material=material,
    )
    drop_percent = 100.0 * resistance * rated_current_a / rated_voltage_v
    frame = pl.DataFrame(
        {
            "size": [size_name(one, practice=practice) for one in areas],
            "area_mm2": areas,
            "ampacity_a": ampacity,
            "drop_percent": drop_percent,
            "loss_kwh": resistance * rated_current_a**2 * loss_equivalent_h / 1000.0,
            "fits": (ampacity >= design_current_a) & (drop_percent <= drop_limit_percent),
        }
    )
    if cost_per_m is None:
        return frame
    costs = [_cost(one, cost_per_m, conductor_length_m) for one in areas]
    own = costs[areas.index(area_mm2)]
    return frame.with_columns(
        pl.Series("cost", costs, dtype=pl.Float64),
        pl.Series(
            "cost_difference",
            [None if c is None or own is None else c - own for c in costs],
            dtype=pl.Float64,
        ),
    )


def _cost(area_mm2: float, cost_per_m: Mapping[float, float], length_m: float) -> float | None:
    for held, cost in cost_per_m.items():
        if abs(held / area_mm2 - 1.0) < 0.01:
            return cost * length_m
    return None
