"""Planning anew with the least change: what the crews have in hand stays where it can."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.build_dates import StockDays
from arraywright.allocation.kept import PlanBefore
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkMode, ParkPlan
from arraywright.allocation.park_types import Coefficients
from arraywright.errors import CallError
from arraywright.plant import Site

__all__ = ["Replanned", "replan"]

_SHOWN: Final = 3
_CHANGES: Final = {
    "drop_point": pl.String(),
    "string": pl.String(),
    "day": pl.Date(),
    "was": pl.String(),
    "now": pl.String(),
    "why": pl.String(),
}
_PLACE: Final = ["string", "place_in_string"]
_ROW: Final = ("string", "place_in_string", "serial", "pallet")
_NONE: Final = np.zeros(0, dtype=np.int64)


@dataclass(frozen=True, slots=True, kw_only=True)
class Replanned:
    """A plan made anew with the least change.

    Attributes:
        result: the plan; ``result.chosen.plan.assignments`` has the strings in progress in it too.
        changes: what changes for the crews, one row per string in building order: ``drop_point``,
            ``string``, ``day`` (null where the string gets nothing), ``was`` and ``now`` (pallets
            in the order of the places; empty where nothing), ``why``.
        strings_kept: open strings whose picking stays as it was.
        strings_changed: open strings whose picking changes, those that lose it counted.
        strings_lost: strings that were planned and get nothing now.
        change_cost: what changing the picking of one string is taken to cost, in money.
        anew_saves: what a new order in the same classes would save before its changes are paid, in
            money; 0 where nothing.
        anew_changes: strings it would change.
        sentences: the same in plain words.
    """

    result: ParkPlan
    changes: pl.DataFrame
    strings_kept: int
    strings_changed: int
    strings_lost: int
    change_cost: float
    anew_saves: float
    anew_changes: int
    sentences: tuple[str, ...]


def _in_words(rows: pl.DataFrame) -> pl.DataFrame:
    """Give ``string`` and ``words``: pallets of each string in the order of its places."""
    return (
        rows.sort("string", "place_in_string")
        .with_columns(
            turn=(pl.col("pallet") != pl.col("pallet").shift(1)).fill_null(value=True).cum_sum()
        )
        .group_by("string", "turn", maintain_order=True)
        .agg(pl.col("pallet").first(), pl.len().alias("count"))
        .group_by("string", maintain_order=True)
        .agg(pl.format("{} from {}", "count", pl.col("pallet")).alias("words"))
        .with_columns(words=pl.col("words").list.join(", "))
    )


def _gone_words(
    before: pl.DataFrame, stock: pl.DataFrame, frozen: pl.DataFrame, reasons: pl.DataFrame | None
) -> pl.DataFrame:
    """Give ``string`` and ``gone``: which of its modules can no longer be had, and why."""
    elsewhere = frozen.select("serial", built_in="string").unique("serial", keep="first")
    gone = before.join(elsewhere, on="serial", how="left").filter(
        pl.col("built_in").is_not_null() | ~pl.col("serial").is_in(stock["serial"].implode())
    )
    told = (
        gone.join(reasons.select("serial", "reason"), on="serial", how="left")
        if reasons is not None
        else gone.with_columns(reason=pl.lit(None, dtype=pl.String))
    )
    return (
        told.with_columns(
            why=pl.coalesce(
                pl.format("built in {}", "built_in"), "reason", pl.lit("no longer usable")
            )
        )
        .sort("string", "place_in_string")
        .group_by("string", "pallet", "why", maintain_order=True)
        .agg(pl.len().alias("count"))
        .with_columns(words=pl.format("{} from {}: {}", "count", "pallet", "why"))
        .group_by("string", maintain_order=True)
        .agg(pl.col("words").str.join("; ").alias("gone"))
    )


def _why(*, kept: bool) -> pl.Expr:
    """Say why a string's picking changes."""
    nothing = pl.col("now") == ""
    other = (
        "its modules are needed earlier, or come too late for it"
        if kept
        else "a new order costs less than it changes"
    )
    return (
        pl.when(pl.col("gone").is_not_null())
        .then(pl.col("gone"))
        .when(nothing)
        .then(pl.lit("too few modules of its class are left"))
        .when(pl.col("was") == "")
        .then(pl.lit("there are modules for it now"))
        .otherwise(pl.lit(other))
    )


def _strings_kept(result: ParkPlan) -> dict[str, bool]:
    """Tell of each string that gets modules whether its class is as planned before."""
    number = np.sort(np.concatenate([held.own.strings for held in result.classes] or [_NONE]))
    names = dict(zip(number.tolist(), result.build["string"].to_list(), strict=True))
    return {
        names[one]: held.chosen.key == "kept"
        for held in result.classes
        for one in held.own.strings.tolist()
    }


def _changes(
    site: Site,
    result: ParkPlan,
    *,
    before: pl.DataFrame,
    now: pl.DataFrame,
    gone: pl.DataFrame,
) -> pl.DataFrame:
    """List the strings whose places hold other serials than before."""
    beside = before.select(*_PLACE, was_serial="serial").join(
        now.select(*_PLACE, now_serial="serial"), on=_PLACE, how="full", coalesce=True
    )
    changed = (
        beside.filter(pl.col("was_serial").ne_missing(pl.col("now_serial")))
        .select("string")
        .unique()
    )
    kept = _strings_kept(result)
    return (
        changed.join(site.strings.select("string", "drop_point", "build_order"), on="string")
        .join(result.build.select("string", "day"), on="string", how="left")
        .join(_in_words(before).rename({"words": "was"}), on="string", how="left")
        .join(_in_words(now).rename({"words": "now"}), on="string", how="left")
        .join(gone, on="string", how="left")
        .with_columns(pl.col("was").fill_null(""), pl.col("now").fill_null(""))
        .with_columns(
            as_kept=pl.col("string").replace_strict(kept, default=True, return_dtype=pl.Boolean)
        )
        .with_columns(
            why=pl.when(pl.col("as_kept")).then(_why(kept=True)).otherwise(_why(kept=False))
        )
        .sort("build_order", "string")
        .select(pl.col(name).cast(kind) for name, kind in _CHANGES.items())
    )


def _anew(result: ParkPlan) -> tuple[float, int]:
    """Give what a new order would save in the classes kept, and the strings it would change."""
    saves, changes = 0.0, 0
    for held in result.classes:
        others = [way for way in held.ways if way.key not in ("kept", "arrival")]
        if held.chosen.key != "kept" or not others:
            continue
        other = min(others, key=lambda way: way.total)
        if other.total >= held.chosen.total:
            continue
        saves += held.chosen.total - other.total
        strings = held.chosen.places.string
        changes += len(np.unique(strings[other.places.module != held.chosen.places.module]))
    return saves, changes


def _sentences(held: Replanned, currency: str) -> tuple[str, ...]:
    whole = held.strings_kept + held.strings_changed
    if not held.strings_changed:
        out = [f"Nothing changes for the crews: all {whole} strings stay as planned."]
    else:
        changed = f"The picking of {held.strings_changed} of {whole} open strings changes"
        out = [f"{changed}, that of {held.strings_kept} stays as it was."]
    if held.strings_lost:
        lost = held.changes.filter(pl.col("now") == "")["string"].to_list()
        more = f" and {len(lost) - _SHOWN} more" if len(lost) > _SHOWN else ""
        out.append(
            f"{held.strings_lost} strings get nothing any more: {', '.join(lost[:_SHOWN])}{more}. "
            "Inputs keep their class here; a plan from scratch may fill other strings instead."
        )
    rate = f"{held.change_cost:.2f} {currency}"
    if held.anew_saves > 0.0:
        out.append(
            f"A new order in the same classes would save {held.anew_saves:.2f} {currency} and "
            f"change {held.anew_changes} strings more, which at {rate} a string is not worth it."
        )
    elif any(way.chosen.key != "kept" for way in held.result.classes):
        out.append(f"A new order saves more than its changes cost at {rate} a string.")
    return tuple(out)


def replan(
    site: Site,
    *,
    stock: pl.DataFrame,
    days: StockDays,
    before: PlanBefore,
    frozen: pl.DataFrame | None = None,
    in_progress: Sequence[str] = (),
    reasons: pl.DataFrame | None = None,
    coefficients: Coefficients | None = None,
    mode: ParkMode = "auto",
    expected: Collection[str] = (),
    until: date | None = None,
    seed: int = 0,
    tell: Callable[[str, float], None] | None = None,
) -> Replanned:
    """Plan anew with the least change: whatever of the earlier plan still holds is kept.

    What happened shows in what is given: modules that are no longer in ``stock`` (a truck refused,
    a pallet broken), strings in another order in ``site``, strings built otherwise in ``frozen``,
    pallets that come on other ``days``. Holes are filled from what is left over, or from the
    strings built last. Class by class this is weighed against a new order: that one is taken where
    it saves more than ``before.change_cost`` for each string whose picking it changes. Inputs keep
    their class unless what is built there says otherwise.

    Args:
        site: the site as it is now.
        stock: as ``allocate``: what may be used now.
        days: as ``plan_park``.
        before: the earlier plan; its frame has ``pallet`` too.
        frozen: as ``allocate``: what is built.
        in_progress: strings whose picking is under way; they stay as planned, and only modules that
            are gone are put right.
        reasons: frame of ``serial`` and ``reason``: why modules may not be used; None when not at
            hand.
        coefficients: as ``plan_park``.
        mode: as ``plan_park``.
        expected: as ``plan_park``.
        until: as ``plan_park``.
        seed: of the search.
        tell: told what is done and how far it is, between 0 and 1.

    Raises:
        CallError: a frame lacks a required column.

    Source: assumption (what changing a string's picking costs)
    """
    missing = [name for name in _ROW if name not in before.assignments.columns]
    if missing:
        raise CallError(
            "plan-columns-missing",
            f"The earlier plan lacks {', '.join(missing)}.",
            "Give string, place_in_string, serial and pallet of every place planned.",
        )
    rows = before.assignments.select(_ROW)
    built = (
        pl.DataFrame(schema={"string": pl.String, "place_in_string": pl.Int64, "serial": pl.String})
        if frozen is None
        else frozen.select(*_PLACE, "serial")
    )
    usable = _usable(stock)
    picking = (
        rows.filter(pl.col("string").is_in(list(in_progress)))
        .filter(pl.col("serial").is_in(usable["serial"].implode()))
        .join(built, on=_PLACE, how="anti")
        .join(built, on="serial", how="anti")
    )
    closed = pl.concat([built, picking.select(*_PLACE, "serial")])
    result = plan_park(
        site,
        stock=stock,
        days=days,
        frozen=closed if frozen is None else pl.concat([frozen, picking], how="diagonal_relaxed"),
        coefficients=coefficients,
        mode=mode,
        before=before,
        expected=expected,
        until=until,
        seed=seed,
        tell=tell,
    )
    known = rows.join(closed, on=_PLACE, how="anti").join(
        site.strings.select("string"), on="string", how="semi"
    )
    now = result.chosen.plan.assignments
    changes = _changes(
        site,
        result,
        before=known,
        now=now,
        gone=_gone_words(known, usable, closed, reasons),
    )
    touched = pl.concat([known.select("string"), now.select("string")]).n_unique()
    saves, more = _anew(result)
    held = Replanned(
        result=_with_picking(site, result, picking),
        changes=changes,
        strings_kept=touched - changes.height,
        strings_changed=changes.height,
        strings_lost=changes.filter(pl.col("now") == "").height,
        change_cost=before.change_cost,
        anew_saves=saves,
        anew_changes=more,
        sentences=(),
    )
    return replace(held, sentences=_sentences(held, result.coefficients.currency))


def _usable(stock: pl.DataFrame) -> pl.DataFrame:
    if "usable" in stock.columns:
        stock = stock.filter(pl.col("usable").fill_null(value=False))
    if "verdict" in stock.columns:
        stock = stock.filter(pl.col("verdict").eq("accept").fill_null(value=False))
    return stock


def _with_picking(site: Site, result: ParkPlan, picking: pl.DataFrame) -> ParkPlan:
    """Put the strings in progress back into the plan's table."""
    plan = result.chosen.plan
    order = site.strings.select("string", "build_order")
    whole = (
        pl.concat([plan.assignments, picking.select(plan.assignments.columns)])
        .join(order, on="string", how="left", maintain_order="left")
        .sort("build_order", "string", "place_in_string")
        .drop("build_order")
    )
    return replace(result, chosen=replace(result.chosen, plan=replace(plan, assignments=whole)))
