"""Checking a design before anything is ordered or built, and asking what if."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from arraywright import __version__
from arraywright.arrays import FloatArray
from arraywright.design import (
    CheckedDesign,
    FirstYear,
    Practice,
    check_design,
    evaluate_check,
)
from arraywright.dossier.design_report import (
    DESIGN_CAUTION,
    design_report,
    sweep_report,
    worst_first,
)
from arraywright.dossier.plots import SweepLine
from arraywright.dossier.render import render_pdf
from arraywright.dossier.words import number, significant, verdict_word
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.check_cables import cable_files
from arraywright.procedures.design_cases import DesignCase, design_cases
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import DescriptionError
from arraywright.readers.site import read_site

__all__ = ["check"]

_PRACTICE_WORDS: Final = {"iec": "IEC", "nec": "NEC"}
_NUMBER: Final = r"([-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)"
_SWEEP: Final = re.compile(rf"([^=]+)={_NUMBER}:{_NUMBER}(?::(\d{{1,7}}))?", re.ASCII)
_SWEEP_MOST: Final = 1_000_000
_LINES_DRAWN: Final = 14


@dataclass(frozen=True, slots=True, kw_only=True)
class _Sweep:
    key: str
    values: FloatArray


def _parsed(text: str) -> object:
    if text.casefold() in ("true", "yes"):
        return True
    if text.casefold() in ("false", "no"):
        return False
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            continue
    return text


def _settings(given: Sequence[str]) -> dict[str, object]:
    settings: dict[str, object] = {}
    for one in given:
        key, sign, value = one.partition("=")
        if not sign or not key.strip() or not value.strip():
            raise CallError(
                "setting-not-understood",
                f"Found --set {one}; required: KEY=VALUE, for example "
                "layout.block.0.modules_per_string=27.",
                "Write the key as in site.toml, with its sections in front.",
            )
        settings[key.strip()] = _parsed(value.strip())
    return settings


def _sweep(given: str | None) -> _Sweep | None:
    if given is None:
        return None
    found = _SWEEP.fullmatch(given.strip())
    if found is None:
        raise CallError(
            "sweep-not-understood",
            f"Found --sweep {given}; required: KEY=FROM:TO or KEY=FROM:TO:COUNT, in numbers.",
            "Write for example site.design_min_air_temp_c=-30:0:61.",
        )
    first, last = float(found[2]), float(found[3])
    count = int(found[4] or 101)
    if not 2 <= count <= _SWEEP_MOST or not np.isfinite([first, last]).all() or first == last:
        raise CallError(
            "sweep-out-of-range",
            f"Found {count} values from {first:g} to {last:g}; required: 2 to {_SWEEP_MOST} values "
            "between two different numbers.",
            "Choose another range or count.",
        )
    return _Sweep(key=found[1].strip(), values=np.linspace(first, last, count))


def _sweep_case(case: DesignCase, sweep: _Sweep) -> SweepLine | None:
    """Give the margins of a case over the swept quantity; None when it does not depend on it."""
    swept = [name for name, key in case.keys.items() if key == sweep.key]
    if not swept or any(
        case.values.get(one.name) is None for one in case.check.inputs if one.name not in swept
    ):
        return None
    values: dict[str, FloatArray] = {
        one.name: np.asarray(case.values[one.name] or 0.0)
        for one in case.check.inputs
        if one.name not in swept
    }
    values |= dict.fromkeys(swept, sweep.values)
    outcome = evaluate_check(case.check, values)
    ratio = outcome.margin / np.maximum(np.abs(outcome.limit), 1e-12)
    return SweepLine(
        name=f"{case.check.title}, {case.subject}",
        value=sweep.values,
        margin_ratio=np.broadcast_to(ratio, sweep.values.shape),
    )


def _holding(line: SweepLine) -> tuple[str, str]:
    holds = line.value[np.isfinite(line.margin_ratio) & (line.margin_ratio >= 0.0)]
    if len(holds) == 0:
        return "nowhere", "nowhere"
    return significant(float(holds.min())), significant(float(holds.max()))


def _sweep_rows(lines: Sequence[SweepLine]) -> list[tuple[str, ...]]:
    return [
        (
            line.name,
            *_holding(line),
            f"{100.0 * line.margin_ratio[0]:+.2f} %",
            f"{100.0 * line.margin_ratio[-1]:+.2f} %",
        )
        for line in lines
    ]


def _checks_report_table(checked: Sequence[CheckedDesign]) -> ReportTable:
    return ReportTable(
        title="Checks, the worst margin first",
        headings=("Check", "Of", "Value", "Limit", "Margin", "Unit", "Verdict"),
        rows=[
            (
                one.check.title,
                one.finding.subject,
                significant(one.finding.value),
                significant(one.finding.limit),
                significant(one.finding.margin),
                "" if one.check.unit == "1" else one.check.unit,
                verdict_word(one.finding.verdict.value),
            )
            for one in worst_first(checked)
        ],
        align=("left", "left", "right", "right", "right", "left", "left"),
        verdict_column=6,
    )


def _as_dict(one: CheckedDesign) -> dict[str, object]:
    return {
        "family": one.check.family,
        "title": one.check.title,
        "formula": one.check.formula,
        "worked": one.worked,
        "inputs": [
            {"name": held.name, "symbol": held.symbol, "unit": held.unit, "value": value}
            for held, value in one.values
        ],
        **one.finding.as_dict(),
    }


def _year_sentence(year: FirstYear) -> str:
    return (
        f"First year: {number(year.energy_kwh, 0)} kWh, "
        f"{number(year.specific_yield_kwh_kw, 0)} kWh/kW, performance ratio "
        f"{year.performance_ratio:.3f}, standard uncertainty "
        f"{100.0 * year.standard_uncertainty_ratio:.1f} %; {number(year.energy_90_kwh, 0)} kWh are "
        "exceeded with a probability of 90 %."
    )


def _year_as_dict(year: FirstYear) -> dict[str, object]:
    return {
        "energy_kwh": year.energy_kwh,
        "specific_yield_kwh_kw": year.specific_yield_kwh_kw,
        "performance_ratio": year.performance_ratio,
        "standard_uncertainty_ratio": year.standard_uncertainty_ratio,
        "energy_90_kwh": year.energy_90_kwh,
        "monthly_energy_kwh": year.monthly_energy_kwh.tolist(),
        "waterfall": [
            {"step": step.key, "change_kwh": step.change_kwh, "left_kwh": step.left_kwh}
            for step in year.waterfall
        ],
        "method": year.method,
    }


def _sweep_files(
    folder: Path,
    sweep: _Sweep,
    lines: Sequence[SweepLine],
    *,
    names: Mapping[str, str],
    moment: datetime,
) -> tuple[Path, ...]:
    worst = sorted(lines, key=lambda line: float(np.nanmin(line.margin_ratio)))
    document = sweep_report(
        site_name=names["site"],
        time_zone=names["zone"],
        made_at=moment,
        made_by=f"Arraywright {__version__}",
        key=sweep.key,
        lines=worst[:_LINES_DRAWN],
        rows=_sweep_rows(worst),
    )
    table = pl.DataFrame(
        {sweep.key: sweep.values} | {line.name: line.margin_ratio for line in lines}
    )
    return (
        write_whole(folder / "what-if.pdf", render_pdf(document, made_at=moment)),
        write_whole(folder / "what-if.csv", csv_bytes(table)),
    )


def check(
    folder: Path,
    *,
    settings: Sequence[str] = (),
    sweep: str | None = None,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Check the design of a site by the practice it names; every formula is worked out.

    Args:
        folder: the site folder.
        settings: ``KEY=VALUE`` of described quantities that are to be otherwise for this call.
        sweep: ``KEY=FROM:TO:COUNT`` of one described quantity to vary.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: the description, the call or the machine is at fault.
    """
    asked = _settings(settings)
    varied = _sweep(sweep)
    progress.stage("reading the site description")
    reading = read_site(folder, settings=asked)
    site = reading.site
    if site is None:
        wrong = sum(one.verdict is Verdict.FAIL for one in reading.findings)
        raise DescriptionError(
            f"The description in {folder} has {wrong} mistake{'s' if wrong != 1 else ''}.",
            reading.findings,
        )
    progress.stage("working out every check")
    found = design_cases(site, folder=folder)
    practice = Practice(site.design.practice) if site.design.practice else Practice.IEC
    checked = [
        check_design(case.check, subject=case.subject, practice=practice, values=case.values)
        for case in found.cases
    ]
    moment = now()
    names = {"site": site.name, "zone": site.time_zone}
    out = folder / "out"
    out.mkdir(parents=True, exist_ok=True)
    cables = cable_files(site, found.runs, practice=practice, out=out)
    findings: tuple[Finding, ...] = (
        *found.findings,
        *(one.finding for one in checked),
        *cables.findings,
    )
    tables = [_checks_report_table(checked), *cables.tables]
    result: dict[str, object] = {
        "practice": practice.value,
        "settings": asked,
        "checks": [_as_dict(one) for one in worst_first(checked)],
    }
    counts = {verdict: sum(one.verdict is verdict for one in findings) for verdict in Verdict}
    told = (
        f"{counts[Verdict.PASS]} checks pass, {counts[Verdict.FAIL]} fail, "
        f"{counts[Verdict.REVIEW]} are to be reviewed, "
        f"{counts[Verdict.NOT_ASSESSABLE]} could not be worked out."
    )
    summary = [told, *cables.sentences, *DESIGN_CAUTION[:2]]
    if cables.result is not None:
        result["cables"] = cables.result
    if found.year is not None:
        result["first_year"] = _year_as_dict(found.year)
        summary.insert(1, _year_sentence(found.year))
    if asked:
        summary.append(f"With {', '.join(settings)} in place of what is described.")
    progress.stage("writing the report")
    name = "design-checks-what-if.pdf" if asked else "design-checks.pdf"
    document = design_report(
        site_name=site.name,
        time_zone=site.time_zone,
        practice=_PRACTICE_WORDS[practice.value],
        made_at=moment,
        made_by=f"Arraywright {__version__}",
        checked=checked,
        year=found.year,
    )
    written = [write_whole(out / name, render_pdf(document, made_at=moment)), *cables.written]
    if varied is not None:
        progress.stage(f"varying {varied.key}")
        lines = [line for case in found.each if (line := _sweep_case(case, varied)) is not None]
        if not lines:
            known = sorted({key for case in found.each for key in case.keys.values()})
            raise CallError(
                "sweep-changes-nothing",
                f"No check of this site rests directly on {varied.key}.",
                f"Vary one of: {', '.join(known)}.",
            )
        rows = _sweep_rows(lines)
        tables.append(
            ReportTable(
                title=f"What if: {varied.key} from {varied.values[0]:g} to {varied.values[-1]:g}",
                headings=("Check", "Holds from", "to", "Margin at first", "at last"),
                rows=rows,
                align=("left", "right", "right", "right", "right"),
            )
        )
        result["sweep"] = {
            "key": varied.key,
            "values": varied.values.tolist(),
            "margin_ratio": {line.name: line.margin_ratio.tolist() for line in lines},
        }
        written += _sweep_files(out, varied, lines, names=names, moment=moment)
    return Report(
        command="check",
        site=site.name,
        summary=tuple(summary),
        tables=tuple(tables),
        findings=findings,
        result=result,
        written=tuple(written),
    )
