"""Currents of strings and inputs, reverse current, string fuses, and ratings behind them."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import BoolArray, FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.data_tables import standard_values
from arraywright.design.electrical_inputs import (
    BACKFEED,
    BETA,
    BIFACIALITY,
    BOX_CURRENT,
    BOX_VOLTAGE,
    CORRECTION,
    FUSE,
    FUSE_VOLTAGE,
    IMP,
    INPUT_CURRENT,
    INPUT_ISC,
    ISC,
    MIN_TEMP,
    MODULES,
    REAR,
    SERIES_FUSE,
    STRINGS,
    STRINGS_IN_BOX,
    SWITCH_CURRENT,
    SWITCH_VOLTAGE,
    VOC,
)
from arraywright.design.voltage import string_voc_cold
from arraywright.errors import CallError

__all__ = [
    "CHECKS",
    "NEEDS_STRING_FUSES",
    "bifacial_current",
    "design_current",
    "most_unfused_strings",
    "nec_rated_current",
    "next_fuse_rating",
    "reverse_current",
    "string_fuse_least",
    "string_fuse_most",
    "string_fuses_needed",
]

OVER_IRRADIANCE: Final = 1.25
"""Light above 1000 W/m2; nec-2023 690.8(A)(1), iec-62548-1 string maximum current."""
CONTINUOUS: Final = 1.25
"""Duty of three hours and more; nec-2023 690.8(B), 690.9(B)."""
IEC_FUSE_LEAST: Final = 1.5
IEC_FUSE_MOST: Final = 2.4
"""String fuse over Isc; iec-62548 sizing of string overcurrent protection, from memory."""


def _numbers(given: npt.ArrayLike) -> FloatArray:
    return np.asarray(given, dtype=np.float64)


def bifacial_current(
    current_a: npt.ArrayLike,
    *,
    bifaciality_ratio: npt.ArrayLike,
    rear_irradiance_ratio: npt.ArrayLike,
) -> FloatArray:
    """Current [A] of a bifacial module lit from both sides, from its front-side value.

    ``I = I_front (1 + phi r)`` with the bifaciality phi and the irradiance on the rear over the
    one on the front r: the equivalent irradiance G (1 + phi r), current proportional to it. The
    bifaciality of the short-circuit current is meant; that of power is taken where it alone is
    known.

    Args:
        current_a: current with the front lit at 1000 W/m2, any shape.
        bifaciality_ratio: rear to front of the module, 0 when one-sided.
        rear_irradiance_ratio: rear to front irradiance, at the moment that is designed for.

    Source: iec-60904-1-2 equivalent irradiance.
    """
    gain: FloatArray = 1.0 + _numbers(bifaciality_ratio) * _numbers(rear_irradiance_ratio)
    return _numbers(current_a) * gain


def design_current(
    isc_a: npt.ArrayLike,
    *,
    strings: npt.ArrayLike = 1.0,
    irradiance_correction_ratio: npt.ArrayLike = 1.0,
) -> FloatArray:
    """Greatest current [A] of parallel strings that conductors and devices must reckon with.

    ``I_max = 1.25 K_corr N_s Isc``: 1.25 for light above 1000 W/m2, in the IEC practice times a
    correction for the site (reflecting ground or snow, high altitude, a tilt far from the best).

    Args:
        isc_a: short-circuit current of a string, bifacial gain included, any shape.
        strings: strings in parallel.
        irradiance_correction_ratio: correction of the site K_corr, 1 for ordinary sites.

    Source: iec-62548-1 string maximum current; nec-2023 690.8(A)(1).
    """
    current_a: FloatArray = (
        OVER_IRRADIANCE
        * _numbers(irradiance_correction_ratio)
        * _numbers(strings)
        * _numbers(isc_a)
    )
    return current_a


def nec_rated_current(max_current_a: npt.ArrayLike) -> FloatArray:
    """Least rating [A] of a conductor or device for a continuous current, before other factors.

    ``I = 1.25 I_max``; with I_max = 1.25 Isc this is the 1.56 Isc of the trade.

    Args:
        max_current_a: maximum circuit current, see ``design_current``.

    Source: nec-2023 690.8(B)(1), 690.9(B)(1).
    """
    rated_a: FloatArray = CONTINUOUS * _numbers(max_current_a)
    return rated_a


def reverse_current(
    string_max_current_a: npt.ArrayLike,
    *,
    strings: npt.ArrayLike,
    backfeed_a: npt.ArrayLike = 0.0,
) -> FloatArray:
    """Current [A] that the other strings and the inverter can drive through a faulty string.

    ``I_rev = (N_s - 1) I_max + I_bf``.

    Args:
        string_max_current_a: greatest current of one string, see ``design_current``.
        strings: strings in parallel without isolation from each other.
        backfeed_a: current the inverter or a battery can feed back, from the maker.

    Source: iec-62548-1 requirement for string overcurrent protection; nec-2023 690.9(A).
    """
    others = np.maximum(_numbers(strings) - 1.0, 0.0)
    current_a: FloatArray = others * _numbers(string_max_current_a) + _numbers(backfeed_a)
    return current_a


def string_fuses_needed(
    string_max_current_a: npt.ArrayLike,
    *,
    strings: npt.ArrayLike,
    series_fuse_a: npt.ArrayLike,
    backfeed_a: npt.ArrayLike = 0.0,
) -> BoolArray:
    """Whether the reverse current is above what the module bears, so that strings need fuses.

    ``(N_s - 1) I_max + I_bf > I_module``, the module's greatest series fuse. The conductors of a
    string without a fuse must bear the reverse current as well.

    Args:
        string_max_current_a: greatest current of one string, see ``design_current``.
        strings: strings in parallel.
        series_fuse_a: greatest series fuse of the module.
        backfeed_a: current fed back from outside.

    Source: iec-62548-1 requirement for string overcurrent protection; nec-2023 690.9(A).
    """
    reverse_a = reverse_current(string_max_current_a, strings=strings, backfeed_a=backfeed_a)
    return np.asarray(reverse_a > _numbers(series_fuse_a))


def most_unfused_strings(
    string_max_current_a: npt.ArrayLike,
    *,
    series_fuse_a: npt.ArrayLike,
    backfeed_a: npt.ArrayLike = 0.0,
) -> FloatArray:
    """How many strings may be in parallel before they need fuses, whole numbers from 0.

    ``floor(1 + (I_module - I_bf)/I_max)``; 0 where the backfeed alone is too much.

    Args:
        string_max_current_a: greatest current of one string, above zero.
        series_fuse_a: greatest series fuse of the module.
        backfeed_a: current fed back from outside.

    Source: iec-62548-1 requirement for string overcurrent protection; nec-2023 690.9(A).
    """
    spare_a = _numbers(series_fuse_a) - _numbers(backfeed_a)
    most: FloatArray = np.floor(1.0 + spare_a / _numbers(string_max_current_a) + 1e-9)
    return np.where(spare_a < 0.0, 0.0, most)


def string_fuse_least(isc_a: npt.ArrayLike, *, practice: Practice) -> FloatArray:
    """Least rated current [A] of a string fuse.

    IEC: ``1.5 Isc``. NEC: ``1.25 x 1.25 Isc``. Heat in the box asks for more: see the fuse
    maker's derating.

    Args:
        isc_a: short-circuit current of a string, gains included, any shape.
        practice: family of standards.

    Source: iec-62548 sizing of string overcurrent protection; nec-2023 690.9(B)(1).
    """
    if practice is Practice.IEC:
        least_a: FloatArray = IEC_FUSE_LEAST * _numbers(isc_a)
        return least_a
    return nec_rated_current(design_current(isc_a))


def string_fuse_most(
    isc_a: npt.ArrayLike, *, series_fuse_a: npt.ArrayLike, practice: Practice
) -> FloatArray:
    """Greatest rated current [A] of a string fuse.

    IEC: the lesser of ``2.4 Isc`` and the module's greatest series fuse. NEC: the latter.

    Args:
        isc_a: short-circuit current of a string, gains included, any shape.
        series_fuse_a: greatest series fuse of the module.
        practice: family of standards.

    Source: iec-62548 sizing of string overcurrent protection; nec-2023 690.9(B).
    """
    if practice is Practice.IEC:
        return np.minimum(IEC_FUSE_MOST * _numbers(isc_a), _numbers(series_fuse_a))
    both = np.broadcast_arrays(_numbers(isc_a), _numbers(series_fuse_a))
    return np.array(both[1])


def next_fuse_rating(least_a: npt.ArrayLike, *, practice: Practice) -> FloatArray:
    """Smallest rating [A] in which fuses are sold that is not below a current.

    Args:
        least_a: least rated current, any shape; nan stays nan.
        practice: family of standards, whose series is taken.

    Raises:
        CallError: ``current-above-fuses`` when no fuse of the series is large enough.

    Source: nec-2023 240.6(A); the other series is common practice, see iec-60269-6.
    """
    ratings_a = np.asarray(
        standard_values("fuse-ratings")[practice.value]["rating_a"], dtype=np.float64
    )
    wanted_a = _numbers(least_a)
    if np.any(wanted_a > ratings_a[-1]):
        raise CallError(
            "current-above-fuses",
            f"Found a least rating of {np.nanmax(wanted_a):g} A; the series ends at "
            f"{ratings_a[-1]:g} A.",
            "Split the circuit or take another kind of protection.",
        )
    index = np.searchsorted(ratings_a, np.nan_to_num(wanted_a) - 1e-9, side="left")
    rating_a: FloatArray = np.where(np.isnan(wanted_a), np.nan, ratings_a[index])
    return rating_a


# The checks.


_LIT = (ISC, BIFACIALITY, REAR, CORRECTION)
_ISC = "Isc (1 + phi r)"
_MAX = f"1.25 Kcorr {_ISC}"
_DECIDE = "A licensed person and the code in force decide."


def _isc(held: Values) -> FloatArray:
    return bifacial_current(
        held["isc_a"],
        bifaciality_ratio=held["bifaciality_ratio"],
        rear_irradiance_ratio=held["rear_irradiance_ratio"],
    )


def _string_max(held: Values, strings: str = "") -> FloatArray:
    return design_current(
        _isc(held),
        strings=held[strings] if strings else 1.0,
        irradiance_correction_ratio=held["irradiance_correction_ratio"],
    )


def _operating(held: Values) -> FloatArray:
    lit_a = bifacial_current(
        held["imp_a"],
        bifaciality_ratio=held["bifaciality_ratio"],
        rear_irradiance_ratio=held["rear_irradiance_ratio"],
    )
    return np.asarray(held["strings"] * lit_a)


def _reverse(held: Values) -> FloatArray:
    flows_a = reverse_current(
        _string_max(held), strings=held["strings"], backfeed_a=held["backfeed_a"]
    )
    fuse_a = held["string_fuse_a"]
    return np.where(fuse_a > 0.0, np.minimum(flows_a, fuse_a), flows_a)


def _fuse(held: Values) -> FloatArray:
    return np.where(held["string_fuse_a"] > 0.0, held["string_fuse_a"], np.nan)


def _corrected_isc(held: Values) -> FloatArray:
    return np.asarray(held["irradiance_correction_ratio"] * _isc(held))


def _fuse_least_check(practice: Practice, basis: str, *, factor: str) -> DesignCheck:
    return DesignCheck(
        key="string-fuse-least",
        family="current",
        title="String fuse large enough for the string's own current",
        subject_kind="string",
        basis={practice: basis},
        formula=f"In >= {factor} Kcorr {_ISC}",
        inputs=(FUSE, *_LIT),
        unit="A",
        sense="at least",
        value=_fuse,
        limit=lambda held: string_fuse_least(_corrected_isc(held), practice=practice),
        passing="The string fuse of {value} {unit} is not below {limit} {unit}, so that bright "
        "days do not blow it.",
        failing="The string fuse of {value} {unit} is {margin} {unit} below the least rating of "
        "{limit} {unit}; bright days would age and blow it.",
        remedy="Take the next larger fuse for photovoltaic strings that the module allows. "
        f"{_DECIDE}",
    )


def _fuse_most_check(practice: Practice, basis: str, *, limit: str) -> DesignCheck:
    return DesignCheck(
        key="string-fuse-most",
        family="current",
        title="String fuse small enough to protect the modules",
        subject_kind="string",
        basis={practice: basis},
        formula=f"In <= {limit}",
        inputs=(FUSE, *_LIT, SERIES_FUSE),
        unit="A",
        sense="at most",
        value=_fuse,
        limit=lambda held: string_fuse_most(
            _corrected_isc(held), series_fuse_a=held["series_fuse_a"], practice=practice
        ),
        passing="The string fuse of {value} {unit} is not above the greatest that protects the "
        "modules, {limit} {unit}.",
        failing="The string fuse of {value} {unit} is {margin} {unit} above the greatest that "
        "protects the modules, {limit} {unit}; a fault could overheat them.",
        remedy=f"Take a smaller fuse, or modules that allow a larger one. {_DECIDE}",
    )


def _rated_current_check(
    key: str, *, what: str, practice: Practice, basis: str, strings: Input, rating: Input
) -> DesignCheck:
    nec = practice is Practice.NEC

    def needed(held: Values) -> FloatArray:
        current_a = _string_max(held, strings.name)
        return nec_rated_current(current_a) if nec else current_a

    return DesignCheck(
        key=key,
        family="current",
        title=f"Rated current of the {what}",
        subject_kind="combiner box" if strings is STRINGS_IN_BOX else "string",
        basis={practice: basis},
        formula=f"{rating.symbol} >= {'1.25 x ' if nec else ''}{strings.symbol} {_MAX}",
        inputs=(rating, strings, *_LIT),
        unit="A",
        sense="at least",
        value=lambda held: np.asarray(held[rating.name]),
        limit=needed,
        passing=f"The {what} is rated {{value}} {{unit}}; {{limit}} {{unit}} are needed.",
        failing=f"The {what} is rated {{value}} {{unit}}, {{margin}} {{unit}} below the needed "
        "{limit} {unit}; it would overheat.",
        remedy=f"Take a {what} of a larger rating, or fewer strings on it. {_DECIDE}",
    )


def _rated_voltage_check(key: str, *, what: str, rating: Input) -> DesignCheck:
    return DesignCheck(
        key=key,
        family="current",
        title=f"Rated d.c. voltage of the {what}",
        subject_kind="string",
        basis={
            Practice.IEC: "iec-62548-1 PV array maximum voltage",
            Practice.NEC: "nec-2023 690.7(A)(1)",
        },
        formula=f"{rating.symbol} >= N Voc (1 + beta (Tmin - 25))",
        inputs=(rating, MODULES, VOC, BETA, MIN_TEMP),
        unit="V",
        sense="at least",
        value=lambda held: np.asarray(held[rating.name]),
        limit=string_voc_cold,
        passing=f"The {what} is rated {{value}} {{unit}}; in the greatest cold the string reaches "
        "{limit} {unit}.",
        failing=f"The {what} is rated {{value}} {{unit}}, {{margin}} {{unit}} below the {{limit}} "
        "{unit} of the string in the greatest cold; its arc may not go out.",
        remedy=f"Take a {what} rated for the d.c. voltage. {_DECIDE}",
    )


_DATA_SHEET: Final = {
    Practice.IEC: "common-practice inverter's data sheet",
    Practice.NEC: "common-practice inverter's data sheet",
}

CHECKS: tuple[DesignCheck, ...] = (
    DesignCheck(
        key="input-operating-current",
        family="current",
        title="Operating current of one inverter input",
        subject_kind="string",
        basis=_DATA_SHEET,
        formula="Ns Imp (1 + phi r) <= Iin",
        inputs=(STRINGS, IMP, BIFACIALITY, REAR, INPUT_CURRENT),
        unit="A",
        sense="at most",
        value=_operating,
        limit=lambda held: np.asarray(held["input_max_current_a"]),
        passing="In full sun the strings of one input give {value} {unit}; "
        "it takes {limit} {unit}.",
        failing="In full sun the strings of one input give {value} {unit}, {margin} {unit} more "
        "than the {limit} {unit} it takes; the inverter limits the current and yield is lost.",
        remedy="Put fewer strings on one input, or take an inverter with larger inputs.",
    ),
    DesignCheck(
        key="input-short-circuit-current",
        family="current",
        title="Short-circuit current of one inverter input",
        subject_kind="string",
        basis={
            Practice.IEC: "iec-62548-1 string maximum current",
            Practice.NEC: "nec-2023 690.8(A)(1)",
        },
        formula=f"Ns {_MAX} <= Iin_sc",
        inputs=(STRINGS, *_LIT, INPUT_ISC),
        unit="A",
        sense="at most",
        value=lambda held: _string_max(held, "strings"),
        limit=lambda held: np.asarray(held["input_max_isc_a"]),
        passing="The strings of one input can give {value} {unit} in a short circuit; it bears "
        "{limit} {unit}.",
        failing="The strings of one input can give {value} {unit} in a short circuit, {margin} "
        "{unit} more than the {limit} {unit} it bears; this may damage the inverter.",
        remedy=f"Put fewer strings on one input, or take an inverter with larger inputs. {_DECIDE}",
    ),
    DesignCheck(
        key="string-reverse-current",
        family="current",
        title="Reverse current through a faulty string, and whether strings need fuses",
        subject_kind="string",
        basis={
            Practice.IEC: "iec-62548-1 requirement for string overcurrent protection",
            Practice.NEC: "nec-2023 690.9(A)",
        },
        formula=f"(Ns - 1) {_MAX} + Ibf, at most In where fuses are fitted, <= Imod",
        inputs=(STRINGS, *_LIT, BACKFEED, FUSE, SERIES_FUSE),
        unit="A",
        sense="at most",
        value=_reverse,
        limit=lambda held: np.asarray(held["series_fuse_a"]),
        passing="A faulty string sees at most {value} {unit} from outside; its modules bear "
        "{limit} {unit}.",
        failing="A faulty string sees up to {value} {unit} from outside, {margin} {unit} more than "
        "the {limit} {unit} its modules bear: the strings need fuses that protect them.",
        remedy="Fit string fuses not larger than the module's greatest series fuse, or put fewer "
        f"strings in parallel. {_DECIDE}",
    ),
    _fuse_least_check(
        Practice.IEC, "iec-62548 sizing of string overcurrent protection", factor="1.5"
    ),
    _fuse_least_check(Practice.NEC, "nec-2023 690.9(B)(1)", factor="1.25 x 1.25"),
    _fuse_most_check(
        Practice.IEC,
        "iec-62548 sizing of string overcurrent protection",
        limit=f"min(2.4 Kcorr {_ISC}, Imod)",
    ),
    _fuse_most_check(Practice.NEC, "nec-2023 690.9(B)", limit="Imod"),
    _rated_voltage_check("string-fuse-voltage", what="string fuse", rating=FUSE_VOLTAGE),
    _rated_current_check(
        "combiner-current",
        what="combiner box",
        practice=Practice.IEC,
        basis="iec-62548-1 ratings of components of the array",
        strings=STRINGS_IN_BOX,
        rating=BOX_CURRENT,
    ),
    _rated_current_check(
        "combiner-current",
        what="combiner box",
        practice=Practice.NEC,
        basis="nec-2023 690.8(B)(1)",
        strings=STRINGS_IN_BOX,
        rating=BOX_CURRENT,
    ),
    _rated_voltage_check("combiner-voltage", what="combiner box", rating=BOX_VOLTAGE),
    _rated_current_check(
        "disconnector-current",
        what="disconnector",
        practice=Practice.IEC,
        basis="iec-62548-1 ratings of components of the array",
        strings=STRINGS,
        rating=SWITCH_CURRENT,
    ),
    _rated_current_check(
        "disconnector-current",
        what="disconnector",
        practice=Practice.NEC,
        basis="nec-2023 690.13, 690.8(B)(1)",
        strings=STRINGS,
        rating=SWITCH_CURRENT,
    ),
    _rated_voltage_check("disconnector-voltage", what="disconnector", rating=SWITCH_VOLTAGE),
)
"""The checks of currents and of what they flow through."""

NEEDS_STRING_FUSES: Final = frozenset(
    {"string-fuse-least", "string-fuse-most", "string-fuse-voltage"}
)
"""Checks that are asked only where string fuses are fitted (``string_fuse_a`` above zero)."""
