"""Allocating: accepted modules into strings, and the picking lists for the crews."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

import polars as pl

from arraywright import __version__
from arraywright.allocation import PICKING_CAUTIONS, Comparison, Plan, compare, picking_list
from arraywright.dossier.picking import picking_document
from arraywright.dossier.render import render_pdf
from arraywright.dossier.words import number
from arraywright.errors import CallError, RecordError
from arraywright.findings import Finding, Verdict
from arraywright.plant import PLACEMENTS
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.report import Progress, Report, ReportTable
from arraywright.procedures.site_record import SiteRecord, digest_of, open_site
from arraywright.records.entry import Entry, parse_body

__all__ = ["ALLOCATION_PLANNED", "allocate", "stock_of"]

ALLOCATION_PLANNED: Final = "allocation_planned"
_PLAN_NAMES: Final = {
    "arrival": "order of arrival",
    "plan": "this plan",
    "sorted": "full sort of single modules (bound)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Planned:
    entry: Entry
    new: bool


def stock_of(modules: pl.DataFrame, pallets: pl.DataFrame) -> pl.DataFrame:
    """Give the modules that may be planned with: usable ones on accepted pallets."""
    accepted = pallets.filter(pl.col("verdict") == "accept").select("pallet", "arrival")
    return modules.filter(pl.col("usable")).join(
        accepted, on="pallet", how="inner", maintain_order="left"
    )


def _plan_summary(plan: Plan) -> dict[str, Any]:
    return {
        "kind": plan.kind,
        "strings_planned": plan.strings_planned,
        "strings_on_whole_inputs": plan.strings_on_whole_inputs,
        "inputs_in_part": plan.inputs_in_part,
        "modules_planned": plan.modules_planned,
        "pallet_openings": plan.pallet_openings,
        "loss_w": plan.mismatch.loss_w,
        "loss_ratio": plan.mismatch.loss_ratio,
        "sum_of_modules_w": plan.mismatch.sum_of_modules_w,
    }


def _frozen(record: SiteRecord) -> pl.DataFrame | None:
    placements = record.rows(PLACEMENTS)
    if placements.is_empty():
        return None
    return (
        placements.sort("placed_at", nulls_last=False)
        .unique(["string", "place_in_string"], keep="last", maintain_order=True)
        .select("string", "place_in_string", "serial")
    )


def _plan(record: SiteRecord, progress: Progress) -> _Planned:
    # Before anything else is read: what another command appends later is then noticed.
    previous = record.latest(ALLOCATION_PLANNED)
    reconciled = record.latest(DELIVERY_RECONCILED)
    if reconciled is None:
        raise CallError(
            "nothing-received",
            f"Nothing has been received at {record.site.name} yet.",
            "Receive the delivery files first: arraywright receive SITE FILE...",
        )
    frozen = _frozen(record)
    built = [entry.entry_hash.hex() for entry in record.received(PLACEMENTS)]
    inputs = [
        f"{parse_body(reconciled.body)['inputs_sha256']} reconciliation",
        f"{record.description_sha256} description",
        *(f"{one} placements" for one in built),
        __version__,
    ]
    if previous is not None and parse_body(previous.body)["inputs_sha256"] == digest_of(inputs):
        return _Planned(entry=previous, new=False)
    progress.stage("planning: order of arrival, whole pallets, full sort")
    stock = stock_of(
        record.load_frame(reconciled, "modules"), record.load_frame(reconciled, "pallets")
    )
    result = compare(record.site, stock=stock, frozen=frozen)
    progress.stage("writing the record")
    entry = record.new_result(
        ALLOCATION_PLANNED,
        inputs=inputs,
        frames=_frames(record, result),
        findings=result.findings,
        summary={
            "sentence": result.sentence,
            "plan_gain_w": result.plan_gain_w,
            "sorting_gain_w": result.sorting_gain_w,
            "plans": [
                _plan_summary(plan) for plan in (result.arrival, result.plan, result.sorted_single)
            ],
        },
        previous=previous,
    )
    return _Planned(
        entry=record.append_result([entry], kind=ALLOCATION_PLANNED, previous=previous), new=True
    )


def _frames(record: SiteRecord, result: Comparison) -> dict[str, pl.DataFrame]:
    plan = result.plan
    positions = record.site.positions.select("string", "place_in_string", "position")
    return {
        "assignments": plan.assignments.join(
            positions, on=["string", "place_in_string"], how="left", maintain_order="left"
        ),
        "picking": picking_list(plan, record.site),
        "leftovers": plan.leftovers,
        "spares": plan.spares,
        "unplanned": plan.unplanned,
        "mismatch_strings": plan.mismatch.strings,
        "mismatch_inputs": plan.mismatch.inputs,
    }


def _write(
    record: SiteRecord, entry: Entry, *, findings: Sequence[Finding], progress: Progress
) -> tuple[Path, ...]:
    progress.stage("writing the picking lists")
    summary = parse_body(entry.body)["summary"]
    picking = record.load_frame(entry, "picking")
    document = picking_document(
        site_name=record.site.name,
        time_zone=record.site.time_zone,
        made_at=entry.device_time,
        made_by=f"Arraywright {__version__}",
        sentence=summary["sentence"],
        plans=[
            (
                _PLAN_NAMES[plan["kind"]],
                plan["loss_w"],
                plan["loss_ratio"],
                plan["pallet_openings"],
            )
            for plan in summary["plans"]
        ],
        picking=picking,
        cautions=PICKING_CAUTIONS,
        findings=[one for one in findings if one.verdict is not Verdict.PASS],
    )
    out = record.out
    return (
        write_whole(out / "picking-lists.pdf", render_pdf(document, made_at=entry.device_time)),
        write_whole(out / "picking-lists.csv", csv_bytes(picking)),
        write_whole(out / "allocation.csv", csv_bytes(record.load_frame(entry, "assignments"))),
        write_whole(out / "spares.csv", csv_bytes(record.load_frame(entry, "spares"))),
    )


def _tables(summary: dict[str, Any], picking: pl.DataFrame) -> tuple[ReportTable, ...]:
    per_drop = picking.group_by("drop_point", maintain_order=True).agg(
        pl.len().alias("openings"), pl.col("modules_taken").sum()
    )
    return (
        ReportTable(
            title="Plans compared",
            headings=(
                "Plan",
                "Strings",
                "Inputs in part",
                "Mismatch loss [W]",
                "Loss [%]",
                "Pallet openings",
            ),
            rows=[
                (
                    _PLAN_NAMES[plan["kind"]],
                    str(plan["strings_planned"]),
                    str(plan["inputs_in_part"]),
                    number(plan["loss_w"], 0),
                    f"{100.0 * plan['loss_ratio']:.4f}",
                    str(plan["pallet_openings"]),
                )
                for plan in summary["plans"]
            ],
            align=("left", *("right",) * 5),
        ),
        ReportTable(
            title="Pallets per drop point",
            headings=("Drop point", "Pallet openings", "Modules"),
            rows=[
                (str(row["drop_point"]), str(row["openings"]), str(row["modules_taken"]))
                for row in per_drop.head(30).iter_rows(named=True)
            ],
            align=("left", "right", "right"),
            more=max(0, per_drop.height - 30),
        ),
    )


def allocate(
    folder: Path, *, person: str, now: Callable[[], datetime], progress: Progress
) -> Report:
    """Plan which module goes into which string, and write the picking lists.

    What as-built lists say is built in already stays where it is.

    Raises:
        ArraywrightError: nothing was received yet; the description or the machine is at fault.
    """
    progress.stage("reading the site description")
    with open_site(folder, person=person, now=now) as record:
        try:
            planned = _plan(record, progress)
        except RecordError as error:
            # Another command recorded a plan meanwhile: look again.
            if error.code != "superseded-already":
                raise
            planned = _plan(record, progress)
        entry = planned.entry
        findings = record.load_findings(entry)
        summary = parse_body(entry.body)["summary"]
        picking = record.load_frame(entry, "picking")
        written = _write(record, entry, findings=findings, progress=progress)
        sentences = [summary["sentence"]]
        if not planned.new:
            sentences.append("Nothing is new since the last plan: the record is unchanged.")
        return Report(
            command="allocate",
            site=record.site.name,
            summary=tuple(sentences),
            tables=_tables(summary, picking),
            findings=findings,
            result={**summary, "picking": picking.to_dicts()},
            written=written,
            unchanged=not planned.new,
        )
