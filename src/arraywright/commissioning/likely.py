"""How likely each cause is for every string, from all readings of a day explained together."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning._session_kernels import faded_mean
from arraywright.commissioning.budget import (
    FAMILIES,
    STRING_CAUSES,
    budget_ratio,
    session_verdicts,
)
from arraywright.commissioning.conditions import Conditions
from arraywright.commissioning.expected import Assumptions, ExpectedStrings
from arraywright.commissioning.frames import number
from arraywright.commissioning.gates import Gate
from arraywright.commissioning.pairs import swapped_pairs
from arraywright.commissioning.session_causes import (
    CausePriors,
    Component,
    reading_components,
    string_components,
)
from arraywright.commissioning.session_model import (
    SessionReadings,
    SessionResult,
    explain_session,
)
from arraywright.commissioning.standard import REVIEW
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
_MOST_CHANGES: Final = 2.0
"""A voltage read while the irradiance changed by more than twice what is allowed for a current is
not explained: at the edge of a cloud string and sensor may stand in different light."""
_WARMING_S: Final = 300.0
"""Time in which cells follow the light; five to seven minutes are common practice."""
_PER_CHANGE: Final = (0.012, 0.25, 0.25)
"""Own uncertainty of Voc, Isc and current under load per relative change of irradiance between
readings: light at string and sensor differ by about a quarter of it, and cells warm later than
their backs."""
_OPERATING_POINT_RATIO: Final = 0.012
"""Own uncertainty of a current under load: the inverter holds strings near, not at, their best
point, and a clamp meter repeats to about one percent; common practice."""
_SEED: Final = 62446


@dataclass(frozen=True, slots=True, kw_only=True)
class Likely:
    """What all readings together say of each string of the site, NaN where it has no valid one.

    Attributes:
        probability: of each of ``STRING_CAUSES``, (strings, causes).
        evidence: log odds of each family of causes, (strings, families).
        threshold: evidence sound strings exceed with the false alarms allowed, (families,).
        verdict: verdict number of the joint explanation, (strings,).
        false_alarm_ratio: share of sound strings that may be called [1].
        voc_v: Voc the other readings let expect at the newest reading of it [V], (strings,).
        voc_u_v: its standard uncertainty, the reading's own scatter included [V], (strings,).
        load_a: newest current under load that was explained [A], (strings,).
        load_like_ratio: it over what the other strings let expect, less one [1], (strings,).
        partner: string whose label looks swapped with this one's, -1 for none, (strings,).
        partner_probability: probability of that [1], NaN for none, (strings,).
    """

    probability: FloatArray
    evidence: FloatArray
    threshold: FloatArray
    verdict: IntArray
    false_alarm_ratio: float
    voc_v: FloatArray
    voc_u_v: FloatArray
    load_a: FloatArray
    load_like_ratio: FloatArray
    partner: IntArray
    partner_probability: FloatArray

    @property
    def called(self) -> BoolArray:
        """More evidence than sound strings show with the false alarms allowed, (strings,)."""
        with np.errstate(invalid="ignore"):
            return np.asarray((self.evidence > self.threshold).any(axis=1))


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


def _light(conditions: Conditions) -> FloatArray:
    """Logarithm of the irradiance, and of that of the last minutes over the moment's, (2, n).

    The last minutes' is a mean of the same sensor's readings whose weights fall with their age.
    """
    now = np.log(np.maximum(conditions.irradiance_w_m2, 1.0))
    held = np.where(np.isfinite(now) & np.isfinite(conditions.time_s), now, np.nan)
    order = np.lexsort((conditions.time_s, conditions.sensor.code))
    past = np.full(len(now), np.nan)
    past[order] = faded_mean(
        held[order], conditions.time_s[order], conditions.sensor.code[order], _WARMING_S
    )
    return np.stack([held, past - held])


def _under_load(
    conditions: Conditions, expected: ExpectedStrings, *, modules: StringModules
) -> tuple[FloatArray, FloatArray, IntArray]:
    """Current under load, what it should be at best power, and what stops it, (readings,) each.

    Expected is Isc times the modules' own ratio of Imp to Isc.
    """
    strings = len(modules.strings)
    of_string = np.repeat(np.arange(strings), modules.lengths)
    best, short = (
        np.bincount(of_string, weights=values, minlength=strings)
        for values in (modules.imp_a, modules.isc_a)
    )
    ratio = np.full(strings + 1, np.nan)
    np.divide(best, short, out=ratio[:-1], where=short > 0.0)
    ratio = ratio[conditions.string_index]
    of_value = (Gate.VALUE_MISSING | Gate.VALUE_IMPOSSIBLE | Gate.CONTRADICTED).value
    stopped = conditions.masks["isc"] & ~np.int64(of_value)
    return number(conditions.frame, "load_a"), expected.isc_a * ratio, stopped


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
    """Probability of every cause for each string [1], its valid readings explained jointly.

    Explained are Voc, Isc and the current under load, whichever there are.

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
    value = np.full((3, len(conditions.time_s)), np.nan)
    own = np.full(value.shape, 0.01)
    load, load_expected, load_mask = _under_load(conditions, expected, modules=modules)
    most_change = _MOST_CHANGES * site.commissioning.irradiance_change_ratio
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
            (
                load,
                load_expected,
                expected.isc_u_own_a * (load_expected / expected.isc_a),
                _OPERATING_POINT_RATIO,
                load_mask,
            ),
        )
    ):
        held = (mask == 0) & (measured > 0.0) & (wanted > 0.0) & ~conditions.is_reversed
        held &= ~(conditions.irradiance_change_ratio > most_change)
        rows = np.flatnonzero(held)
        value[channel, rows] = np.log(measured[rows] / wanted[rows])
        change = np.nan_to_num(conditions.irradiance_change_ratio[rows])
        moving = _PER_CHANGE[channel] * change
        own[channel, rows] = np.hypot(np.hypot(u_own[rows] / wanted[rows], repeatability), moving)
    usable = (
        np.isfinite(value).any(axis=0)
        & (conditions.string_index >= 0)
        & np.isfinite(conditions.time_s)
    )
    rows = np.flatnonzero(usable)
    wanted_ratio = budget_ratio(site.commissioning, strings=strings)
    kind_of, forms = _kinds(site, modules, conditions.string_index[rows])
    days = np.unique(day, return_inverse=True)[1]
    readings = SessionReadings(
        value=value[:, rows],
        own_u=own[:, rows],
        time_s=conditions.time_s[rows],
        string=conditions.string_index[rows],
        group=(group * (int(days.max(initial=0)) + 1) + days)[rows],
        light=_light(conditions)[:, rows],
    )
    found = explain_session(
        readings,
        kind_of=kind_of,
        components=forms,
        of_reading=reading_components(
            voc_v=conditions.voc_v[rows],
            isc_a=conditions.isc_a[rows],
            expected_voc_v=expected.voc_v[rows],
            level_ratio=_levels(expected.voc_v[rows]),
        ),
        priors=CausePriors(),
        false_alarm_ratio=wanted_ratio,
        seed=_SEED,
    )
    return _likely(
        site,
        found,
        readings,
        voc_v=conditions.voc_v[rows],
        load_a=load[rows],
        modules=modules,
        ratio=wanted_ratio,
    )


def _partners(
    site: Site,
    found: SessionResult,
    readings: SessionReadings,
    *,
    modules: StringModules,
    newest: IntArray,
) -> tuple[IntArray, FloatArray]:
    """Strings whose labels look swapped, from the newest voltage of each, (strings,) each."""
    strings = len(modules.strings)
    place = np.full(strings, -1, dtype=np.int64)
    place[readings.string[newest]] = newest
    rows = place[place >= 0]
    string = readings.string[rows]
    sound = np.full(strings, np.nan)
    sound[found.strings] = found.probability[:, 0]
    order = np.lexsort((readings.time_s, readings.group))
    turn = np.empty(len(order), dtype=np.int64)
    turn[order] = np.arange(len(order))
    boxes = site.strings["combiner_box"]
    box = boxes.rank("dense").cast(pl.Int64).fill_null(-1).to_numpy().astype(np.int64)
    volts, amperes = modules.voc_sum_v()[string], modules.isc_mean_a()[string]
    pairs = swapped_pairs(
        found.residual[:2, rows],
        variance_ratio=found.residual_u[:2, rows] ** 2,
        degrees_of_freedom=np.array([one.degrees for one in found.noise[:2]]),
        nominal_log_ratio=np.log(np.stack([volts, amperes])),
        sound_ratio=sound[string],
        sound_share_ratio=float(found.share[0]),
        label_share_ratio=CausePriors().readings["label-wrong"],
        box=box[string],
        group=readings.group[rows],
        turn=turn[rows],
    )
    partner, probability = np.full(strings, -1, dtype=np.int64), np.full(strings, np.nan)
    first, second = string[pairs.first], string[pairs.second]
    partner[first], partner[second] = second, first
    probability[first] = probability[second] = pairs.probability
    return partner, probability


def _in_time(readings: SessionReadings, residual: FloatArray) -> IntArray:
    """Readings that have a residual, by their moments."""
    held = np.flatnonzero(np.isfinite(residual))
    return np.asarray(held[np.argsort(readings.time_s[held], kind="stable")])


def _likely(
    site: Site,
    found: SessionResult,
    readings: SessionReadings,
    *,
    voc_v: FloatArray,
    load_a: FloatArray,
    modules: StringModules,
    ratio: float,
) -> Likely:
    """Put the answer of a session to the strings of the site."""
    strings = len(modules.strings)
    probability = np.full((strings, len(STRING_CAUSES)), np.nan)
    evidence = np.full((strings, len(FAMILIES)), np.nan)
    probability[found.strings], evidence[found.strings] = found.probability, found.evidence
    newest = _in_time(readings, found.residual[0])
    loaded = _in_time(readings, found.residual[2])
    amperes, like = np.full(strings, np.nan), np.full(strings, np.nan)
    amperes[readings.string[loaded]] = load_a[loaded]
    like[readings.string[loaded]] = np.expm1(found.residual[2, loaded])
    voc, voc_u = np.full(strings, np.nan), np.full(strings, np.nan)
    to = readings.string[newest]
    voc[to] = voc_v[newest] * np.exp(-found.residual[0, newest])
    voc_u[to] = voc[to] * found.residual_u[0, newest]
    verdict = session_verdicts(
        evidence,
        threshold_ratio=found.threshold,
        strict_ratio=found.strict,
        probability_ratio=probability,
        voltage_u_ratio=voc_u / voc,
        modules=modules.lengths,
    )
    partner, chance = _partners(site, found, readings, modules=modules, newest=newest)
    paired = partner >= 0
    probability[paired] *= 1.0 - chance[paired, None]
    probability[paired, STRING_CAUSES.index("label-wrong")] += chance[paired]
    return Likely(
        probability=probability,
        evidence=evidence,
        threshold=found.threshold,
        # two readings under each other's names: nothing is said against either string
        verdict=np.where(partner >= 0, REVIEW, verdict).astype(np.int64),
        partner=partner,
        partner_probability=chance,
        false_alarm_ratio=ratio,
        voc_v=voc,
        voc_u_v=voc_u,
        load_a=amperes,
        load_like_ratio=like,
    )
