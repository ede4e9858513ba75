"""The coming days planned from the yard, with enough of each class kept for what remains."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.build_dates import StockDays, stock_days
from arraywright.allocation.kept import PlanBefore
from arraywright.allocation.park import plan_park
from arraywright.allocation.park_result import ParkMode, ParkPlan
from arraywright.allocation.park_types import Coefficients
from arraywright.allocation.replan import Replanned, replan
from arraywright.allocation.stock import STOCK_COLUMNS
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site

__all__ = ["COMING_COLUMNS", "AheadPlan", "draw_coming", "plan_ahead"]

COMING_COLUMNS: Final[dict[str, pl.DataType]] = {
    "module_type": pl.String(),
    "power_class_w": pl.Float64(),
    "current_class": pl.String(),
    "modules": pl.Int64(),
    "day": pl.Date(),
}
"""Columns of what is still to come: one row per line of an order, or per delivery announced."""

_CLASS: Final = ["module_type", "power_class_w", "current_class"]
_FLASH: Final = ("pmax_w", "voc_v", "isc_a", "vmp_v", "imp_a")
_FLASH_SPREAD_RATIO: Final = 0.003
"""Spread of a class nothing has come of yet. Assumption."""
_PREFIX: Final = "to come "


@dataclass(frozen=True, slots=True, kw_only=True)
class AheadPlan:
    """The coming days, and what is kept for the rest.

    Attributes:
        result: the plan; only strings filled from pallets that are known are in its tables.
        until: last day planned.
        next_strings: frame of ``string``, ``day`` and ``drop_point``: the strings of these days,
            in building order.
        reserved: per class ``module_type``, ``power_class_w``, ``current_class``, ``here`` (modules
            that are known), ``to_come``, ``next_days`` (modules of the strings until the last day),
            ``later_known`` (known modules planned for strings after it), ``later_to_come`` (modules
            these strings still need from what comes) and ``over``.
        waiting: frame of ``string``, ``drop_point``, ``day`` and the class planned: strings that
            rest on pallets to come.
        stock: what was planned with, drawn modules too.
        changes: what changes for the crews, as in ``Replanned``; None without an earlier plan.
        findings: what stands in the way.
        sentences: the same in plain words.
    """

    result: ParkPlan
    until: date
    next_strings: pl.DataFrame
    reserved: pl.DataFrame
    waiting: pl.DataFrame
    stock: pl.DataFrame
    changes: pl.DataFrame | None
    findings: tuple[Finding, ...]
    sentences: tuple[str, ...]


def _checked(site: Site, coming: pl.DataFrame) -> pl.DataFrame:
    missing = [name for name in COMING_COLUMNS if name not in coming.columns]
    if missing:
        raise CallError(
            "coming-columns-missing",
            f"The frame of what is to come lacks {', '.join(missing)}.",
            f"Give a frame with the columns {', '.join(COMING_COLUMNS)}.",
        )
    frame = coming.select(pl.col(name).cast(kind) for name, kind in COMING_COLUMNS.items())
    keys = {
        name: site.module_type_key(name) or name
        for name in frame["module_type"].drop_nulls().unique().to_list()
    }
    return frame.filter(pl.col("modules") > 0).with_columns(
        pl.col("module_type").replace(keys),
        pl.col("power_class_w").round(1),
        pl.col("current_class").fill_null("").str.strip_chars(),
    )


def _split(site: Site, row: dict[str, object], seen: pl.DataFrame) -> list[tuple[str, int]]:
    """Give current classes and modules of a line, by the shares seen where it names none."""
    modules, key = int(str(row["modules"])), str(row["module_type"])
    kind = site.module_types.get(key)
    if row["current_class"] or kind is None or not kind.current_classes:
        return [(str(row["current_class"]), modules)]
    of_power = seen.filter(
        (pl.col("module_type") == key) & (pl.col("power_class_w") == row["power_class_w"])
    )
    names = [one.name for one in kind.current_classes]
    share = np.array([of_power.filter(pl.col("current_class") == name).height for name in names])
    share = share / share.sum() if share.sum() else np.full(len(names), 1.0 / len(names))
    whole = np.floor(share * modules).astype(np.int64)
    rest = np.argsort(-(share * modules - whole), kind="stable")[: modules - int(whole.sum())]
    whole[rest] += 1
    return [(name, int(one)) for name, one in zip(names, whole.tolist(), strict=True) if one]


def _flash_of(
    site: Site, kind: tuple[str, float, str], seen: pl.DataFrame, rng: np.random.Generator
) -> list[np.ndarray[tuple[int, int], np.dtype[np.float64]]]:
    """Give pallets of flash values to draw from: those seen of the class, or of its data sheet."""
    of_kind = seen.filter(
        (pl.col("module_type") == kind[0])
        & (pl.col("power_class_w") == kind[1])
        & (pl.col("current_class") == kind[2])
    )
    if of_kind.height:
        return [
            group.select(_FLASH).to_numpy()
            for _, group in of_kind.group_by("pallet", maintain_order=True)
        ]
    module_type = site.module_types.get(kind[0])
    sheet = None if module_type is None else module_type.power_class(kind[1])
    if module_type is None or sheet is None:
        raise CallError(
            "coming-class-unknown",
            f"Modules of {kind[0]} {kind[1]:g} W are to come; the site describes no such class.",
            "Describe the type and its power classes, or correct the order.",
        )
    imp_a = sheet.imp_a
    for one in module_type.current_classes:
        if one.name == kind[2]:
            low, high = max(one.imp_min_a, 0.9 * imp_a), min(one.imp_max_a, 1.1 * imp_a)
            imp_a = min(max(imp_a, low), high)
    factor = 1.0 + _FLASH_SPREAD_RATIO * rng.normal(size=(20, 30))
    scale = imp_a / sheet.imp_a
    return [
        np.column_stack(
            [
                sheet.vmp_v * imp_a * row,
                np.full(len(row), sheet.voc_v),
                sheet.isc_a * scale * row,
                np.full(len(row), sheet.vmp_v),
                imp_a * row,
            ]
        )
        for row in factor
    ]


def draw_coming(
    site: Site, *, stock: pl.DataFrame, coming: pl.DataFrame, seed: int
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Draw the modules of pallets that are known by their order alone.

    A pallet to come is drawn from the pallets seen of its class: one of them at random, and its
    modules at random with replacement. Of a class nothing has come of yet, modules stand about the
    data sheet with a spread of 0.3 %. A line without current class is split over the type's current
    classes as those seen are.

    Args:
        site: the site.
        stock: what is known.
        coming: frame of ``COMING_COLUMNS``.
        seed: of the draw.

    Returns:
        rows of the stock's columns, and ``pallet`` and ``day`` of each pallet drawn.

    Raises:
        CallError: the frame lacks a column, or names a class the site does not describe.

    Source: assumption (what comes is like what came)
    """
    rng = np.random.default_rng(seed)
    seen = stock.filter(
        pl.all_horizontal(pl.col(name).is_not_null() for name in (*_CLASS, *_FLASH))
    ).with_columns(pl.col("power_class_w").round(1))
    keys = {
        name: site.module_type_key(name) or name for name in seen["module_type"].unique().to_list()
    }
    seen = seen.with_columns(pl.col("module_type").replace(keys))
    arrival = int(stock["arrival"].fill_null(0).to_numpy().max(initial=0))
    rows: list[dict[str, object]] = []
    days: list[tuple[str, date]] = []
    for line in _checked(site, coming).sort("day", *_CLASS).iter_rows(named=True):
        for current, modules in _split(site, line, seen):
            kind = (str(line["module_type"]), float(line["power_class_w"]), current)
            pallets = _flash_of(site, kind, seen, rng)
            size = int(np.median([len(one) for one in pallets]))
            left = modules
            while left > 0:
                arrival += 1
                name = f"{_PREFIX}{len(days) + 1}"
                source = pallets[int(rng.integers(len(pallets)))]
                taken = source[rng.integers(len(source), size=min(size, left))]
                days.append((name, line["day"]))
                left -= len(taken)
                rows += [
                    {
                        "serial": f"{name} / {at + 1}",
                        "pallet": name,
                        "arrival": arrival,
                        "stack_position": at + 1,
                        "module_type": kind[0],
                        "power_class_w": kind[1],
                        "current_class": kind[2],
                        **dict(zip(_FLASH, flash, strict=True)),
                    }
                    for at, flash in enumerate(taken.tolist())
                ]
    return (
        pl.DataFrame(rows, schema=STOCK_COLUMNS),
        pl.DataFrame(days, schema={"pallet": pl.String, "day": pl.Date}, orient="row"),
    )


def _reserved(stock: pl.DataFrame, drawn: pl.DataFrame, whole: pl.DataFrame) -> pl.DataFrame:
    """Count modules of each class: here, to come, planned when; ``whole`` has ``soon``."""
    everything = pl.concat(
        [
            stock.select("serial", *_CLASS).with_columns(known=pl.lit(value=True)),
            drawn.select("serial", *_CLASS).with_columns(known=pl.lit(value=False)),
        ]
    ).with_columns(pl.col("power_class_w").round(1), pl.col("current_class").fill_null(""))
    return (
        everything.join(whole.select("serial", "soon"), on="serial", how="left")
        .with_columns(
            planned=pl.col("soon").is_not_null(), soon=pl.col("soon").fill_null(value=False)
        )
        .group_by(_CLASS)
        .agg(
            here=pl.col("known").sum().cast(pl.Int64),
            to_come=(~pl.col("known")).sum().cast(pl.Int64),
            next_days=pl.col("soon").sum().cast(pl.Int64),
            later_known=(pl.col("planned") & ~pl.col("soon") & pl.col("known"))
            .sum()
            .cast(pl.Int64),
            later_to_come=(pl.col("planned") & ~pl.col("soon") & ~pl.col("known"))
            .sum()
            .cast(pl.Int64),
            over=(~pl.col("planned")).sum().cast(pl.Int64),
        )
        .sort(_CLASS)
    )


def _without_drawn(result: ParkPlan, waiting: pl.DataFrame) -> ParkPlan:
    """Take out of the plan's tables what rests on modules that were drawn."""
    plan = result.chosen.plan
    drawn = pl.col("pallet").str.starts_with(_PREFIX)
    kept = plan.assignments.join(waiting.select("string"), on="string", how="anti")
    reason = pl.format(
        "rests on pallets to come; its class is {}, built on {} at the earliest", "class", "day"
    )
    waits = waiting.select(
        "string", "mppt_input", "drop_point", modules="modules", reason=reason
    ).cast(plan.unplanned.schema)
    return replace(
        result,
        chosen=replace(
            result.chosen,
            plan=replace(
                plan,
                assignments=kept,
                strings_planned=plan.strings_planned - waiting.height,
                modules_planned=kept.height,
                leftovers=plan.leftovers.filter(~drawn),
                spares=plan.spares.filter(~drawn),
                unplanned=pl.concat([plan.unplanned, waits]),
            ),
        ),
    )


def plan_ahead(
    site: Site,
    *,
    stock: pl.DataFrame,
    days: StockDays,
    coming: pl.DataFrame,
    until: date,
    frozen: pl.DataFrame | None = None,
    before: PlanBefore | None = None,
    in_progress: Sequence[str] = (),
    reasons: pl.DataFrame | None = None,
    coefficients: Coefficients | None = None,
    mode: ParkMode = "auto",
    seed: int = 0,
    tell: Callable[[str, float], None] | None = None,
) -> AheadPlan:
    """Plan the coming days from what is known, keeping enough of each class for what remains.

    What is to come is known by its order: class, modules and day. Its modules are drawn from what
    came, so that classes of inputs are chosen for the whole park: an input gets a class only where
    yard and orders together leave the rest its classes. The pallets of the strings built until the
    last day are then chosen from those known, by what each is worth later; what is drawn is never
    used for them, and strings that rest on it are listed as waiting.

    Args:
        site: the site with building dates.
        stock: as ``allocate``: what is known by flash values, announced pallets too.
        days: as ``plan_park``.
        coming: frame of ``COMING_COLUMNS``: what is known by its order alone.
        until: last day to plan.
        frozen: as ``allocate``.
        before: as ``replan``; None to plan from scratch.
        in_progress: as ``replan``.
        reasons: as ``replan``.
        coefficients: as ``plan_park``.
        mode: as ``plan_park``.
        seed: of the draw and the search.
        tell: told what is done and how far it is, between 0 and 1.

    Raises:
        CallError: a frame lacks a column, or names a class the site does not describe.

    Source: common-practice (one power and one current class per string, inputs alike)
    """
    known = stock.select(list(STOCK_COLUMNS)).cast(dict(STOCK_COLUMNS))  # type: ignore[arg-type]
    keep = [name for name in ("usable", "verdict") if name in stock.columns]
    drawn, drawn_days = draw_coming(site, stock=known, coming=coming, seed=seed)
    # nothing drawn may be used in the days that are planned
    first = max(until, days.planning_day) + timedelta(days=1)
    frame = drawn_days.with_columns(
        day=pl.max_horizontal("day", pl.lit(first)), announced=pl.lit(value=True)
    )
    extra = drawn.with_columns(
        **{name: pl.lit(value=True) if name == "usable" else pl.lit("accept") for name in keep}
    )
    both = pl.concat([known.with_columns(stock.select(keep)) if keep else known, extra])
    all_days = stock_days(days.planning_day, pl.concat([days.pallets, frame]))
    anew: Replanned | None = None
    if before is not None:
        anew = replan(
            site,
            stock=both,
            days=all_days,
            before=before,
            frozen=frozen,
            in_progress=in_progress,
            reasons=reasons,
            coefficients=coefficients,
            mode=mode,
            expected=drawn_days["pallet"].to_list(),
            until=until,
            seed=seed,
            tell=tell,
        )
    result = (
        anew.result
        if anew is not None
        else plan_park(
            site,
            stock=both,
            days=all_days,
            frozen=frozen,
            coefficients=coefficients,
            mode=mode,
            expected=drawn_days["pallet"].to_list(),
            until=until,
            seed=seed,
            tell=tell,
        )
    )
    whole = result.chosen.plan.assignments.join(
        result.build.select("string", "day"), on="string", how="left"
    )
    rests = whole.filter(pl.col("pallet").str.starts_with(_PREFIX)).select("string").unique()
    soon = whole.filter(pl.col("day") <= until).join(rests, on="string", how="anti")
    waiting = _waiting(site, result, rests=rests, whole=whole, stock=both)
    held = AheadPlan(
        result=_without_drawn(result, waiting),
        until=until,
        next_strings=site.strings.select("string", "drop_point")
        .join(soon.select("string", "day").unique(), on="string", maintain_order="left")
        .select("string", "day", "drop_point"),
        reserved=_reserved(
            known,
            drawn,
            whole.with_columns(soon=pl.col("string").is_in(soon["string"].implode())),
        ),
        waiting=waiting.select("string", "drop_point", "day", "class"),
        stock=both,
        changes=None if anew is None else _told(anew.changes, waiting),
        findings=_findings(result),
        sentences=(),
    )
    return replace(held, sentences=_sentences(held, drawn_days.height))


def _told(changes: pl.DataFrame, waiting: pl.DataFrame) -> pl.DataFrame:
    """Say of strings that rest on pallets to come that they get nothing yet."""
    waits = pl.col("string").is_in(waiting["string"].implode())
    return changes.filter(~waits | (pl.col("was") != "")).with_columns(
        now=pl.when(waits).then(pl.lit("")).otherwise("now"),
        why=pl.when(waits).then(pl.lit("rests on pallets to come")).otherwise("why"),
    )


def _waiting(
    site: Site,
    result: ParkPlan,
    *,
    rests: pl.DataFrame,
    whole: pl.DataFrame,
    stock: pl.DataFrame,
) -> pl.DataFrame:
    """List strings that rest on pallets to come, in building order."""
    words = pl.format(
        "{} {} W {}",
        "module_type",
        pl.col("power_class_w").cast(pl.String).str.strip_suffix(".0"),
        pl.col("current_class"),
    ).str.strip_chars()
    kind = (
        whole.join(stock.select("serial", *_CLASS), on="serial", how="left", maintain_order="left")
        .unique("string", keep="first", maintain_order=True)
        .select("string", words.alias("class"))
    )
    return (
        site.strings.select("string", "mppt_input", "drop_point", "modules")
        .join(rests, on="string", how="semi", maintain_order="left")
        .join(result.build.select("string", "day"), on="string", how="left", maintain_order="left")
        .join(kind, on="string", how="left", maintain_order="left")
    )


def _findings(result: ParkPlan) -> tuple[Finding, ...]:
    """Tell what is short when all that is ordered has come."""
    short = result.chosen.plan.unplanned
    if short.is_empty():
        return ()
    modules = int(short["modules"].sum())
    return (
        Finding(
            check="allocation-order-short",
            subject_kind="site",
            subject="orders",
            verdict=Verdict.REVIEW,
            message=f"With all that is ordered, {short.height} strings still get no modules; they "
            f"need {modules}.",
            remedy="Order what is missing, in the classes named beside these strings.",
            value=float(modules),
            unit="modules",
            basis="common-practice",
        ),
    )


def _sentences(held: AheadPlan, drawn: int) -> tuple[str, ...]:
    out = [f"{held.next_strings.height} strings are planned until {held.until} from the yard."]
    kept = held.reserved
    later = f"{kept['later_known'].sum()} are kept for later strings"
    ordered = (
        f"{later}, which need {kept['later_to_come'].sum()} of the {kept['to_come'].sum()} to come"
        if kept["to_come"].sum()
        else f"{later}; nothing ordered is still to come"
    )
    out.append(
        f"Of {kept['here'].sum()} modules known they take {kept['next_days'].sum()}; {ordered}."
    )
    if held.waiting.height:
        first = held.waiting.row(0, named=True)
        out.append(
            f"{held.waiting.height} strings rest on pallets to come; the first is "
            f"{first['string']} ({first['class']}), on {first['day']} at the earliest."
        )
    if held.changes is not None:
        count = held.changes.height
        out.append(f"The picking of {count} strings is another than the crews have in hand.")
    if drawn:
        out.append(
            f"What is said of the whole park reckons with {drawn} pallets that are known by their "
            "order alone, drawn from what came."
        )
    return tuple(out)
