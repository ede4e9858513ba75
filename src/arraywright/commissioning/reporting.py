"""Findings of a commissioning: what a site lead should know, in sentences."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from arraywright.commissioning.causes import CAUTION
from arraywright.commissioning.choice import TEST_NAMES, StringChoice, stop_texts
from arraywright.commissioning.gates import GATE_REMEDIES, GATE_WORDS, TESTS, Gate, texts_of_masks
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from arraywright.findings import Finding, Place, Verdict

__all__ = ["findings_of"]

_BASIS: Final = {
    "polarity": "iec-62446-1 6.2",
    "voc": "iec-62446-1 6.4",
    "isc": "iec-62446-1 6.5",
    "insulation": "iec-62446-1 6.7",
    "continuity": "iec-62446-1 6.1",
}
_COMMON_SIGMAS: Final = 3.0
_COMMON_LEAST: Final = 10
_KINDS: Final = (
    ("meter", "voltage_uncertainty_ratio", "meter", "voltage"),
    ("meter", "current_uncertainty_ratio", "meter", "current"),
    ("sensor", "irradiance_uncertainty_ratio", "irradiance_sensor", "irradiance"),
    ("thermometer", "temperature_uncertainty_k", "thermometer", "temperature"),
)


def findings_of(choice: StringChoice, strings: pl.DataFrame) -> tuple[Finding, ...]:
    """Give the findings: each string's, then those of instruments, rows and the whole site."""
    out: list[Finding] = []
    out.extend(_string_findings(choice, strings))
    out.extend(_stopped_rows(choice))
    out.extend(_instrument_findings(choice))
    out.extend(_common_deviations(choice))
    return tuple(out)


def _string_findings(choice: StringChoice, strings: pl.DataFrame) -> list[Finding]:
    """Give one finding per string that is proven or unread, one per matter for the others."""
    out: list[Finding] = []
    stops = {test: texts.to_list() for test, texts in stop_texts(choice, GATE_WORDS).items()}
    remedies = {test: texts.to_list() for test, texts in stop_texts(choice, GATE_REMEDIES).items()}
    for index, row in enumerate(strings.iter_rows(named=True)):
        name = str(row["string"])
        verdict = int(choice.verdict[index])
        if verdict == PASS:
            tail = "" if row["outcome"] == "consistent" else " There were too few neighbours."
            out.append(
                Finding(
                    check="string-proven",
                    subject_kind="string",
                    subject=name,
                    verdict=Verdict.PASS,
                    message=f"String {name} passes every required test.{tail}",
                    basis="iec-62446-1 6",
                )
            )
            continue
        if row["readings"] == 0:
            out.append(
                Finding(
                    check="string-unread",
                    subject_kind="string",
                    subject=name,
                    verdict=Verdict.NOT_ASSESSABLE,
                    message=f"String {name} has no reading.",
                    remedy="Test this string.",
                    basis="iec-62446-1 6",
                )
            )
            continue
        for test in TESTS:
            number = int(choice.standard[test][index])
            if number == FAIL:
                out.append(_failed_test(choice, test, row=row))
            elif number == NOT_ASSESSABLE and test in choice.required_tests:
                out.append(
                    Finding(
                        check=f"string-{test}",
                        subject_kind="string",
                        subject=name,
                        verdict=Verdict.NOT_ASSESSABLE,
                        message=f"String {name}: {TEST_NAMES[test]} cannot be assessed: "
                        f"{stops[test][index]}.",
                        remedy=remedies[test][index],
                        basis=_BASIS[test],
                    )
                )
        out.extend(
            _deviating_quantity(quantity, row=row)
            for quantity in ("voc", "isc")
            if int(choice.measurement[quantity][index]) == REVIEW
        )
        if choice.likely.partner[index] > index:
            out.append(_swapped(row))
        elif choice.likely.verdict[index] >= REVIEW and choice.likely.partner[index] < 0:
            out.append(_explained(choice, row=row))
    return out


def _failed_test(choice: StringChoice, test: str, *, row: dict[str, object]) -> Finding:
    """Finding on a test the standard fails."""
    name = str(row["string"])
    value: float | None = None
    limit: float | None = None
    margin: float | None = None
    unit = ""
    remedy = f"{row['check_next']} {CAUTION}"
    if test in {"voc", "isc"}:
        deviations = [
            float(str(row[f"{test}_{kind}_ratio"]))
            for kind in ("deviation", "like")
            if row[f"{test}_{kind}_ratio"] is not None
        ]
        worst = max(deviations, key=abs)
        tolerance = choice.site.commissioning.tolerance_ratio
        value, limit, unit = 100.0 * worst, 100.0 * tolerance, "%"
        margin = limit - abs(value)
        message = (
            f"String {name}: {TEST_NAMES[test]} is {value:+.1f} % off, allowed are "
            f"{limit:g} %; most likely {row['cause']}."
        )
    elif test == "insulation":
        measured = [
            float(str(row[key]))
            for key in ("riso_pos_megohm", "riso_neg_megohm")
            if row[key] is not None
        ]
        value, limit, unit = min(measured), float(str(row["riso_limit_megohm"])), "Mohm"
        margin = value - limit
        message = f"String {name}: insulation resistance {value:g} Mohm, required {limit:g} Mohm."
    elif test == "continuity":
        value = float(str(row["earth_continuity_ohm"]))
        limit, unit = float(str(row["earth_continuity_limit_ohm"])), "ohm"
        margin = limit - value
        message = f"String {name}: earth continuity {value:g} ohm, allowed {limit:g} ohm."
    else:
        message = f"String {name}: the polarity is reversed."
    return Finding(
        check=f"string-{test}",
        subject_kind="string",
        subject=name,
        verdict=Verdict.FAIL,
        message=message,
        remedy=remedy,
        value=value,
        limit=limit,
        margin=margin,
        unit=unit,
        basis=_BASIS[test],
    )


def _deviating_quantity(quantity: str, *, row: dict[str, object]) -> Finding:
    """Finding on a quantity that deviates by more than its uncertainty explains."""
    name = str(row["string"])
    held = row[f"{quantity}_z_like"], row[f"{quantity}_z_expected"]
    by_like = held[0] is not None and (
        held[1] is None or abs(float(str(held[0]))) >= abs(float(str(held[1])))
    )
    kind, words = ("like", "its neighbours") if by_like else ("deviation", "its expected value")
    value = 100.0 * float(str(row[f"{quantity}_{kind}_ratio"]))
    uncertainty = 100.0 * float(str(row[f"{quantity}_{kind}_u_ratio"]))
    return Finding(
        check=f"string-{quantity}-deviates",
        subject_kind="string",
        subject=name,
        verdict=Verdict.REVIEW,
        message=f"String {name}: {TEST_NAMES[quantity]} differs from {words} by {value:+.2f} % "
        f"with a standard uncertainty of {uncertainty:.2f} %; {row['cause']}.",
        remedy=f"{row['check_next']} {CAUTION}",
        value=value,
        uncertainty=uncertainty,
        unit="%",
        basis="jcgm-100 5.1.2",
    )


def _swapped(row: dict[str, object]) -> Finding:
    """Finding on two strings whose readings were written under each other's names."""
    first, second = row["string"], row["swapped_with"]
    return Finding(
        check="labels-swapped",
        subject_kind="string",
        subject=str(first),
        verdict=Verdict.REVIEW,
        message=f"The readings of strings {first} and {second} fit each other's modules: the "
        f"labels look swapped, with a probability of {row['swapped_probability']:.2f}.",
        remedy="Read the labels at the combiner box, read both strings again under their right "
        "names, and give the new readings; the old ones stay in the record.",
        value=float(str(row["swapped_probability"])),
        unit="1",
        basis="common-practice",
    )


def _explained(choice: StringChoice, *, row: dict[str, object]) -> Finding:
    """Finding on a string that all readings together call."""
    name = str(row["string"])
    strings = len(choice.verdict)
    allowed = choice.likely.false_alarm_ratio * strings
    verdict = "fails" if row["session_verdict"] == "fail" else "needs review"
    sentence = f"String {name} {verdict} when all readings are explained together: {row['likely']}"
    if row["voc_session_v"] is not None:
        read, level = float(str(row["voc_v"] or "nan")), float(str(row["voc_session_v"]))
        wide = 2.0 * float(str(row["voc_session_u_v"]))
        sentence += f"; read {read:.1f} V, expected {level:.1f} V within {wide:.1f} V"
    return Finding(
        check="string-explained",
        subject_kind="string",
        subject=name,
        verdict=Verdict.REVIEW,
        message=f"{sentence}. Of {strings} strings, {allowed:.2g} sound ones may be called so.",
        remedy=(
            f"Read it again under a steady sky. {row['open_next']}. {row['open_caution']}"
            if row["open_next"]
            else f"Read it again under a steady sky. {CAUTION}"
        ),
        value=None if row["sound_probability"] is None else float(str(row["sound_probability"])),
        unit="1",
        basis="dempster-laird-rubin-1977",
    )


def _stopped_rows(choice: StringChoice) -> list[Finding]:
    """Rows that belong to no string or to an impossible time: said one by one, none is lost."""
    whole = Gate.STRING_UNKNOWN | Gate.TIME_MISSING | Gate.TIME_FUTURE | Gate.TIME_TOO_EARLY
    masks = choice.conditions.masks["voc"] & whole.value
    # contradictions stop single tests; they are said once per row
    contradicted = np.zeros(len(masks), dtype=np.int64)
    for test in TESTS:
        contradicted |= choice.conditions.masks[test] & Gate.CONTRADICTED.value
    masks = masks | contradicted
    words = texts_of_masks(masks, GATE_WORDS)
    remedies = texts_of_masks(masks, GATE_REMEDIES)
    frame = choice.conditions.frame
    out: list[Finding] = []
    for row in np.flatnonzero(masks).tolist():
        file, line = frame["source_file"][row], frame["source_row"][row]
        name = frame["string"][row] or "without name"
        out.append(
            Finding(
                check="reading-unusable",
                subject_kind="input",
                subject=name,
                verdict=Verdict.NOT_ASSESSABLE,
                message=f"A reading of string {name} cannot be used: {words[row]}.",
                remedy=remedies[row],
                place=None if file is None else Place(file=str(file), row=int(line or 0)),
            )
        )
    return out


def _instrument_findings(choice: StringChoice) -> list[Finding]:
    """Instruments outside calibration, not listed, or without a stated uncertainty."""
    conditions = choice.conditions
    out: list[Finding] = []
    for kind, field, column, words in _KINDS:
        held = getattr(conditions, kind)
        names = conditions.frame[column]
        table = pl.DataFrame(
            {
                "name": names,
                "known": held.known,
                "covered": held.covered,
                "stated": held.stated[field],
                "u": held.uncertainty[field],
            }
        ).drop_nulls("name")
        for name, known, stated, u in (
            table.group_by("name")
            .agg(pl.col("known").any(), pl.col("stated").all(), pl.col("u").max())
            .sort("name")
            .iter_rows()
        ):
            if known and not stated:
                size = f"{u:g} K" if field.endswith("_k") else f"{100 * u:g} %"
                out.append(
                    Finding(
                        check="instrument-uncertainty",
                        subject_kind="instrument",
                        subject=str(name),
                        verdict=Verdict.REVIEW,
                        message=f"Instrument {name} states no {words} uncertainty; {size} "
                        "(standard) is assumed.",
                        remedy="Enter the standard uncertainty from its calibration certificate.",
                        value=100.0 * u if not field.endswith("_k") else u,
                        unit="K" if field.endswith("_k") else "%",
                        basis="common-practice",
                    )
                )
    out.extend(_lapsed(choice))
    return out


def _lapsed(choice: StringChoice) -> list[Finding]:
    """Instruments with readings outside their calibration, or not in the list."""
    conditions = choice.conditions
    out: list[Finding] = []
    for kind, columns in (
        ("meter", ("meter",)),
        ("sensor", ("irradiance_sensor",)),
        ("thermometer", ("thermometer",)),
        ("tester", ("insulation_tester",)),
        ("earth_meter", ("insulation_tester", "meter")),
    ):
        held = getattr(conditions, kind)
        table = (
            conditions.frame.select(name=pl.coalesce(list(columns)))
            .with_columns(known=pl.Series(held.known), covered=pl.Series(held.covered))
            .drop_nulls("name")
            .group_by("name")
            .agg(
                known=pl.col("known").any(),
                readings=(~pl.col("covered")).sum(),
            )
            .filter(pl.col("readings") > 0)
            .sort("name")
        )
        for name, known, readings in table.iter_rows():
            state = "was outside its calibration" if known else "is not in the list of instruments"
            found = Finding(
                check="instrument-calibration",
                subject_kind="instrument",
                subject=str(name),
                verdict=Verdict.NOT_ASSESSABLE,
                message=f"Instrument {name} {state} for {readings} readings; these carry no "
                "verdict.",
                remedy="Enter the certificate that covers the day, or test again with a "
                "calibrated instrument.",
                basis="iec-62446-1 6",
            )
            if found not in out:
                out.append(found)
    return out


def _common_deviations(choice: StringChoice) -> list[Finding]:
    """All strings together off by more than the instruments explain: said once, for the site."""
    out: list[Finding] = []
    sensors = choice.conditions.frame["irradiance_sensor"]
    for quantity, held in choice.deviations.items():
        for name in sensors.drop_nulls().unique().sort().to_list():
            mine = (sensors == name).fill_null(value=False).to_numpy()
            mine &= (choice.conditions.masks[quantity] == 0) & np.isfinite(held.deviation_ratio)
            if int(mine.sum()) < _COMMON_LEAST:
                continue
            middle = float(np.median(held.deviation_ratio[mine]))
            spread = float(np.median(held.deviation_u_ratio[mine]))
            if abs(middle) <= _COMMON_SIGMAS * spread:
                continue
            out.append(
                Finding(
                    check=f"site-{quantity}-common",
                    subject_kind="instrument",
                    subject=str(name),
                    verdict=Verdict.REVIEW,
                    message=f"The {TEST_NAMES[quantity]} of all strings tested with sensor {name} "
                    f"lies {100 * middle:+.1f} % off what their modules should give, more than "
                    f"three times its uncertainty of {100 * spread:.1f} %.",
                    remedy="Check that the sensor is clean and lies in the plane of the modules, "
                    "that the thermometer has contact, and that flash lists and strings belong "
                    "together.",
                    value=100.0 * middle,
                    uncertainty=100.0 * spread,
                    unit="%",
                    basis="jcgm-100 5.1.2",
                )
            )
    return out
