"""Where along a string an earth fault lies, from the voltages of its two poles to earth."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics.uncertainty import combined

__all__ = [
    "EARTH_FAULT_CAUTION",
    "METER_INPUT_MEGOHM",
    "STATE_WORDS",
    "EarthFaultState",
    "EarthFaults",
    "locate_earth_faults",
]

METER_INPUT_MEGOHM: Final = 10.0
"""Input resistance of a multimeter on direct voltage where its own is not given; common
practice."""

EARTH_FAULT_CAUTION: Final = (
    "With an earth fault the frames, the structure and both poles may stand at a dangerous voltage "
    "to earth, and a second fault closes a circuit that no fuse may open. Isolate the string from "
    "the inverter and from all other strings at both poles, prove that no current flows, touch "
    "neither frames nor metal parts with bare hands, and use a meter and leads rated for the "
    "string's voltage. Never open a connector under load. This is work for a licensed electrician; "
    "local codes and the maker's instructions decide."
)

_LEAST_VOC_V: Final = 20.0
_ABOVE_VOC_RATIO: Final = 0.03
_SEEN_RATIO: Final = 0.02
_ZERO_RATIO: Final = 0.01
_RESOLUTION_V: Final = 0.1
_COVERAGE: Final = 2.0


class EarthFaultState(IntEnum):
    """What two pole-to-earth voltages say."""

    LOCATED = 0
    """They show an earth fault and where it lies."""
    NOT_SEEN = 1
    """They are so small that sound insulation may give them: no fault is shown, none excluded."""
    MISSING = 2
    """One of the voltages, or the string's own, is missing or no number."""
    CONTRADICTORY = 3
    """They add up to more than the string has, or both poles lie on one side of earth."""
    NO_VOLTAGE = 4
    """The string has too little voltage to tell."""


STATE_WORDS: Final = {
    EarthFaultState.LOCATED: "an earth fault is located",
    EarthFaultState.NOT_SEEN: "the voltages to earth show no fault that could be located; this "
    "proves no insulation",
    EarthFaultState.MISSING: "both voltages to earth and the string's own are needed",
    EarthFaultState.CONTRADICTORY: "the voltages to earth contradict each other or the string's "
    "own: another source or earth is connected, the light changed, or the leads were mistaken",
    EarthFaultState.NO_VOLTAGE: "the string has too little voltage to locate a fault",
}
"""What each state says to a person."""


@dataclass(frozen=True, slots=True, kw_only=True)
class EarthFaults:
    """Places of earth faults, all (readings,), NaN or 0 where none is located.

    Attributes:
        state: ``EarthFaultState``, int8.
        position: modules between the positive end and the fault, 0 to the number of modules, in
            parts of a module by its own voltage [1].
        position_low: lower end of the interval [1].
        position_high: upper end of the interval [1].
        module: module the fault lies in, counted from 1 at the positive end.
        module_first: first module of the interval.
        module_last: last module of the interval.
        fault_megohm: resistance to earth at the fault, sound insulation beside it included
            [Mohm], zero where the voltages add up to the string's.
        fault_u_megohm: its standard uncertainty [Mohm].
    """

    state: npt.NDArray[np.int8]
    position: FloatArray
    position_low: FloatArray
    position_high: FloatArray
    module: IntArray
    module_first: IntArray
    module_last: IntArray
    fault_megohm: FloatArray
    fault_u_megohm: FloatArray


def locate_earth_faults(
    pos_earth_v: npt.ArrayLike,
    neg_earth_v: npt.ArrayLike,
    *,
    module_voc_v: npt.ArrayLike,
    offsets: npt.ArrayLike,
    string_voc_v: npt.ArrayLike,
    string_voc_u_v: npt.ArrayLike,
    meter_u_ratio: npt.ArrayLike,
    meter_input_megohm: npt.ArrayLike = METER_INPUT_MEGOHM,
    least_sound_megohm: npt.ArrayLike = np.inf,
    drift_u_ratio: float = 0.003,
    module_voc_u_ratio: float = 0.005,
    temperature_u_k: float = 1.5,
    beta_voc_per_k: float = -0.003,
) -> EarthFaults:
    """Place of an earth fault along a string, in modules from the positive end [1].

    A string at open circuit, isolated from everything else, with one fault to earth of resistance
    Rf behind the voltage x of the modules next to the positive pole. A meter of input resistance
    Rm reads from each pole, one after the other::

        U+ = x Rm/(Rm + Rf),   U- = (Voc - x) Rm/(Rm + Rf)

    so that ``x/Voc = U+/(U+ + U-)`` whatever Rf and Rm are, and ``Rf = Rm (Voc/(U+ + U-) - 1)``.
    With equal modules and Rf = 0 this is the trade's formula, modules from the positive pole =
    U+ / Voc of one module. Here the modules' own voltages are counted off instead.

    Sound insulation of the rest, Rs to earth as from the middle of the string, draws the reading
    towards the middle::

        r = U+/(U+ + U-) = (x/Voc Gf + Gs/2)/(Gf + Gs),  G = 1/R,  Rf = 1/(1/Rth - Gs)

    with Rth the resistance found above. Rs is known only to be at least ``least_sound_megohm``: Gs
    is taken half way to its greatest, with the least Rth the readings allow, and the distance to
    its greatest with Rth one uncertainty higher counts as the half width of a rectangular
    distribution.

    The interval is the estimate plus and minus twice the standard uncertainty, from the meter
    (each reading for itself), drift of light and temperature between the readings, the modules'
    Voc, unequal temperature along the string and Rs. Two faults at once show as one between them;
    a fault in a lead or connector shows at the border of two modules.

    Args:
        pos_earth_v: voltage of the positive pole to earth, its sign as read, (readings,).
        neg_earth_v: voltage of the negative pole to earth; without its sign it is taken as below
            earth, (readings,).
        module_voc_v: Voc of every module from the positive end, flat; at any one condition, for
            only their shares count.
        offsets: modules of reading ``i`` are ``flat[offsets[i]:offsets[i + 1]]``, (readings + 1,).
        string_voc_v: Voc of the string at the moment, read or expected, (readings,).
        string_voc_u_v: its standard uncertainty, (readings,).
        meter_u_ratio: standard uncertainty of one voltage reading, relative.
        meter_input_megohm: input resistance of the meter.
        least_sound_megohm: least insulation resistance of the sound rest of the string.
        drift_u_ratio: standard uncertainty from light and temperature between the readings.
        module_voc_u_ratio: standard uncertainty of one module's Voc against its neighbours'.
        temperature_u_k: standard uncertainty of one half of a string's temperature against the
            other.
        beta_voc_per_k: temperature coefficient of Voc.

    Raises:
        CallError: ``shapes-differ``.

    Source: common-practice for the formula, which follows from Kirchhoff's laws; jcgm-100 5.1.2
    """
    pos, neg = (
        np.atleast_1d(np.asarray(one, dtype=np.float64)) for one in (pos_earth_v, neg_earth_v)
    )
    flat = np.asarray(module_voc_v, dtype=np.float64)
    bounds: IntArray = np.asarray(offsets, dtype=np.int64)
    if pos.shape != neg.shape or bounds.shape != (len(pos) + 1,) or bounds[-1] != len(flat):
        raise CallError(
            "shapes-differ",
            f"Found voltages {pos.shape} and {neg.shape}, {len(flat)} modules and offsets "
            f"{bounds.shape}; required: one pair a string and offsets over its modules.",
            "Give one reading per string and the modules of each.",
        )
    voc, voc_u, meter_u, input_megohm, sound = (
        np.broadcast_to(np.asarray(one, dtype=np.float64), pos.shape)
        for one in (
            string_voc_v,
            string_voc_u_v,
            meter_u_ratio,
            meter_input_megohm,
            least_sound_megohm,
        )
    )
    count = np.diff(bounds)
    total = _sums(flat, bounds)
    state, above, below = _states(pos, neg, voc=voc, voc_u=voc_u, total=total)
    with np.errstate(invalid="ignore", divide="ignore", over="ignore"):
        both = above + below
        share = np.where(both > 0.0, above / both, np.nan)
        own_u = [
            combined(meter_u, drift_u_ratio, _RESOLUTION_V / np.maximum(one, _RESOLUTION_V))
            for one in (above, below)
        ]
        share_u = share * (1.0 - share) * combined(*own_u)
        shown_megohm = input_megohm * np.maximum(voc / both - 1.0, 0.0)
        both_u = np.hypot(own_u[0] * above, own_u[1] * below) / both
        shown_u = input_megohm * voc / both * combined(voc_u / voc, both_u)
        # what the rest leaks lies between nothing and its least insulation; a fault resistance
        # that may be zero is taken as zero
        leak_s = np.where(sound > 0.0, 1.0 / sound, np.inf)
        surely_s = 1.0 / np.maximum(shown_megohm - _COVERAGE * shown_u, 1e-9)
        perhaps_s = 1.0 / (shown_megohm + shown_u)
        seen = perhaps_s > leak_s
        state = np.where(
            (state == EarthFaultState.LOCATED) & ~seen, EarthFaultState.NOT_SEEN, state
        )
        far = (share - 0.5) * 0.5 * leak_s / (surely_s - 0.5 * leak_s)
        leak_half = np.abs((share - 0.5) * leak_s / (perhaps_s - leak_s) - far)
        place = np.clip(share + far, 0.0, 1.0)
        along = place * (1.0 - place)
        place_u = combined(
            share_u,
            leak_half / np.sqrt(3.0),
            module_voc_u_ratio * np.sqrt(along / np.maximum(count, 1)),
            along * np.abs(beta_voc_per_k) * temperature_u_k,
        )
    located = (state == EarthFaultState.LOCATED) & np.isfinite(place) & np.isfinite(place_u)
    state = np.where((state == EarthFaultState.LOCATED) & ~located, EarthFaultState.MISSING, state)
    position = _counted(np.where(located, place, np.nan), flat, bounds)
    low = _counted(
        np.where(located, np.maximum(place - _COVERAGE * place_u, 0.0), np.nan), flat, bounds
    )
    high = _counted(
        np.where(located, np.minimum(place + _COVERAGE * place_u, 1.0), np.nan), flat, bounds
    )
    return EarthFaults(
        state=state.astype(np.int8),
        position=position,
        position_low=low,
        position_high=high,
        module=_module(position, count),
        module_first=_module(low, count),
        module_last=_module(np.nextafter(high, 0.0), count),
        fault_megohm=np.where(located, shown_megohm, np.nan),
        fault_u_megohm=np.where(located, shown_u, np.nan),
    )


def _states(
    pos: FloatArray, neg: FloatArray, *, voc: FloatArray, voc_u: FloatArray, total: FloatArray
) -> tuple[npt.NDArray[np.int64], FloatArray, FloatArray]:
    """State of each reading by its voltages alone, and how far the poles lie from earth."""
    with np.errstate(invalid="ignore", over="ignore"):
        # a negative pole without its sign lies below earth all the same
        below = np.where(pos >= 0.0, np.abs(neg), -neg)
        zero = _ZERO_RATIO * voc
        crossed = (pos < -zero) | (below < -zero)
        above, below = np.maximum(pos, 0.0), np.maximum(below, 0.0)
        both = above + below
        known = np.isfinite(pos) & np.isfinite(neg) & np.isfinite(voc) & np.isfinite(voc_u)
        known &= (total > 0.0) & np.isfinite(total)
        state = np.select(
            [
                ~known,
                voc < _LEAST_VOC_V,
                crossed | (both > voc * (1.0 + _ABOVE_VOC_RATIO) + _COVERAGE * voc_u),
                both < _SEEN_RATIO * voc,
            ],
            [
                EarthFaultState.MISSING,
                EarthFaultState.NO_VOLTAGE,
                EarthFaultState.CONTRADICTORY,
                EarthFaultState.NOT_SEEN,
            ],
            EarthFaultState.LOCATED,
        )
    return state.astype(np.int64), above, below


def _sums(flat: FloatArray, bounds: IntArray) -> FloatArray:
    if len(bounds) == 1:
        return np.zeros(0)
    running = np.concatenate([[0.0], np.cumsum(flat)])
    return np.asarray(running[bounds[1:]] - running[bounds[:-1]])


def _counted(share: FloatArray, flat: FloatArray, bounds: IntArray) -> FloatArray:
    """Modules from the positive end at a share of the string's voltage, parts by voltage."""
    out = np.full(len(share), np.nan)
    for reading in np.flatnonzero(np.isfinite(share)).tolist():
        own = flat[bounds[reading] : bounds[reading + 1]]
        ends = np.concatenate([[0.0], np.cumsum(own)])
        out[reading] = np.interp(share[reading] * ends[-1], ends, np.arange(len(ends)))
    return out


def _module(position: FloatArray, count: IntArray) -> IntArray:
    """Module, counted from 1, in which a position lies; 0 where there is none."""
    held = np.floor(np.nan_to_num(position, nan=-1.0)).astype(np.int64) + 1
    return np.where(np.isfinite(position), np.clip(held, 1, count), 0).astype(np.int64)
