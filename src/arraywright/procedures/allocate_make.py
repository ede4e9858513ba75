"""Making a plan from the record: from scratch, or anew with the least change."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

import polars as pl

from arraywright.allocation.ahead import plan_ahead
from arraywright.allocation.kept import PlanBefore
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkMode, ParkPlan
from arraywright.allocation.replan import replan
from arraywright.findings import Finding
from arraywright.plant import PLACEMENTS
from arraywright.procedures.allocate_coming import coming_of
from arraywright.procedures.allocate_dates import Dated
from arraywright.procedures.report import Progress
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry, named_files, parse_body

__all__ = ["MadePlan", "make_plan"]

_VERDICTS: Final = {"hold": "held", "refuse": "refused"}


@dataclass(frozen=True, slots=True, kw_only=True)
class MadePlan:
    """A plan as made.

    Attributes:
        result: the plan.
        changes: what changes for the crews; None when it was planned from scratch.
        stock: what was planned with.
        reserved: what is kept of each class for later, when planned some days ahead; else None.
        findings: what planning ahead found.
    """

    result: ParkPlan
    changes: pl.DataFrame | None
    stock: pl.DataFrame
    reserved: pl.DataFrame | None = None
    findings: tuple[Finding, ...] = ()


def _frozen(record: SiteRecord) -> pl.DataFrame | None:
    placements = record.rows(PLACEMENTS)
    if placements.is_empty():
        return None
    return (
        placements.sort("placed_at", nulls_last=False)
        .unique(["string", "place_in_string"], keep="last", maintain_order=True)
        .select("string", "place_in_string", "serial")
    )


def _reasons(modules: pl.DataFrame, pallets: pl.DataFrame) -> pl.DataFrame:
    """Give ``serial`` and ``reason`` of modules that may not be used, in words."""
    joined = modules.join(
        pallets.select("pallet", "verdict", pallet_reasons="reasons"), on="pallet", how="left"
    )
    on_pallet = pl.format(
        "pallet {} ({})",
        pl.col("verdict").replace(_VERDICTS),
        pl.col("pallet_reasons").list.join(", "),
    )
    return (
        joined.filter(~pl.col("usable") | (pl.col("verdict") != "accept"))
        .select(
            "serial",
            reason=pl.when(pl.col("verdict") != "accept")
            .then(on_pallet)
            .otherwise(pl.lit("module set aside when it was received")),
        )
        .unique("serial", keep="first", maintain_order=True)
    )


def _sorted_modules(record: SiteRecord, before: Entry) -> pl.DataFrame | None:
    """Give what an earlier plan has sorted at drop points; plans of old know nothing of it."""
    names = {named.name for named in named_files(parse_body(before.body))}
    if "piles.parquet" not in names:
        return None
    return record.load_frame(before, "piles").select("serial", "pile")


def _standing(record: SiteRecord, before: Entry) -> pl.DataFrame | None:
    """Give where pallets stand that had come when the earlier plan was made."""
    names = {named.name for named in named_files(parse_body(before.body))}
    if "yard_stacks.parquet" not in names:
        return None
    day = date.fromisoformat(parse_body(before.body)["summary"]["planning_day"])
    return (
        record.load_frame(before, "yard_stacks")
        .filter((pl.col("arrives") <= day) & pl.col("level").is_not_null())
        .select("pallet", "area", "level", "on_pallet")
    )


def _teller(progress: Progress) -> Callable[[str, float], None]:
    told: list[str] = []

    def tell(stage: str, _: float) -> None:
        if told[-1:] != [stage]:
            told.append(stage)
            progress.stage(stage)

    return tell


def _before(record: SiteRecord, before: Entry, modules: pl.DataFrame) -> PlanBefore:
    return PlanBefore(
        assignments=record.load_frame(before, "assignments"),
        sorted_modules=_sorted_modules(record, before),
        standing=_standing(record, before),
        known=modules.select("serial", "module_type", "power_class_w", "current_class"),
    )


def make_plan(
    record: SiteRecord,
    dated: Dated,
    *,
    mode: ParkMode,
    reconciled: Entry,
    before: Entry | None,
    in_progress: tuple[str, ...],
    ahead: int | None,
    progress: Progress,
) -> MadePlan:
    """Plan from scratch, or, with a plan before, with the least change; all or some days ahead.

    Args:
        record: the open site.
        dated: stock and its days.
        mode: how strings are filled.
        reconciled: the reconciliation that stands.
        before: the plan the crews have in hand; None to plan from scratch.
        in_progress: strings whose picking is under way.
        ahead: days beyond the planning day for which crews get pallets, reckoning with what is
            ordered for the rest; None to plan all that is known.
        progress: where stages are told.
    """
    tell = _teller(progress)
    tell("choosing the classes of inputs", 0.0)
    frozen = _frozen(record)
    stock, days = dated.stock, dated.days
    if before is None and ahead is None:
        result = plan_park(record.site, stock=stock, days=days, frozen=frozen, mode=mode, tell=tell)
        return MadePlan(result=result, changes=None, stock=stock)
    modules = record.load_frame(reconciled, "modules")
    pallets = record.load_frame(reconciled, "pallets")
    held = None if before is None else _before(record, before, modules)
    reasons = _reasons(modules, pallets)
    if ahead is not None:
        found = plan_ahead(
            record.site,
            stock=stock,
            days=days,
            coming=coming_of(record, pallets, planning_day=days.planning_day),
            until=days.planning_day + timedelta(days=ahead),
            frozen=frozen,
            before=held,
            in_progress=in_progress,
            reasons=reasons,
            mode=mode,
            tell=tell,
        )
        return MadePlan(
            result=replace(found.result, sentences=(*found.sentences, *found.result.sentences)),
            changes=found.changes,
            stock=found.stock,
            reserved=found.reserved,
            findings=found.findings,
        )
    if held is None:  # pragma: no cover - a plan before is there, or days ahead are asked for
        raise AssertionError
    anew = replan(
        record.site,
        stock=stock,
        days=days,
        before=held,
        frozen=frozen,
        in_progress=in_progress,
        reasons=reasons,
        mode=mode,
        tell=tell,
    )
    return MadePlan(
        result=replace(anew.result, sentences=(*anew.sentences, *anew.result.sentences)),
        changes=anew.changes,
        stock=stock,
    )
