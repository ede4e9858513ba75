"""Handing over: the dossier of a site as one PDF, with its tables carried inside and beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from arraywright import __version__
from arraywright.dossier.blocks import Attachment
from arraywright.dossier.handover import handover_document
from arraywright.dossier.handover_open import open_findings
from arraywright.dossier.handover_parts import HandoverParts
from arraywright.dossier.render import render_pdf
from arraywright.errors import RecordError
from arraywright.findings import Finding, Verdict, count_verdicts
from arraywright.procedures.check_record import DESIGN_REPORT
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.hand_over_parts import gather_parts
from arraywright.procedures.hand_over_told import incident_rows, point_rows, recall_rows, with_told
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import SiteRecord, digest_of, finding_from_dict, open_site
from arraywright.records.entry import Entry, NewEntry, json_body, named_files, parse_body

__all__ = ["DOSSIER_WRITTEN", "hand_over"]

DOSSIER_WRITTEN: Final = "dossier_written"
_PDF: Final = "handover-dossier.pdf"
_FINDINGS: Final = "findings.json"
_TRIES: Final = 5
_LAYOUT: Final = "open points, incidents and recalls with who settled them"
"""What a dossier tells beyond those of old; another text lets every dossier be made anew."""


def _inputs(record: SiteRecord) -> list[str]:
    """Give everything the dossier rests on: the description and every entry but dossiers."""
    return [
        f"{record.description_sha256} description",
        __version__,
        _LAYOUT,
        *(
            f"{entry.entry_hash.hex()} {entry.kind}"
            for entry in record.journal.entries()
            if entry.kind != DOSSIER_WRITTEN
        ),
    ]


def _serials(parts: HandoverParts) -> pl.DataFrame:
    """Give one row a place of the site, with the module in it as far as it is known."""
    site = parts.site
    places = site.positions.select(
        "string", "place_in_string", "position", "structure", "row", "column", "x_m", "y_m"
    ).join(
        site.strings.select("string", "mppt_input", "inverter", "combiner_box"),
        on="string",
        how="left",
        maintain_order="left",
    )
    placed = parts.placed.with_columns(pl.col("place_in_string").cast(pl.Int64))
    return places.join(
        placed, on=["string", "place_in_string"], how="full", coalesce=True, maintain_order="left"
    )


def _attachments(parts: HandoverParts) -> tuple[Attachment, ...]:
    findings = [finding.as_dict() for finding in parts.findings]
    out = [
        Attachment(
            name="serials-by-position.csv",
            data=csv_bytes(_serials(parts)),
            mime="text/csv",
            meaning="every place of the site with its module, class, pallet and flash values",
        )
    ]
    if parts.design:
        out.append(
            Attachment(
                name=DESIGN_REPORT,
                data=parts.design[-1].report,
                mime="application/pdf",
                meaning="the last check of the design, every formula worked out",
            )
        )
    if parts.tests is not None:
        out += [
            Attachment(
                name="string-tests.csv",
                data=csv_bytes(parts.tests.strings),
                mime="text/csv",
                meaning="results and verdicts of every string",
            ),
            Attachment(
                name="iv-curves.csv",
                data=csv_bytes(parts.tests.curves),
                mime="text/csv",
                meaning="key values and verdicts of every I-V curve",
            ),
        ]
    if parts.delivery is not None:
        out.append(
            Attachment(
                name="pallets.csv",
                data=csv_bytes(parts.delivery.pallets),
                mime="text/csv",
                meaning="every pallet with counts, verdict and reasons",
            )
        )
    for name, rows, meaning in (
        ("open-points.csv", point_rows(parts), "every open point, and who settled which and why"),
        ("incidents.csv", incident_rows(parts), "every module of every incident, and where it is"),
        ("recalls.csv", recall_rows(parts), "every module of every recall, and where it is"),
    ):
        if rows.height:
            out.append(
                Attachment(name=name, data=csv_bytes(rows), mime="text/csv", meaning=meaning)
            )
    out.append(
        Attachment(
            name=_FINDINGS,
            data=(json.dumps(findings, ensure_ascii=False, indent=1) + "\n").encode(),
            mime="application/json",
            meaning="every finding of every check, and what people told that is open",
        )
    )
    return tuple(out)


def _summary(parts: HandoverParts) -> dict[str, Any]:
    strings = None if parts.tests is None else parts.tests.strings
    counts = {} if strings is None else dict(strings.group_by("verdict").len().rows())
    verdicts = count_verdicts(parts.findings)
    return {
        "strings": parts.site.strings.height,
        "tested": strings is not None,
        **{name: int(counts.get(name, 0)) for name in ("pass", "fail", "review", "not_assessable")},
        "known_by": parts.known_by,
        "open_points": len(parts.open_ones),
        "settled_points": len(parts.settled),
        "incidents": len(parts.incidents),
        "recalls": sum(one.withdrawn is None for one in parts.recalls),
        "open_by_check": _open_by_check(parts),
        "findings": {verdict.value: count for verdict, count in verdicts.items()},
        "seal_entries": parts.seal_entries,
        "seal_receipt": parts.seal_receipt,
    }


def _written(record: SiteRecord, progress: Progress) -> tuple[Entry, bool]:
    """Make the dossier and append it, or give the one that stands already."""
    previous = record.latest(DOSSIER_WRITTEN)
    inputs = _inputs(record)
    if previous is not None and parse_body(previous.body)["inputs_sha256"] == digest_of(inputs):
        return previous, False
    progress.stage("gathering the record")
    parts = with_told(record, gather_parts(record, person=record.journal.person))
    attachments = _attachments(parts)
    progress.stage("drawing and setting the pages")
    document = handover_document(parts, attachments=attachments)
    pdf = render_pdf(document, made_at=parts.made_at)
    progress.stage("writing the record")
    body = {
        "software": f"arraywright {__version__}",
        "inputs_sha256": digest_of(inputs),
        "made_at": parts.made_at.isoformat(),
        "summary": _summary(parts),
        "files": [
            record.store_bytes("inputs.json", json.dumps(sorted(inputs)).encode()),
            record.store_bytes(_PDF, pdf),
            *(record.store_bytes(one.name, one.data) for one in attachments),
        ],
    }
    entry = NewEntry(
        kind=DOSSIER_WRITTEN,
        subject_kind="site",
        subject=record.site.name,
        body=json_body(body),
        supersedes=None if previous is None else previous.uuid,
    )
    return record.append_result([entry], kind=DOSSIER_WRITTEN, previous=previous), True


def _write(record: SiteRecord, entry: Entry) -> tuple[Path, ...]:
    """Write the dossier and its tables out of the record, byte for byte as recorded."""
    return tuple(
        write_whole(record.out / named.name, record.files.path(named.sha256).read_bytes())
        for named in named_files(parse_body(entry.body))
        if named.name != "inputs.json"
    )


def _findings(record: SiteRecord, entry: Entry) -> tuple[Finding, ...]:
    for named in named_files(parse_body(entry.body)):
        if named.name == _FINDINGS:
            held = json.loads(record.files.path(named.sha256).read_bytes())
            return tuple(finding_from_dict(one) for one in held)
    return ()


def _sentences(summary: dict[str, Any], *, new: bool) -> tuple[str, ...]:
    tested = (
        f"{summary['pass']} of {summary['strings']} strings pass, {summary['fail']} fail, "
        f"{summary['review']} need review, {summary['not_assessable']} are not assessable."
        if summary["tested"]
        else f"None of the {summary['strings']} strings has been tested."
    )
    sentences = [
        tested,
        f"{summary['open_points']} points are open"
        + (f", {summary['settled_points']} are settled." if summary["settled_points"] else "."),
        (
            f"Seal of the record: {summary['seal_entries']} entries, {summary['seal_receipt']}. "
            "Keep it apart from the record."
        ),
    ]
    if not new:
        sentences.append("Nothing is new since the last dossier: the same one is written again.")
    return tuple(sentences)


def _open_by_check(parts: HandoverParts) -> list[list[Any]]:
    """Count what is open by verdict and check, gravest first."""
    counts: dict[tuple[str, str], int] = {}
    for one in open_findings(parts.open_ones):
        key = (one.verdict.value.replace("_", " "), one.check)
        counts[key] = counts.get(key, 0) + 1
    return [[verdict, check, count] for (verdict, check), count in counts.items()]


def _open_table(summary: dict[str, Any]) -> ReportTable:
    return ReportTable(
        title="Open points",
        headings=("Verdict", "Check", "Findings"),
        rows=[(verdict, check, str(count)) for verdict, check, count in summary["open_by_check"]],
        align=("left", "left", "right"),
        verdict_column=0,
    )


def hand_over(
    folder: Path, *, person: str, now: Callable[[], datetime], progress: Progress
) -> Report:
    """Write the handover dossier of everything recorded so far, and its tables beside it.

    What has not been done yet is said plainly in its chapter. As long as nothing changes, the
    same bytes are written again and the record stays as it is.

    Raises:
        ArraywrightError: the site description or the machine is at fault.
    """
    progress.stage("reading the site description")
    with open_site(folder, person=person, now=now) as record:
        for attempt in range(_TRIES):
            try:
                entry, new = _written(record, progress)
                break
            except RecordError as error:
                # Another command wrote a dossier meanwhile: look again at all of it.
                if error.code != "superseded-already" or attempt == _TRIES - 1:
                    raise
        progress.stage("writing the dossier and its tables")
        written = _write(record, entry)
        findings = _findings(record, entry)
        summary: dict[str, Any] = parse_body(entry.body)["summary"]
        return Report(
            command="dossier",
            site=record.site.name,
            summary=_sentences(summary, new=new),
            tables=(_open_table(summary),),
            findings=tuple(one for one in findings if one.verdict is not Verdict.PASS),
            result={**summary, "made_at": parse_body(entry.body)["made_at"]},
            written=written,
            unchanged=not new,
        )
