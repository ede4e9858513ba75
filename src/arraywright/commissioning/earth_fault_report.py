"""Earth faults of a site's strings from readings of pole-to-earth voltages."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.conditions import Conditions, conditions_of
from arraywright.commissioning.earth_fault import (
    EARTH_FAULT_CAUTION,
    STATE_WORDS,
    EarthFaults,
    EarthFaultState,
    locate_earth_faults,
)
from arraywright.commissioning.expected import expected_at, string_nominal
from arraywright.commissioning.frames import checked_now, number, shaped
from arraywright.commissioning.gates import (
    GATE_REMEDIES,
    GATE_WORDS,
    LIGHT_GATES,
    Gate,
    texts_of_masks,
)
from arraywright.commissioning.instruments import instruments_of_readings
from arraywright.commissioning.insulation import least_sound_megohm
from arraywright.commissioning.standard import InsulationLimits, insulation_limits
from arraywright.commissioning.string_modules import StringModules, aligned_modules
from arraywright.commissioning.tables import INSTRUMENTS, STRING_READINGS
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["EarthFaultResult", "judge_earth_faults"]

_EARLIEST: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_LIKE_LEAST: Final = 5
_LIKE_QUANTILE: Final = 0.1
_LIGHT: Final = LIGHT_GATES | Gate.IRRADIANCE_LOW
_VALUES: Final = Gate.VALUE_MISSING | Gate.VALUE_IMPOSSIBLE


@dataclass(frozen=True, slots=True, kw_only=True)
class EarthFaultResult:
    """Earth faults found along strings.

    Attributes:
        faults: one row per reading with a pole-to-earth voltage, in order of string and time:
            ``state`` (located, not-seen, missing, contradictory, no-voltage, not-valid),
            ``verdict`` (fail, review or not_assessable, never a pass), ``cleared`` (the string
            passed an insulation test afterwards), ``counts`` (the newest located fault of its
            string that is not cleared), ``position`` with ``position_low`` and
            ``position_high`` in modules from the positive end, ``module``, ``module_first``,
            ``module_last``, ``serial`` of that module where known, ``fault_megohm`` with its
            standard uncertainty, ``words``.
        findings: one per reading that counts and locates a fault, or that cannot be used.
        method: how it was located, in words.
    """

    faults: pl.DataFrame
    findings: tuple[Finding, ...]
    method: str = (
        "Earth faults: place by the share of the positive pole's voltage to earth in both, counted "
        "off in the modules' own Voc, with meter, drift, module voltages, temperature along the "
        "string and sound insulation in the interval (twice the standard uncertainty)."
    )


def judge_earth_faults(
    site: Site,
    *,
    readings: pl.DataFrame,
    instruments: pl.DataFrame,
    modules: StringModules,
    now_utc: dt.datetime,
    not_before_utc: dt.datetime | None = None,
) -> EarthFaultResult:
    """Locate earth faults [1] in strings from the voltages of both poles to earth.

    A reading must be of an isolated string at open circuit. The string's own Voc is that of the
    same reading where it was read, else what its modules should give in its light and
    temperature. A fault of less than the insulation limit fails, a higher one is for review.
    Voltages that show no fault prove no insulation and clear no fault found before: only a later
    insulation test that passes does.

    Args:
        site: the site.
        readings: frame of ``STRING_READINGS``.
        instruments: frame of ``INSTRUMENTS``.
        modules: the modules of every string of the site.
        now_utc: the present moment.
        not_before_utc: moment before which no reading can have been made.

    Raises:
        CallError: a column is missing or a time has no zone.

    Source: common-practice, jcgm-100 5.1.2
    """
    own = aligned_modules(site, modules)
    limits = insulation_limits(own.voc_sum_v())
    held = shaped(readings, STRING_READINGS)
    if held["pos_earth_v"].is_null().all() and held["neg_earth_v"].is_null().all():
        held = held.clear()
    conditions = conditions_of(
        site,
        held,
        instruments=instruments,
        limits=limits,
        now_s=checked_now(now_utc, "now_utc"),
        earliest_s=checked_now(not_before_utc or _EARLIEST, "not_before_utc"),
    )
    frame = conditions.frame
    pos, neg = number(frame, "pos_earth_v"), number(frame, "neg_earth_v")
    rows = np.flatnonzero(np.isfinite(pos) | np.isfinite(neg))
    voc, voc_u = _string_voc(site, own, conditions)
    read = np.isfinite(conditions.voc_v)
    dropped = np.where(read, (_VALUES | _LIGHT).value, _VALUES.value)
    mask = (conditions.masks["voc"] & ~dropped)[rows]
    string = conditions.string_index[rows]
    used = np.flatnonzero((mask == 0) & (string >= 0))
    at = rows[used]
    mine = own.take(string[used])
    sound = _sound(site, own, conditions)
    found = locate_earth_faults(
        pos[at],
        neg[at],
        module_voc_v=mine.voc_v,
        offsets=mine.offsets,
        string_voc_v=voc[at],
        string_voc_u_v=voc_u[at],
        meter_u_ratio=conditions.meter.uncertainty["voltage_uncertainty_ratio"][at],
        meter_input_megohm=_input_megohm(site, frame, instruments)[at],
        least_sound_megohm=sound[string[used]],
    )
    table = _frame(conditions, rows, mask=mask, used=used, found=found, mine=mine, limits=limits)
    return EarthFaultResult(faults=table, findings=_findings(table))


def _string_voc(
    site: Site, own: StringModules, conditions: Conditions
) -> tuple[FloatArray, FloatArray]:
    """Voc of each reading's string and its standard uncertainty: as read, else as expected."""
    count = len(conditions.frame)
    voc, u = np.full(count, np.nan), np.full(count, np.nan)
    for key in own.module_type.unique().sort().to_list():
        of_type = np.append((own.module_type == key).to_numpy(), np.False_)
        rows = np.flatnonzero(
            of_type[conditions.string_index]
            & (conditions.irradiance_w_m2 > 0.0)
            & np.isfinite(conditions.cell.cell_temp_c)
        )
        if len(rows) == 0:
            continue
        module_type = site.module_types[key]
        strings, place = np.unique(conditions.string_index[rows], return_inverse=True)
        expected = expected_at(
            string_nominal(own.take(strings), module_type).take(place.astype(np.int64)),
            module_type,
            irradiance_w_m2=conditions.irradiance_w_m2[rows],
            cell_temp_c=conditions.cell.cell_temp_c[rows],
            irradiance_u_ratio=conditions.sensor.uncertainty["irradiance_uncertainty_ratio"][rows],
            cell_temp_common_u_k=conditions.cell.common_u_k[rows],
            cell_temp_own_u_k=conditions.cell.own_u_k[rows],
        )
        voc[rows], u[rows] = expected.voc_v, expected.voc_u_v
    read = np.isfinite(conditions.voc_v)
    meter_u = conditions.meter.uncertainty["voltage_uncertainty_ratio"]
    return (
        np.where(read, conditions.voc_v, voc),
        np.where(read, meter_u * conditions.voc_v, u),
    )


def _input_megohm(site: Site, frame: pl.DataFrame, instruments: pl.DataFrame) -> FloatArray:
    """Input resistance of each reading's meter, common practice where none is stated."""
    days = frame.with_columns(
        local_day=pl.col("measured_at").dt.convert_time_zone(site.time_zone).dt.date()
    )
    held = instruments_of_readings(
        shaped(instruments, INSTRUMENTS),
        days,
        column="meter",
        fields=("input_resistance_megohm",),
    )
    return held.uncertainty["input_resistance_megohm"]


def _sound(site: Site, own: StringModules, conditions: Conditions) -> FloatArray:
    """Least insulation of the sound rest of each string: of its like, else by module area."""
    by_area = least_sound_megohm(site, own)
    frame = conditions.frame
    lower = np.fmin(number(frame, "riso_pos_megohm"), number(frame, "riso_neg_megohm"))
    valid = (conditions.masks["insulation"] == 0) & np.isfinite(lower)
    index = conditions.string_index
    if len(np.unique(index[valid])) < _LIKE_LEAST:
        return by_area
    like = float(np.quantile(lower[valid], _LIKE_QUANTILE))
    return np.maximum(by_area, like)


def _frame(
    conditions: Conditions,
    rows: IntArray,
    *,
    mask: IntArray,
    used: IntArray,
    found: EarthFaults,
    mine: StringModules,
    limits: InsulationLimits,
) -> pl.DataFrame:
    count = len(rows)
    frame = conditions.frame[rows.tolist()] if count else conditions.frame.clear()

    def spread(values: FloatArray) -> pl.Series:
        out = np.full(count, np.nan)
        out[used] = values
        return pl.Series("value", out, dtype=pl.Float64).fill_nan(None)

    def whole(values: IntArray) -> pl.Series:
        out = np.zeros(count, dtype=np.int64)
        out[used] = values
        return pl.Series("value", [one or None for one in out.tolist()], dtype=pl.Int64)

    states = np.full(count, -1, dtype=np.int64)
    states[used] = found.state
    located = states == EarthFaultState.LOCATED
    least = np.append(limits.least_megohm, np.nan)[conditions.string_index[rows]]
    fault = np.full(count, np.nan)
    fault[used] = found.fault_megohm
    verdict = np.where(located, np.where(fault < least, "fail", "review"), "not_assessable")
    stops = texts_of_masks(mask, GATE_WORDS).to_list()
    names = {state.value: state.name.lower().replace("_", "-") for state in EarthFaultState}
    serial = [""] * count
    for place, row in enumerate(used.tolist()):
        if found.module[place] > 0:
            serial[row] = str(mine.serial[int(mine.offsets[place] + found.module[place] - 1)] or "")
    cleared = located & (_insulated_at(conditions, limits)[rows] > conditions.time_s[rows])
    counts = _newest(conditions, rows, located & ~cleared)
    table = frame.select(
        "string", "measured_at", "pos_earth_v", "neg_earth_v", "meter", "person"
    ).with_columns(
        state=pl.Series([names.get(one, "not-valid") for one in states.tolist()], dtype=pl.String),
        verdict=pl.Series(verdict.tolist(), dtype=pl.String),
        counts=pl.Series(counts),
        cleared=pl.Series(cleared),
        position=spread(found.position),
        position_low=spread(found.position_low),
        position_high=spread(found.position_high),
        module=whole(found.module),
        module_first=whole(found.module_first),
        module_last=whole(found.module_last),
        modules=whole(mine.lengths),
        serial=pl.Series(serial, dtype=pl.String),
        fault_megohm=spread(found.fault_megohm),
        fault_u_megohm=spread(found.fault_u_megohm),
        limit_megohm=pl.Series(least).fill_nan(None),
        remedy=texts_of_masks(mask, GATE_REMEDIES),
    )
    words = [
        _words(row, stop=stop, state=state)
        + ("; a later insulation test passes" if row["cleared"] else "")
        for row, stop, state in zip(
            table.iter_rows(named=True), stops, states.tolist(), strict=True
        )
    ]
    return table.with_columns(words=pl.Series(words, dtype=pl.String))


def _insulated_at(conditions: Conditions, limits: InsulationLimits) -> FloatArray:
    """Moment of the last valid insulation test that the string of each reading passed [s]."""
    frame = conditions.frame
    index = conditions.string_index
    lower = np.minimum(number(frame, "riso_pos_megohm"), number(frame, "riso_neg_megohm"))
    least = np.append(limits.least_megohm, np.nan)[index]
    passed = (conditions.masks["insulation"] == 0) & (lower >= least)
    last = np.full(len(limits.least_megohm) + 1, -np.inf)
    np.maximum.at(last, index[passed], conditions.time_s[passed])
    last[-1] = -np.inf
    return np.asarray(last[index])


def _newest(conditions: Conditions, rows: IntArray, valid: BoolArray) -> BoolArray:
    """Say which rows are the newest valid ones of their string."""
    out = np.zeros(len(rows), dtype=np.bool_)
    chosen = np.flatnonzero(valid)
    order = chosen[np.argsort(conditions.time_s[rows[chosen]], kind="stable")]
    last: dict[int, int] = {int(conditions.string_index[rows[k]]): int(k) for k in order.tolist()}
    out[list(last.values())] = True
    return out


def _words(row: dict[str, object], *, stop: str, state: int) -> str:
    if state < 0:
        return stop
    if state != EarthFaultState.LOCATED:
        return STATE_WORDS[EarthFaultState(state)]
    first, last = int(str(row["module_first"])), int(str(row["module_last"]))
    count = int(str(row["modules"]))
    where = f"module {first}"
    if last > first:
        where = f"modules {first} to {last} or the leads between them"
    megohm = float(str(row["fault_megohm"]))
    u_megohm = float(str(row["fault_u_megohm"]))
    size = (
        f"about {1000.0 * megohm:.0f} kohm"
        if megohm > 2.0 * u_megohm
        else f"less than {1000.0 * (megohm + 2.0 * u_megohm):.0f} kohm"
    )
    return (
        f"earth fault {float(str(row['position'])):.1f} modules from the positive end of {count} "
        f"({float(str(row['position_low'])):.1f} to {float(str(row['position_high'])):.1f}): in "
        f"{where}; resistance {size}"
    )


def _findings(table: pl.DataFrame) -> tuple[Finding, ...]:
    out: list[Finding] = []
    for row in table.iter_rows(named=True):
        verdict = Verdict(row["verdict"])
        name = row["string"] or "without name"
        if verdict is not Verdict.NOT_ASSESSABLE and not row["counts"]:
            continue
        if row["state"] == "not-seen":
            continue
        located = verdict is not Verdict.NOT_ASSESSABLE
        remedy = (
            "Open the string at the end of the interval nearer the middle, with the string "
            "isolated, and measure both parts again; look at the module's junction box, leads and "
            f"connectors there. {EARTH_FAULT_CAUTION}"
            if located
            else f"{row['remedy'] or 'Read both poles to earth and the string itself again.'} "
            f"{EARTH_FAULT_CAUTION}"
        )
        serial = f" Serial {row['serial']}." if row["serial"] else ""
        out.append(
            Finding(
                check="string-earth-fault",
                subject_kind="string",
                subject=str(name),
                verdict=verdict,
                message=(
                    f"String {name}: {row['words']}.{serial}"
                    if located
                    else f"The pole-to-earth voltages of string {name} locate nothing: "
                    f"{row['words']}."
                ),
                remedy=remedy,
                value=row["fault_megohm"],
                uncertainty=row["fault_u_megohm"],
                limit=row["limit_megohm"] if located else None,
                margin=row["fault_megohm"] - row["limit_megohm"] if located else None,
                unit="Mohm" if located else "",
                basis="common-practice",
            )
        )
    return tuple(out)
