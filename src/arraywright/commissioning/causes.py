"""The most plausible simple cause of a deviation, what to check next, and the cautions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.plant import ModuleType

__all__ = ["CAUTION", "Cause", "isc_cause", "polarity_cause", "voc_cause"]

CAUTION: Final = (
    "Modules in light are live and cannot be switched off: isolate the string, prove that no "
    "current flows, and never open a connector under load. This is work for a licensed "
    "electrician; local codes and the maker's instructions decide."
)

_MATCH_SIGMAS: Final = 2.5
_ROUNDING_MODULES: Final = 0.04
_NO_VOLTAGE_RATIO: Final = 0.02
_NO_CURRENT_RATIO: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """A plausible cause, in words.

    Attributes:
        key: stable key, for example ``bypass-diode-shorted``.
        words: what it most likely is, with other causes of the same size.
        check_next: what to look at next.
    """

    key: str
    words: str
    check_next: str


def polarity_cause() -> Cause:
    """Give the cause of a reversed reading."""
    return Cause(
        key="string-reversed",
        words="the string, or the meter's leads, are connected the wrong way round",
        check_next="Repeat with the leads checked on a known source. Do not connect the string to "
        "anything before its polarity is right.",
    )


def voc_cause(
    deviation_ratio: float, u_ratio: float, *, modules: int, bypass_substrings: int
) -> Cause:
    """Name what could shift a string's Voc by this much [1].

    The deviation is counted in modules' voltages, m = deviation x modules. Sizes looked for:
    one to all but one sub-string of a module (-k/substrings), a missing (-1), surplus (+1) or
    reversed (-2) module, two missing (-2). Every size within 2.5 standard uncertainties is
    named, the nearest first.

    Args:
        deviation_ratio: deviation of Voc from its expectation.
        u_ratio: standard uncertainty of that deviation.
        modules: modules in the string.
        bypass_substrings: sub-strings with a bypass diode in one module.
    """
    if deviation_ratio < _NO_VOLTAGE_RATIO - 1.0:
        return Cause(
            key="string-open",
            words="there is no voltage: the string is open, a fuse or switch is open, or the "
            "leads had no contact",
            check_next="Look for an open connector, fuse or switch; repeat the reading.",
        )
    found = deviation_ratio * modules
    reach = _MATCH_SIGMAS * u_ratio * modules + _ROUNDING_MODULES
    sizes: list[tuple[float, str, str]] = [
        (-1.0, "module-missing", "one module too few in the string (or one wholly shorted)"),
        (1.0, "module-surplus", "one module too many in the string"),
        (-2.0, "module-reversed", "one module reversed, or two too few"),
    ]
    for count in range(1, bypass_substrings):
        noun = "one bypass diode shorted or sub-string open"
        if count > 1:
            noun = f"{count} bypass diodes shorted or sub-strings open"
        sizes.append((-count / bypass_substrings, "bypass-diode-shorted", noun))
    matching = sorted(
        (abs(found - size), key, words) for size, key, words in sizes if abs(found - size) <= reach
    )
    checks = {
        "module-missing": "Count the modules of the string and compare the serials as built.",
        "module-surplus": "Count the modules of the string and compare the serials as built.",
        "module-reversed": "Count the modules and follow the leads; look for a module wired the "
        "wrong way round.",
        "bypass-diode-shorted": "Take an I-V curve; look for a module with a warm junction box or "
        "a third of its area warmer (thermography), then measure that module's Voc alone.",
    }
    if matching:
        names = list(dict.fromkeys(words for _, _, words in matching))
        keys = list(dict.fromkeys(key for _, key, _ in matching))
        return Cause(
            key=matching[0][1],
            words=f"the size ({found:+.2f} modules' voltage) fits " + "; or ".join(names),
            check_next=" ".join(dict.fromkeys(checks[key] for key in keys)),
        )
    side = "low" if found < 0 else "high"
    return Cause(
        key=f"voltage-{side}",
        words=f"the size ({found:+.2f} modules' voltage) fits no whole module or sub-string: the "
        "cells may be warmer or cooler than the thermometer said, a connection poor, the modules "
        "of another type or class, or several degraded",
        check_next="Measure the string's own back-surface temperature and repeat; then take an "
        "I-V curve.",
    )


def isc_cause(
    deviation_ratio: float, u_ratio: float, *, expected_stc_a: float, module_type: ModuleType
) -> Cause:
    """Name what could shift a string's Isc by this much [1].

    A single weak module hardly lowers the Isc of a string, because its bypass diodes carry the
    difference; a shift therefore speaks of the whole string, or of one stronger module when it
    is upwards.

    Args:
        deviation_ratio: deviation of Isc from its expectation.
        u_ratio: standard uncertainty of that deviation.
        expected_stc_a: Isc the planned modules give at STC [A].
        module_type: their type, with its power classes.
    """
    if deviation_ratio < _NO_CURRENT_RATIO - 1.0:
        return Cause(
            key="string-open",
            words="there is no current: the string, a fuse or the meter's circuit is open",
            check_next="Look for an open connector, fuse or switch, with the string isolated.",
        )
    planned = min(module_type.power_classes, key=lambda c: abs(c.isc_a - expected_stc_a))
    fits = [
        other.power_w
        for other in module_type.power_classes
        if other is not planned
        and abs(deviation_ratio - (other.isc_a / planned.isc_a - 1.0)) <= _MATCH_SIGMAS * u_ratio
        and np.sign(other.isc_a - planned.isc_a) == np.sign(deviation_ratio)
    ]
    tail = ""
    if fits:
        named = " or ".join(f"{power_w:g} W" for power_w in fits)
        tail = f"; the size also fits modules of the class {named}"
    if deviation_ratio < 0:
        return Cause(
            key="current-low-wrong-class" if fits else "current-low",
            words="the whole string gets or gives less current than planned: soiling or shade, "
            f"the sensor not in the plane of the modules, or modules of a lower class{tail}",
            check_next="Look at the string for soiling and shade, lay the sensor in the plane, "
            "repeat; then compare the labels with the plan. One weak module alone does not show "
            "in Isc: take an I-V curve for that.",
        )
    return Cause(
        key="current-high-wrong-class" if fits else "current-high",
        words="more current than planned: the sensor soiled, shaded or not in the plane, or one "
        f"or more modules of a higher class{tail}",
        check_next="Clean and align the sensor and repeat; then compare the labels with the plan.",
    )
