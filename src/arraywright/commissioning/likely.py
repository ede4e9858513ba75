"""How likely each cause is for every string, from all readings of a day explained together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.conditions import Conditions
from arraywright.commissioning.expected import Assumptions, ExpectedStrings
from arraywright.commissioning.session_causes import (
    CausePriors,
    Component,
    reading_components,
    string_components,
)
from arraywright.commissioning.session_model import (
    STRING_CAUSES,
    SessionReadings,
    explain_session,
)
from arraywright.commissioning.string_modules import StringModules
from arraywright.plant import Site

__all__ = ["CAUSE_WORDS", "Likely", "likely_causes"]

CAUSE_WORDS: Final = {
    "none": "nothing wrong",
    "bypass-diode-shorted": "a bypass diode shorted",
    "module-missing": "a module missing",
    "module-surplus": "a module too many",
    "module-reversed": "a module reversed",
    "wrong-class": "modules of another class",
    "wrong-type": "modules of another type",
    "substring-open": "a sub-string open",
    "shade-or-soiling": "shade or soiling",
    "series-resistance-high": "a high series resistance",
    "shunt-low": "a low shunt resistance",
    "label-wrong": "a reading of another string",
    "unit-slip": "a slip of the unit",
    "digits-swapped": "two digits swapped",
    "sensor-stale": "an irradiance of another moment",
    "reading-off": "a faulty reading",
}
"""Causes in words."""

_LEVELS_MOST: Final = 8
_SEED: Final = 62446


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """Probabilities per string of the site, NaN where it has no valid reading.

    Attributes:
        probability: of each of ``STRING_CAUSES``, (strings, causes).
        unlike_chance: more evidence against the string than sound ones show with the false
            alarms allowed, (strings,).
    """

    probability: FloatArray
    unlike_chance: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]


def _kinds(
    site: Site, modules: StringModules, index: IntArray
) -> tuple[IntArray, list[tuple[Component, ...]]]:
    """Number the strings of the readings by type, class and length, with the forms of causes."""
    types = modules.module_type.to_list()
    power = modules.power_class_w
    lengths = modules.lengths
    numbers: dict[tuple[str, float, int], int] = {}
    kind_of = np.empty(len(index), dtype=np.int64)
    for row, string in enumerate(index.tolist()):
        held = float(power[string])
        key = (types[string], -1.0 if np.isnan(held) else held, int(lengths[string]))
        kind_of[row] = numbers.setdefault(key, len(numbers))
    forms = []
    for name, power_w, length in numbers:
        module_type = site.module_types[name]
        classes = [one.power_w for one in module_type.power_classes]
        if power_w < 0.0:
            power_w = float(np.median(classes))  # noqa: PLW2901
        forms.append(string_components(module_type, modules=length, class_power_w=power_w))
    return kind_of, forms


def _levels(expected_v: FloatArray) -> list[float]:
    """Give the different levels of expected Voc a label could be mistaken among, the commonest."""
    rounded = np.round(np.log(expected_v[np.isfinite(expected_v) & (expected_v > 0.0)]), 2)
    values, counts = np.unique(rounded, return_counts=True)
    commonest = values[np.argsort(-counts, kind="stable")][:_LEVELS_MOST]
    return [float(one) for one in commonest]


def likely_causes(
    site: Site,
    *,
    modules: StringModules,
    conditions: Conditions,
    expected: ExpectedStrings,
    group: IntArray,
    day: IntArray,
    assumptions: Assumptions,
) -> Likely:
    """Probability of every cause for each string [1], its valid Voc and Isc explained jointly.

    Readings of one group (same type, knowledge, instruments) on one day share a level that drifts.
    A reversed reading is not explained here: its polarity says what it is.

    Args:
        site: the site.
        modules: the modules of its strings, in its order.
        conditions: the readings.
        expected: what each reading should be.
        group: readings that may be compared, (readings,).
        day: number of the local day of each reading, (readings,).
        assumptions: uncertainties that no table states.

    Source: common-practice for the priors; dempster-laird-rubin-1977
    """
    strings = len(modules.strings)
    probability = np.full((strings, len(STRING_CAUSES)), np.nan)
    unlike = np.zeros(strings, dtype=np.bool_)
    value = np.full((3, len(conditions.time_s)), np.nan)
    own = np.full(value.shape, 0.01)
    for channel, (measured, wanted, u_own, repeatability, mask) in enumerate(
        (
            (
                conditions.voc_v,
                expected.voc_v,
                expected.voc_u_own_v,
                assumptions.meter_repeatability_v_ratio,
                conditions.masks["voc"],
            ),
            (
                conditions.isc_a,
                expected.isc_a,
                expected.isc_u_own_a,
                assumptions.meter_repeatability_a_ratio,
                conditions.masks["isc"],
            ),
        )
    ):
        held = (mask == 0) & (measured > 0.0) & (wanted > 0.0) & ~conditions.is_reversed
        rows = np.flatnonzero(held)
        value[channel, rows] = np.log(measured[rows] / wanted[rows])
        own[channel, rows] = np.hypot(u_own[rows] / wanted[rows], repeatability)
    usable = (
        np.isfinite(value).any(axis=0)
        & (conditions.string_index >= 0)
        & np.isfinite(conditions.time_s)
    )
    rows = np.flatnonzero(usable)
    if len(rows) == 0:
        return Likely(probability=probability, unlike_chance=unlike)
    kind_of, forms = _kinds(site, modules, conditions.string_index[rows])
    days = np.unique(day, return_inverse=True)[1]
    found = explain_session(
        SessionReadings(
            value=value[:, rows],
            own_u=own[:, rows],
            time_s=conditions.time_s[rows],
            string=conditions.string_index[rows],
            group=(group * (int(days.max()) + 1) + days)[rows],
        ),
        kind_of=kind_of,
        components=forms,
        of_reading=reading_components(
            voc_v=conditions.voc_v[rows],
            isc_a=conditions.isc_a[rows],
            expected_voc_v=expected.voc_v[rows],
            level_ratio=_levels(expected.voc_v[rows]),
        ),
        priors=CausePriors(),
        false_alarm_ratio=site.commissioning.false_alarm_ratio,
        seed=_SEED,
    )
    probability[found.strings] = found.probability
    unlike[found.strings] = found.flagged
    return Likely(probability=probability, unlike_chance=unlike)
