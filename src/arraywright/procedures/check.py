"""Checking a design before anything is ordered or built, and asking what if."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Final

from arraywright import __version__
from arraywright.design import (
    CheckedDesign,
    FirstYear,
    Practice,
    check_design,
)
from arraywright.dossier.design_report import (
    CHECKS_ALIGN,
    CHECKS_HEADINGS,
    DESIGN_CAUTION,
    checks_rows,
    design_report,
    worst_first,
)
from arraywright.dossier.render import render_pdf
from arraywright.dossier.words import number
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.procedures.check_cables import cable_files
from arraywright.procedures.check_extremes import (
    extremes_as_dict,
    extremes_table,
    site_extremes,
)
from arraywright.procedures.check_lengths import length_table, lengths_as_dicts, string_lengths
from arraywright.procedures.check_record import DESIGN_REPORT, record_check
from arraywright.procedures.design_cases import design_cases
from arraywright.procedures.exports import write_whole
from arraywright.procedures.remember import Remembered
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import DescriptionError
from arraywright.procedures.what_if import parse_sweep, sweep_files, sweep_result, sweep_table
from arraywright.procedures.what_if_work import vary
from arraywright.readers.site import read_site

__all__ = ["check"]

_PRACTICE_WORDS: Final = {"iec": "IEC", "nec": "NEC"}


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


def _checks_report_table(checked: Sequence[CheckedDesign]) -> ReportTable:
    return ReportTable(
        title="Checks, the worst margin first",
        headings=CHECKS_HEADINGS,
        rows=checks_rows(checked),
        align=CHECKS_ALIGN,
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


def check(
    folder: Path,
    *,
    settings: Sequence[str] = (),
    sweep: str | None = None,
    person: str = "unnamed",
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Check the design of a site by the practice it names; every formula is worked out.

    A check of the site as it is described is entered into the record, once for the same
    description, weather and software; what is asked with other values is not.

    Args:
        folder: the site folder.
        settings: ``KEY=VALUE`` of described quantities that are to be otherwise for this call.
        sweep: ``KEY=FROM:TO:COUNT`` of one described quantity to vary.
        person: who checks.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: the description, the call or the machine is at fault.
    """
    asked = _settings(settings)
    asked_sweep = None if sweep is None else parse_sweep(sweep)
    remembered = Remembered()
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
    found = design_cases(site, folder=folder, remembered=remembered)
    practice = Practice(site.design.practice) if site.design.practice else Practice.IEC
    checked = [
        check_design(case.check, subject=case.subject, practice=practice, values=case.values)
        for case in found.cases
    ]
    lengths = string_lengths(
        site, found.strings, practice=practice, weather=found.weather, remembered=remembered
    )
    extremes = site_extremes(
        site, found.strings, practice=practice, weather=found.weather, remembered=remembered
    )
    moment = now()
    out = folder / "out"
    out.mkdir(parents=True, exist_ok=True)
    cables = cable_files(site, found, practice=practice, out=out, what_if=bool(asked))
    findings: tuple[Finding, ...] = (
        *found.findings,
        *(one.finding for one in checked),
        *cables.findings,
    )
    tables = [
        _checks_report_table(checked),
        *([length_table(lengths)] if lengths else []),
        *([extremes_table(extremes)] if site.design.practice else []),
        *cables.tables,
    ]
    result: dict[str, object] = {
        "practice": practice.value,
        "settings": asked,
        "checks": [_as_dict(one) for one in worst_first(checked)],
        "string_lengths": lengths_as_dicts(lengths),
        "site_extremes": extremes_as_dict(extremes),
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
    name = "design-checks-what-if.pdf" if asked else DESIGN_REPORT
    document = design_report(
        site_name=site.name,
        time_zone=site.time_zone,
        practice=_PRACTICE_WORDS[practice.value],
        made_at=moment,
        made_by=f"Arraywright {__version__}",
        checked=checked,
        extremes=extremes if site.design.practice else None,
        lengths=lengths,
        year=found.year,
        cables=cables.parts,
    )
    unchanged = False
    if asked or not site.design.practice:
        report = render_pdf(document, made_at=moment)
    else:
        recorded = record_check(
            folder,
            reading=reading,
            practice=practice.value,
            findings=findings,
            counts={verdict.value: count for verdict, count in counts.items()},
            report=lambda: render_pdf(document, made_at=moment),
            person=person,
            now=now,
        )
        report, unchanged = recorded.report, not recorded.new
        summary.append(
            "Nothing is new since the last check: the record is unchanged."
            if unchanged
            else "The check is entered into the record."
        )
    written = [write_whole(out / name, report), *cables.written]
    if asked_sweep is not None:
        progress.stage(f"varying {asked_sweep.key}")
        varied = vary(folder, asked_sweep, settings=asked, remembered=remembered)
        tables.append(sweep_table(varied))
        result["sweep"] = sweep_result(varied)
        summary += varied.sentences
        written += sweep_files(
            out, varied, site_name=site.name, time_zone=site.time_zone, moment=moment
        )
    return Report(
        command="check",
        site=site.name,
        summary=tuple(summary),
        tables=tuple(tables),
        findings=findings,
        result=result,
        written=tuple(written),
        unchanged=unchanged,
    )
