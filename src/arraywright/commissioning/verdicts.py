"""Verdicts on strings: the standard's, the measurement's own, and the overall one."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.choice import StringChoice, readings_frame, strings_frame
from arraywright.commissioning.conditions import Conditions, conditions_of
from arraywright.commissioning.deviations import Deviations, deviations_of
from arraywright.commissioning.expected import (
    Assumptions,
    ExpectedStrings,
    StringNominal,
    expected_at,
    string_nominal,
)
from arraywright.commissioning.frames import checked_now
from arraywright.commissioning.gates import TESTS, Gate
from arraywright.commissioning.likely import likely_causes
from arraywright.commissioning.reporting import findings_of
from arraywright.commissioning.standard import (
    FAIL,
    NOT_ASSESSABLE,
    PASS,
    REVIEW,
    InsulationLimits,
    combine,
    insulation_limits,
    within_tolerance,
)
from arraywright.commissioning.string_modules import SOURCE_FLASH, StringModules, aligned_modules
from arraywright.errors import CallError
from arraywright.findings import Finding
from arraywright.plant import Site

__all__ = ["CommissioningResult", "judge"]

_EARLIEST: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_QUANTITIES: Final = ("voc", "isc")


@dataclass(frozen=True, slots=True, kw_only=True)
class CommissioningResult:
    """Verdicts on all strings of a site.

    Attributes:
        strings: one row per string of the site, in its order: ``verdict`` (overall),
            ``verdict_standard``, ``verdict_measurement``, ``outcome`` (consistent, deviates, not
            assessable: why), one verdict per test, the counting readings with expected value,
            standard uncertainty, deviation and its significance against the expected value
            (``_z_expected``) and against neighbours (``_like_ratio``, ``_z_like``), limits,
            ``session_verdict`` (of all readings explained jointly, at the false alarms allowed on
            the site), ``session_evidence`` (log odds of a fault in the voltage) and its limit,
            ``voc_session_v`` (what the other readings let expect) and its standard uncertainty,
            ``load_a`` (current under load) and its deviation from that of the other strings,
            ``swapped_with`` (string whose label looks swapped with this one's) and its
            probability, ``sound_probability`` (string and reading), ``fault_probability`` (a cause
            in the string), ``likely`` (causes with their probabilities, in
            words), ``likely_key``, ``likely_probability``, ``unlike_chance``, ``p_none`` and one
            more column for each cause with its probability, ``cause``, ``cause_key``,
            ``check_next``, ``caution``, ``open_after_module`` (connector to open first, where the
            voltage is suspect), ``open_sound_v`` (what its positive side reads when sound),
            ``open_information_bits``, ``open_next`` (in words), ``open_caution``, ``reasons``
            (list of texts), ``readings`` (count).
        readings: one row per reading, in order of string and time, with what stops each test
            (``voc_gates`` ..., empty where nothing does), what it was compared with, and
            ``counts_for``, the tests for which it is the newest valid reading.
        findings: what a site lead should know, gravest matters included one by one.
        method: how it was judged, in words.
    """

    strings: pl.DataFrame
    readings: pl.DataFrame
    findings: tuple[Finding, ...]
    method: str = (
        "Standard's verdict: IEC 62446-1 limits on polarity, Voc, Isc, insulation resistance and "
        "earth continuity. Measurement's verdict: deviation from what the string's own modules "
        "should give and from neighbours tested close in time, against its standard uncertainty. "
        "Joint verdict: all valid readings explained together, at the false alarms allowed on the "
        "whole site."
    )


def judge(
    site: Site,
    *,
    readings: pl.DataFrame,
    instruments: pl.DataFrame,
    modules: StringModules,
    now_utc: dt.datetime,
    not_before_utc: dt.datetime | None = None,
    required_tests: Sequence[str] = TESTS,
    assumptions: Assumptions | None = None,
) -> CommissioningResult:
    """Judge every string of a site from its readings.

    For each test the newest valid reading of a string counts; earlier ones stay in the history. A
    reading outside valid conditions is not assessable, never a pass; nor is a string that lacks a
    required test. Overall: fail when the standard's verdict fails; review when the measurement or
    the joint explanation of all readings alone deviates; not assessable when a required test is
    missing or stopped; pass otherwise. A
    string without neighbours passes when it agrees with its expected values, and says so.

    Args:
        site: the site.
        readings: frame of ``STRING_READINGS``.
        instruments: frame of ``INSTRUMENTS``.
        modules: the modules of every string of the site.
        now_utc: the present moment.
        not_before_utc: moment before which no reading can have been made (first delivery).
        required_tests: tests a pass needs, of ``TESTS``.
        assumptions: uncertainties that no table states.

    Raises:
        CallError: a column, a string's modules or a module type is missing, a time has no zone,
            or a required test is not one.

    Source: iec-62446-1 6, jcgm-100 5.1.2
    """
    used = assumptions or Assumptions()
    unknown = [test for test in required_tests if test not in TESTS]
    if unknown or not required_tests:
        raise CallError(
            "test-unknown",
            f"The required tests are {list(required_tests)}, allowed are {list(TESTS)}.",
            "Name at least one of the tests.",
        )
    aligned = aligned_modules(site, modules)
    limits = insulation_limits(aligned.voc_sum_v())
    conditions = conditions_of(
        site,
        readings,
        instruments=instruments,
        limits=limits,
        now_s=checked_now(now_utc, "now_utc"),
        earliest_s=checked_now(not_before_utc or _EARLIEST, "not_before_utc"),
    )
    nominal = _nominal(site, aligned, used)
    expected = _expected(site, aligned, conditions, nominal=nominal, assumptions=used)
    deviations = _deviations(site, aligned, conditions, expected=expected, assumptions=used)
    chosen = {test: _newest(conditions, test, len(site.strings)) for test in TESTS}
    standard = _standard_verdicts(site, conditions, deviations, chosen=chosen, limits=limits)
    measurement = _measurement_verdicts(deviations, chosen=chosen)
    needed = [standard[test] for test in TESTS if test in required_tests]
    overall_standard = combine(needed)
    asked = [name for name in _QUANTITIES if name in required_tests]
    overall_measurement = _worst_measurement(
        [measurement[name] for name in asked], len(aligned.strings)
    )
    compared = np.ones(len(aligned.strings), dtype=np.bool_)
    for name in asked:
        compared &= standard[name] != NOT_ASSESSABLE
    likely = likely_causes(
        site,
        modules=aligned,
        conditions=conditions,
        expected=expected,
        group=_groups(aligned, conditions),
        day=_local_day(site, conditions),
        assumptions=used,
    )
    overall = np.select(
        [
            overall_standard == FAIL,
            (overall_measurement == REVIEW) | (likely.verdict >= REVIEW),
            overall_standard == NOT_ASSESSABLE,
            (overall_measurement == NOT_ASSESSABLE) & ~compared,
        ],
        [FAIL, REVIEW, NOT_ASSESSABLE, NOT_ASSESSABLE],
        PASS,
    ).astype(np.int64)
    choice = StringChoice(
        site=site,
        modules=aligned,
        nominal=nominal,
        conditions=conditions,
        expected=expected,
        deviations=deviations,
        chosen=chosen,
        attempted={test: _attempted(conditions, test, len(site.strings)) for test in TESTS},
        limits=limits,
        standard=standard,
        measurement=measurement,
        verdict_standard=overall_standard,
        verdict_measurement=overall_measurement,
        verdict=overall,
        required_tests=tuple(test for test in TESTS if test in required_tests),
        likely=likely,
    )
    strings = strings_frame(choice)
    return CommissioningResult(
        strings=strings,
        readings=readings_frame(choice),
        findings=findings_of(choice, strings),
    )


def _nominal(site: Site, modules: StringModules, assumptions: Assumptions) -> StringNominal:
    """Values at STC of all strings, type after type."""
    count = len(modules.strings)
    parts = {name: np.full(count, np.nan) for name in StringNominal.__slots__}
    for key in modules.module_type.unique().to_list():
        module_type = site.module_types.get(key)
        if module_type is None:
            raise CallError(
                "module-type-unknown",
                f"The strings name the module type {key}, which the site does not describe.",
                "Describe the module type in the site description.",
            )
        index = np.flatnonzero((modules.module_type == key).to_numpy())
        of_type = string_nominal(modules.take(index), module_type, assumptions=assumptions)
        for name, values in parts.items():
            values[index] = getattr(of_type, name)
    return StringNominal(**parts)


def _expected(
    site: Site,
    modules: StringModules,
    conditions: Conditions,
    *,
    nominal: StringNominal,
    assumptions: Assumptions,
) -> ExpectedStrings:
    """What each reading should be, NaN where string, irradiance or temperature are not known."""
    rows = len(conditions.frame)
    expected = {name: np.full(rows, np.nan) for name in ExpectedStrings.__slots__}
    known = conditions.string_index >= 0
    impossible = Gate.IRRADIANCE_IMPOSSIBLE | Gate.TEMPERATURE_IMPOSSIBLE
    able = known & ((conditions.masks["voc"] & impossible.value) == 0)
    able &= (conditions.irradiance_w_m2 > 0) & np.isfinite(conditions.cell.cell_temp_c)
    type_code = modules.module_type.rank("dense").cast(pl.Int64).to_numpy()
    reading_type = np.append(type_code, -1)[conditions.string_index]
    keys = dict(zip(type_code.tolist(), modules.module_type.to_list(), strict=True))
    for code, key in keys.items():
        index = np.flatnonzero(able & (reading_type == code))
        if len(index) == 0:
            continue
        values = expected_at(
            nominal.take(conditions.string_index[index]),
            site.module_types[key],
            irradiance_w_m2=conditions.irradiance_w_m2[index],
            cell_temp_c=conditions.cell.cell_temp_c[index],
            irradiance_u_ratio=conditions.sensor.uncertainty["irradiance_uncertainty_ratio"][index],
            cell_temp_common_u_k=conditions.cell.common_u_k[index],
            cell_temp_own_u_k=conditions.cell.own_u_k[index],
            assumptions=assumptions,
        )
        for name, column in expected.items():
            column[index] = getattr(values, name)
    return ExpectedStrings(**expected)


def _deviations(
    site: Site,
    modules: StringModules,
    conditions: Conditions,
    *,
    expected: ExpectedStrings,
    assumptions: Assumptions,
) -> dict[str, Deviations]:
    """Compare the readings of Voc and Isc with expectation and neighbours."""
    group = _groups(modules, conditions)
    day = _local_day(site, conditions)
    wanted = site.commissioning
    out: dict[str, Deviations] = {}
    for quantity, measured, value, common_u, own_u, meter_field, repeatability in (
        (
            "voc",
            conditions.voc_v,
            expected.voc_v,
            expected.voc_u_common_v,
            expected.voc_u_own_v,
            "voltage_uncertainty_ratio",
            assumptions.meter_repeatability_v_ratio,
        ),
        (
            "isc",
            conditions.isc_a,
            expected.isc_a,
            expected.isc_u_common_a,
            expected.isc_u_own_a,
            "current_uncertainty_ratio",
            assumptions.meter_repeatability_a_ratio,
        ),
    ):
        out[quantity] = deviations_of(
            _divided(measured, value) - 1.0,
            quantity=quantity,
            common_u_ratio=_divided(common_u, value),
            own_u_ratio=_divided(own_u, value),
            meter_u_ratio=conditions.meter.uncertainty[meter_field],
            repeatability_ratio=repeatability,
            valid=conditions.masks[quantity] == 0,
            time_s=conditions.time_s,
            group=group,
            day=day,
            string_index=conditions.string_index,
            window_s=60.0 * wanted.neighbour_window_min,
            false_alarm_ratio=wanted.false_alarm_ratio,
        )
    return out


def _divided(value: FloatArray, by: FloatArray) -> FloatArray:
    """Value over a positive other one, NaN where that is not positive."""
    out = np.full(len(by), np.nan)
    np.divide(value, by, out=out, where=by > 0)
    return out


def _groups(modules: StringModules, conditions: Conditions) -> IntArray:
    """Number the readings that may be compared: one type, one knowledge, the same instruments."""
    type_code = modules.module_type.rank("dense").cast(pl.Int64).to_numpy()
    flash = (modules.source == SOURCE_FLASH).to_numpy().astype(np.int64)
    keys = pl.DataFrame(
        {
            "type": np.append(type_code, -1)[conditions.string_index],
            "source": np.append(flash, -1)[conditions.string_index],
            "meter": conditions.meter.code,
            "sensor": conditions.sensor.code,
            "thermometer": conditions.thermometer.code,
            "from_module": conditions.cell.from_module,
        }
    )
    numbers = keys.unique(maintain_order=True).with_row_index("group")
    joined = keys.join(numbers, on=keys.columns, how="left", maintain_order="left")
    return joined["group"].cast(pl.Int64).to_numpy().astype(np.int64)


def _local_day(site: Site, conditions: Conditions) -> IntArray:
    """Number of the local day of each reading, (readings,)."""
    day = conditions.frame["measured_at"].dt.convert_time_zone(site.time_zone).dt.date()
    return day.cast(pl.Int32).cast(pl.Int64).fill_null(-1).to_numpy().astype(np.int64)


def _last_per_string(conditions: Conditions, rows: IntArray, strings: int) -> IntArray:
    """Newest of these readings of each string, -1 where there is none, (strings,)."""
    out = np.full(strings, -1, dtype=np.int64)
    order = rows[np.lexsort((rows, conditions.time_s[rows]))]
    out[conditions.string_index[order]] = order
    return out


def _newest(conditions: Conditions, test: str, strings: int) -> IntArray:
    """Newest valid reading of a test of each string, -1 where there is none, (strings,)."""
    return _last_per_string(conditions, np.flatnonzero(conditions.masks[test] == 0), strings)


def _attempted(conditions: Conditions, test: str, strings: int) -> IntArray:
    """Newest reading that has a value for the test, valid or not, (strings,)."""
    has_value = (conditions.masks[test] & Gate.VALUE_MISSING.value) == 0
    rows = np.flatnonzero(has_value & (conditions.string_index >= 0))
    return _last_per_string(conditions, rows, strings)


def _picked(values: FloatArray, rows: IntArray) -> FloatArray:
    """Values at these rows, NaN where the row is -1."""
    return np.append(values, np.nan)[rows]


def _standard_verdicts(
    site: Site,
    conditions: Conditions,
    deviations: dict[str, Deviations],
    *,
    chosen: dict[str, IntArray],
    limits: InsulationLimits,
) -> dict[str, IntArray]:
    """Verdict of the standard on each test of each string, each (strings,)."""
    wanted = site.commissioning
    out: dict[str, IntArray] = {}
    for quantity in _QUANTITIES:
        held = deviations[quantity]
        out[quantity] = within_tolerance(
            _picked(held.deviation_ratio, chosen[quantity]),
            _picked(held.like_ratio, chosen[quantity]),
            tolerance_ratio=wanted.tolerance_ratio,
        )
    frame = conditions.frame

    def value(test: str, column: str) -> FloatArray:
        held = frame[column].fill_null(float("nan")).to_numpy().astype(np.float64)
        return _picked(held, chosen[test])

    reversed_ = _picked(conditions.is_reversed.astype(np.float64), chosen["polarity"])
    lower = np.fmin(value("insulation", "riso_pos_megohm"), value("insulation", "riso_neg_megohm"))
    earth = value("continuity", "earth_continuity_ohm")
    out["polarity"] = _held(reversed_, bad=reversed_ > 0.5)
    out["insulation"] = _held(lower, bad=lower < limits.least_megohm)
    out["continuity"] = _held(earth, bad=earth > wanted.earth_continuity_max_ohm)
    return out


def _held(value: FloatArray, *, bad: np.ndarray[tuple[int, ...], np.dtype[np.bool_]]) -> IntArray:
    """Fail where bad, pass where there is a value, not assessable elsewhere."""
    verdict = np.where(bad, FAIL, PASS)
    return np.where(np.isnan(value), NOT_ASSESSABLE, verdict).astype(np.int64)


def _measurement_verdicts(
    deviations: dict[str, Deviations], *, chosen: dict[str, IntArray]
) -> dict[str, IntArray]:
    """Verdict of the measurement on Voc and Isc of each string, each (strings,)."""
    out: dict[str, IntArray] = {}
    for quantity in _QUANTITIES:
        held, rows = deviations[quantity], chosen[quantity]
        significant = np.append(held.significant_expected | held.significant_like, False)[rows]
        compared = np.isfinite(_picked(held.z_like, rows))
        out[quantity] = np.where(
            significant, REVIEW, np.where(compared, PASS, NOT_ASSESSABLE)
        ).astype(np.int64)
    return out


def _worst_measurement(verdicts: list[IntArray], strings: int) -> IntArray:
    """Deviating anywhere deviates; else anything not compared leaves it open, (strings,)."""
    if not verdicts:
        return np.full(strings, NOT_ASSESSABLE, dtype=np.int64)
    worst: IntArray = np.stack(verdicts).max(axis=0)
    return worst
