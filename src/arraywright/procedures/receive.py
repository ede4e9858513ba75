"""Receiving: files in, pallets accepted, held or refused, and everything written down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Final

import polars as pl

from arraywright import __version__
from arraywright.delivery import (
    DELIVERY_NOTE,
    FLASH_LIST,
    ORDER,
    PALLET_SCANS,
    Reconciliation,
    normal_pallet,
    reconcile,
)
from arraywright.dossier.receiving import receiving_report
from arraywright.dossier.render import render_pdf
from arraywright.dossier.words import class_text, number
from arraywright.errors import RecordError
from arraywright.procedures.decisions import pallet_decisions, with_decisions
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.inspection import inspection_of
from arraywright.procedures.intake import Intake, intake_table, take_in
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import SiteRecord, digest_of, open_site
from arraywright.records.entry import Entry, NewEntry, parse_body

__all__ = ["DELIVERY_RECONCILED", "DELIVERY_TABLES", "receive"]

DELIVERY_RECONCILED: Final = "delivery_reconciled"
DELIVERY_TABLES: Final = (ORDER, DELIVERY_NOTE, PALLET_SCANS, FLASH_LIST)
_TRIES: Final = 5
_PALLETS_SHOWN: Final = 40


def _with_arrival(pallets: pl.DataFrame, scans: pl.DataFrame, keys: pl.Series) -> pl.DataFrame:
    """Add ``arrival``: 1 for the pallet scanned first; pallets not scanned come last."""
    first = (
        scans.with_columns(pallet=keys)
        .group_by("pallet")
        .agg(pl.col("scanned_at").min(), pl.col("source_row").min().alias("_row"))
    )
    return (
        pallets.join(first, on="pallet", how="left", maintain_order="left")
        .with_row_index("_place")
        .sort("scanned_at", "_row", "pallet", nulls_last=True)
        .with_row_index("arrival", offset=1)
        .with_columns(pl.col("arrival").cast(pl.Int64))
        .sort("_place")
        .drop("_place", "_row", "scanned_at")
    )


def _reconciled(
    record: SiteRecord, intake: Intake, *, previous: Entry | None, progress: Progress
) -> tuple[Entry, bool]:
    """Reconcile everything that stands and append it, or give what stands already.

    Returns:
        The entry of the reconciliation, and whether it is new.
    """
    decisions = pallet_decisions(record)
    inputs = [
        *intake.inputs,
        *(f"{one.entry.entry_hash.hex()} decision" for one in decisions.values()),
        f"{record.description_sha256} description",
        __version__,
    ]
    if previous is not None and not intake.entries:
        held = parse_body(previous.body)
        if held["inputs_sha256"] == digest_of(inputs):
            return previous, False
    progress.stage("comparing order, notes, scans and flash lists")
    scans = intake.rows(record, PALLET_SCANS)
    result = reconcile(
        record.site,
        order=intake.rows(record, ORDER),
        delivery_notes=intake.rows(record, DELIVERY_NOTE),
        pallet_scans=scans,
        flash_list=intake.rows(record, FLASH_LIST),
        # Every list ever received here is among the lists compared: nothing came before them.
        earlier_serials=pl.Series([], dtype=pl.String),
    )
    result = with_decisions(result, decisions)
    progress.stage("writing the record")
    entry = _result_entry(record, result, scans, inputs=inputs, previous=previous)
    return record.append_result(
        [*intake.entries, entry], kind=DELIVERY_RECONCILED, previous=previous
    ), True


def _result_entry(
    record: SiteRecord,
    result: Reconciliation,
    scans: pl.DataFrame,
    *,
    inputs: Sequence[str],
    previous: Entry | None,
) -> NewEntry:
    keys = scans.select(normal_pallet(pl.col("pallet")).alias("pallet"))["pallet"]
    pallets = _with_arrival(result.pallets, scans, keys)
    return record.new_result(
        DELIVERY_RECONCILED,
        inputs=inputs,
        frames={
            "pallets": pallets,
            "modules": result.modules,
            "order_balance": result.order_balance,
            "discrepancies": result.discrepancies,
        },
        findings=result.findings,
        summary={
            "pallets": pallets.height,
            **_counts(pallets),
            "modules": result.modules.height,
        },
        previous=previous,
    )


def _counts(pallets: pl.DataFrame) -> dict[str, int]:
    return {
        verdict: pallets.filter(pl.col("verdict") == verdict).height
        for verdict in ("accept", "hold", "refuse")
    }


def _delivery_entries(record: SiteRecord) -> list[Entry]:
    """Give the entries of the files that stand, by name: in whatever order they came."""
    kinds = {spec.kind for spec in DELIVERY_TABLES}

    def key(entry: Entry) -> tuple[str, str, str]:
        body = parse_body(entry.body)
        return str(body["file"]), str(body["sheet"]), str(body["sha256"])

    held = [entry for entry in record.received() if parse_body(entry.body)["table"] in kinds]
    return sorted(held, key=key)


def _files_rows(entries: Sequence[Entry]) -> list[tuple[str, ...]]:
    titles = {spec.kind: spec.title for spec in DELIVERY_TABLES}
    bodies = [parse_body(entry.body) for entry in entries]
    return [
        (
            f"{body['file']} ({body['sheet']})" if body["sheet"] else body["file"],
            titles[body["table"]],
            number(body["rows_in"], 0),
            number(body["rows_accepted"], 0),
            number(body["rows_reported"], 0),
        )
        for body in bodies
    ]


def _write_documents(record: SiteRecord, entry: Entry) -> tuple[Path, ...]:
    """Write what a reconciliation says of everything received so far, whichever call made it."""
    pallets = record.load_frame(entry, "pallets")
    received = _delivery_entries(record)
    findings = [finding for one in received for finding in record.load_findings(one)]
    findings += record.load_findings(entry)
    inspection = inspection_of(record, entry)
    document = receiving_report(
        site_name=record.site.name,
        time_zone=record.site.time_zone,
        made_at=entry.device_time,
        made_by=f"Arraywright {__version__}",
        files=_files_rows(received),
        balance=record.load_frame(entry, "order_balance"),
        pallets=pallets,
        findings=findings,
        inspection=inspection.blocks,
    )
    out = record.out
    return (
        write_whole(out / "receiving-report.pdf", render_pdf(document, made_at=entry.device_time)),
        write_whole(out / "pallets.csv", csv_bytes(pallets)),
        write_whole(
            out / "discrepancies-for-supplier.csv",
            csv_bytes(record.load_frame(entry, "discrepancies")),
        ),
        write_whole(out / "inspection-lots.csv", csv_bytes(inspection.lots)),
        write_whole(out / "inspection-sample.csv", csv_bytes(inspection.sample)),
    )


def _write_newest(
    record: SiteRecord, entry: Entry, progress: Progress
) -> tuple[Entry, tuple[Path, ...]]:
    """Write the documents of the newest reconciliation, also when another command was later.

    Whoever writes last finds the newest, so documents never fall behind the record.
    """
    progress.stage("writing the receiving report")
    while True:
        written = _write_documents(record, entry)
        newest = record.latest(DELIVERY_RECONCILED)
        if newest is None or newest.uuid == entry.uuid:
            return entry, written
        entry = newest


def _tables(pallets: pl.DataFrame, balance: pl.DataFrame) -> tuple[ReportTable, ...]:
    open_pallets = pallets.filter(pl.col("verdict") != "accept").sort("verdict", "pallet")
    shown = open_pallets.head(_PALLETS_SHOWN)
    return (
        ReportTable(
            title="Order balance (modules)",
            headings=("Type", "Class", "Ordered", "Seen", "Accepted", "Missing", "Surplus"),
            rows=[
                (
                    str(row["module_type"]),
                    class_text(row["power_class_w"], row["current_class"]),
                    *(
                        number(row[name], 0)
                        for name in ("ordered", "delivered", "accepted", "missing", "surplus")
                    ),
                )
                for row in balance.iter_rows(named=True)
            ],
            align=("left", "left", *("right",) * 5),
        ),
        ReportTable(
            title="Pallets not accepted",
            headings=("Pallet", "Delivery note", "Class", "Verdict", "Reasons"),
            rows=[
                (
                    str(row["pallet"]),
                    str(row["delivery_note"] or "none"),
                    class_text(row["power_class_w"], row["current_class"]),
                    str(row["verdict"]),
                    ", ".join(row["reasons"]),
                )
                for row in shown.iter_rows(named=True)
            ],
            verdict_column=3,
            more=open_pallets.height - shown.height,
        ),
    )


def _summary(intake: Intake, counts: dict[str, int], *, new: bool) -> tuple[str, ...]:
    known = sum(table.known and not table.replaced for table in intake.tables)
    sentences = [
        f"{counts['accept']} pallets accepted, {counts['hold']} held, {counts['refuse']} refused."
    ]
    if known:
        sentences.append(
            f"{known} of {len(intake.tables)} tables stood in the record already and changed "
            "nothing."
        )
    if not new:
        sentences.append("Nothing is new: the record is unchanged.")
    if intake.refused:
        sentences.append("At least one file could not be used; it was left out as a whole.")
    return tuple(sentences)


def _nothing_received(record: SiteRecord, intake: Intake) -> Report:
    """Report that no file could be used and none stands: there is nothing to judge."""
    return Report(
        command="receive",
        site=record.site.name,
        summary=("Nothing was recorded: no file could be used, and none was received before.",),
        tables=(intake_table(intake),),
        findings=intake.findings,
        result={"files": [asdict(table) for table in intake.tables]},
        input_refused=True,
        unchanged=True,
    )


def receive(
    folder: Path,
    files: Sequence[Path],
    *,
    mapping: Path | None = None,
    replaced: str | None = None,
    person: str,
    now: Callable[[], datetime],
    progress: Progress,
) -> Report:
    """Receive files of a delivery and judge every pallet known so far.

    Everything is appended in one transaction: killed at any moment, the record is whole, and
    repeating the command completes it. A file known already changes nothing.

    Args:
        folder: the site folder.
        files: order, delivery notes, pallet scans, flash lists, in any order.
        mapping: TOML file that says which heading is which column.
        replaced: name of an earlier file that the one file given now replaces.
        person: who receives.
        now: the clock.
        progress: where stages are told.

    Raises:
        ArraywrightError: the site description, the call or the machine is at fault.
    """
    progress.stage("reading the site description")
    with open_site(folder, person=person, now=now) as record:
        for attempt in range(_TRIES):
            # Before anything else is read: what another command appends later is then noticed.
            previous = record.latest(DELIVERY_RECONCILED)
            intake = take_in(
                record,
                files,
                specs=DELIVERY_TABLES,
                mapping=mapping,
                replaced=replaced,
                progress=progress,
            )
            if not intake.live and not intake.entries:
                return _nothing_received(record, intake)
            try:
                entry, new = _reconciled(record, intake, previous=previous, progress=progress)
                break
            except RecordError as error:
                # Another command recorded a reconciliation meanwhile: look again at all of it.
                if error.code != "superseded-already" or attempt == _TRIES - 1:
                    raise
        entry, written = _write_newest(record, entry, progress)
        findings = (*intake.findings, *record.load_findings(entry))
        pallets = record.load_frame(entry, "pallets")
        balance = record.load_frame(entry, "order_balance")
        counts = _counts(pallets)
        return Report(
            command="receive",
            site=record.site.name,
            summary=_summary(intake, counts, new=new),
            tables=(intake_table(intake), *_tables(pallets, balance)),
            findings=findings,
            result={
                "files": [asdict(table) for table in intake.tables],
                "pallets": pallets.to_dicts(),
                "order_balance": balance.to_dicts(),
                "counts": counts,
            },
            written=written,
            input_refused=intake.refused,
            unchanged=not new,
        )
