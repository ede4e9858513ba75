"""Why a string gets these pallets, and what others in their place would cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Final

import numpy as np
import polars as pl

from arraywright.allocation.build_dates import day_of
from arraywright.allocation.modes import SINGLE, WHOLE
from arraywright.allocation.park_result import ClassResult, ParkPlan
from arraywright.allocation.park_ways import WAY_WORDS
from arraywright.allocation.sequence_layout import loss_of_modules
from arraywright.allocation.stock import ModuleClass
from arraywright.allocation.tally import LossTally
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError

__all__ = ["Exchange", "Explanation", "PalletShare", "explain_string"]

_TRIED_MOST: Final = 3000
_SHOWN: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PalletShare:
    """What a string gets from one pallet.

    Attributes:
        pallet: the pallet.
        arrived: day from which it may be used.
        modules: modules the string gets from it.
        mean_imp_a: mean flashed current of these modules [A].
        pallet_mean_imp_a: mean flashed current of the whole pallet [A].
        opened_as: 1 for the pallet of its class that is opened first.
    """

    pallet: str
    arrived: date
    modules: int
    mean_imp_a: float
    pallet_mean_imp_a: float
    opened_as: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """One pallet of the string exchanged for another, modules place by place.

    Attributes:
        pallet: pallet given up.
        other: pallet put in its place.
        other_string: first string the other is planned for, empty when it is left over.
        loss_w: mismatch loss more than planned, second order; negative where it were less [W].
        money: what that is worth over the life counted, handling left out.
    """

    pallet: str
    other: str
    other_string: str
    loss_w: float
    money: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """Why a string gets what it gets.

    Attributes:
        string: the string.
        kind: its class.
        drop_point: where its pallets are set down.
        day: day on which it is built, None without dates.
        way: how its drop point is filled, in words.
        pallets: what it gets, in the order of its places.
        here_then: pallets of the class that are here on that day and not opened before it.
        here_mean_imp_a: least and greatest mean current of these pallets [A]; None when none is.
        loss_w: mismatch loss within the string, second order [W].
        arrival_loss_w: the same in order of arrival [W].
        exchanges: the cheapest exchanges of each of its pallets, the cheapest first.
        tried: exchanges that were reckoned.
        sentences: the same in plain words.
    """

    string: str
    kind: ModuleClass
    drop_point: str
    day: date | None
    way: str
    pallets: tuple[PalletShare, ...]
    here_then: int
    here_mean_imp_a: tuple[float, float] | None
    loss_w: float
    arrival_loss_w: float
    exchanges: tuple[Exchange, ...]
    tried: int
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Class:
    """The class of a string, with names and currents of its modules.

    Attributes:
        held: the class as planned.
        target: number of the string in the class.
        names: open strings of the class.
        imp_a: flashed current of each module [A].
        pallets: pallet of each unit.
        unit: unit of each module.
        mean_imp_a: mean current of each unit [A].
        opened: units in the order in which they are opened.
    """

    held: ClassResult
    target: int
    names: list[str]
    imp_a: FloatArray
    pallets: list[str]
    unit: IntArray
    mean_imp_a: FloatArray
    opened: IntArray


def _class_of(result: ParkPlan, string: str, stock: pl.DataFrame) -> _Class:
    names = result.build["string"].to_list()
    if string not in names:
        known = set(result.drop_points["string"].to_list())
        if string not in known:
            raise CallError(
                "explain-string-unknown",
                f"The site has no string {string!r}.",
                "Give the name of a string as the table of strings has it.",
            )
        raise CallError(
            "explain-string-unplanned",
            f"String {string} gets no modules in this plan, or is built already.",
            "See the list of strings that are not planned, and the as-built lists.",
        )
    of_string = np.concatenate([held.own.strings for held in result.classes])
    number = int(np.sort(of_string)[names.index(string)])
    held = next(one for one in result.classes if number in one.own.strings)
    problem, first = held.own.problem, held.own.first_module
    modules = pl.DataFrame({"serial": result.serials.slice(first, len(problem.x))}).join(
        stock.select("serial", "pallet", "imp_a").unique("serial", keep="first"),
        on="serial",
        how="left",
        maintain_order="left",
    )
    order = {int(one): at for at, one in enumerate(np.sort(of_string).tolist())}
    unit = np.repeat(np.arange(len(problem.unit_sizes)), problem.unit_sizes)
    imp_a = modules["imp_a"].to_numpy().astype(np.float64)
    opened_at = unit[held.chosen.places.module]
    _, index = np.unique(opened_at, return_index=True)
    return _Class(
        held=held,
        target=int(np.searchsorted(held.own.strings, number)),
        names=[names[order[int(one)]] for one in held.own.strings.tolist()],
        imp_a=imp_a,
        pallets=modules["pallet"].gather(problem.unit_offsets[:-1]).to_list(),
        unit=unit.astype(np.int64),
        mean_imp_a=np.bincount(unit, weights=imp_a) / problem.unit_sizes,
        opened=opened_at[np.sort(index)].astype(np.int64),
    )


def _shares(own: _Class) -> tuple[PalletShare, ...]:
    places = own.held.chosen.places
    module = places.module[places.string == own.target]
    unit = own.unit[module]
    _, index = np.unique(unit, return_index=True)
    rank = {int(one): at + 1 for at, one in enumerate(own.opened.tolist())}
    day = own.held.own.problem.unit_day
    return tuple(
        PalletShare(
            pallet=own.pallets[one],
            arrived=day_of(int(day[one])),
            modules=int(np.sum(unit == one)),
            mean_imp_a=float(own.imp_a[module[unit == one]].mean()),
            pallet_mean_imp_a=float(own.mean_imp_a[one]),
            opened_as=rank[int(one)],
        )
        for one in unit[np.sort(index)].tolist()
    )


def _here_then(own: _Class) -> BoolArray:
    """Tell which units are here on the string's day and not opened for a string before it."""
    problem, places = own.held.own.problem, own.held.chosen.places
    here = problem.unit_day <= problem.string_day[own.target]
    here[own.unit[places.module[places.string < own.target]]] = False
    return np.asarray(here, dtype=np.bool_)


def _exchanges(own: _Class, value_per_w: float) -> tuple[tuple[Exchange, ...], int]:
    """Exchange each pallet of the string for each other that may stand in its place."""
    problem, places = own.held.own.problem, own.held.chosen.places
    tally = LossTally(problem, string=places.string, module=places.module)
    by_unit = np.argsort(own.unit[places.module], kind="stable")
    begin = np.searchsorted(own.unit[places.module][by_unit], np.arange(len(own.pallets) + 1))
    at = [by_unit[begin[u] : begin[u + 1]] for u in range(len(own.pallets))]
    first = np.array(
        [int(problem.string_day[places.string[one[0]]]) if len(one) else 2**31 for one in at]
    )
    found: list[Exchange] = []
    tried = 0
    module = places.module[places.string == own.target]
    for u in np.unique(own.unit[module]).tolist():
        rows: list[tuple[float, int]] = []
        able = np.flatnonzero((problem.unit_day <= first[u]) & (first >= problem.unit_day[u]))
        near = able[np.argsort(np.abs(able - u), kind="stable")][:_TRIED_MOST]
        for v in near.tolist():
            other = at[v]
            if v == u or (len(other) and len(other) != len(at[u])):
                continue
            top = problem.unit_offsets[v] + np.arange(len(at[u]))
            if len(other):
                both = np.concatenate([at[u], other])
                swapped = np.concatenate([places.module[other], places.module[at[u]]])
                rows.append((tally.change_w(both, swapped), v))
            elif problem.unit_sizes[v] >= len(at[u]):
                rows.append((tally.change_w(at[u], top), v))
        tried += len(rows)
        found += [
            Exchange(
                pallet=own.pallets[u],
                other=own.pallets[v],
                other_string=own.names[int(places.string[at[v][0]])] if len(at[v]) else "",
                loss_w=loss_w,
                money=loss_w * value_per_w,
            )
            for loss_w, v in sorted(rows)[:_SHOWN]
        ]
    return tuple(sorted(found, key=lambda one: (one.loss_w, one.pallet, one.other))), tried


def _way_words(own: _Class) -> str:
    way = own.held.chosen
    if way.key != "mixed":
        return WAY_WORDS[way.key]
    how = int(way.section_way[own.held.own.problem.string_section[own.target]])
    if how == WHOLE:
        return WAY_WORDS["whole"]
    return "single modules sorted" if how == SINGLE else f"up to {how} piles of each pallet"


def _sentences(held: Explanation, *, currency: str, dated: bool) -> tuple[str, ...]:
    when = f" on {held.day}" if held.day is not None else ""
    parts = [
        f"{share.modules} from pallet {share.pallet}"
        + (f" (here since {share.arrived}" if dated else " (")
        + ("; " if dated else "")
        + f"mean {share.mean_imp_a:.3f} A, number {share.opened_as} of its class to be opened)"
        for share in held.pallets
    ]
    filled = f"String {held.string} ({held.kind}) is filled{when} at {held.drop_point}, {held.way}"
    out = [f"{filled}: {', '.join(parts)}."]
    if held.here_mean_imp_a is not None:
        low, high = held.here_mean_imp_a
        out.append(
            f"{held.here_then} pallets of the class are here then and not opened before, with mean "
            f"currents from {low:.3f} to {high:.3f} A."
        )
    gain_w = held.arrival_loss_w - held.loss_w
    out.append(
        f"Mismatch within the string is {held.loss_w:.2f} W; in order of arrival it were "
        f"{held.arrival_loss_w:.2f} W, {abs(gain_w):.2f} W {'more' if gain_w >= 0 else 'less'}."
    )
    if not held.exchanges:
        out.append("No other pallet of the class could stand in place of one of these.")
    for one in held.exchanges[:_SHOWN]:
        goes = f"planned for {one.other_string}" if one.other_string else "left over"
        out.append(
            f"Pallet {one.other} ({goes}) in place of {one.pallet} would lose "
            f"{abs(one.loss_w):.2f} W {'more' if one.loss_w >= 0 else 'less'}, "
            f"{abs(one.money):.2f} {currency} over the life counted."
        )
    if any(one.loss_w < 0 for one in held.exchanges):
        out.append(
            "An exchange that loses less is left because of handling, or because the search ended "
            "before it."
        )
    return tuple(out)


def explain_string(result: ParkPlan, string: str, *, stock: pl.DataFrame) -> Explanation:
    """Explain why a string gets its pallets, and what others in their place would cost [W].

    Every pallet of the string is exchanged, place by place, for every other of its class that is
    here in time: one planned with as many modules, both then being in time, or one left over that
    holds enough. With more than 3000 those nearest in arrival are tried. Handling is left out:
    an exchange of whole pallets opens as many. Where modules are sorted at the drop point, the
    exchange is reckoned without sorting anew, so that it seems dearer than it would be.

    Args:
        result: the plan.
        string: the string.
        stock: the stock that was planned with.

    Raises:
        CallError: there is no such string, or it gets no modules in this plan.

    Source: bucciarelli-1979 (second order in the modules' differences)
    """
    own = _class_of(result, string, stock)
    problem = own.held.own.problem
    here = own.mean_imp_a[_here_then(own)]
    ways = (own.held.chosen, own.held.arrival)
    loss_w, arrival_loss_w = (
        float(
            loss_of_modules(problem, string=way.places.string, module=way.places.module).series_w[
                own.target
            ]
        )
        for way in ways
    )
    exchanges, tried = _exchanges(own, result.coefficients.value_per_w)
    row = result.build.row(by_predicate=pl.col("string") == string, named=True)
    dated = result.days.described
    held = Explanation(
        string=string,
        kind=own.held.own.kind,
        drop_point=result.drop_points.row(by_predicate=pl.col("string") == string, named=True)[
            "drop_point"
        ],
        day=row["day"] if dated else None,
        way=_way_words(own),
        pallets=_shares(own),
        here_then=len(here),
        here_mean_imp_a=(float(here.min()), float(here.max())) if len(here) else None,
        loss_w=loss_w,
        arrival_loss_w=arrival_loss_w,
        exchanges=exchanges,
        tried=tried,
        sentences=(),
    )
    return _with_words(held, currency=result.coefficients.currency, dated=dated)


def _with_words(held: Explanation, *, currency: str, dated: bool) -> Explanation:
    return replace(held, sentences=_sentences(held, currency=currency, dated=dated))
