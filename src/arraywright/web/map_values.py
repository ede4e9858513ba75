"""What the map shows of every string and module: stage, class, verdict, deviations, days."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.web.map_state import MapState

__all__ = ["COLOURINGS", "Category", "Colouring", "colouring"]

_Codes = npt.NDArray[np.uint8]

_MOST: Final = 250
_LOSS_EDGES: Final = (
    *(0.0001, 0.0002, 0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05),
    *(0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0),
)
"""Edges of the classes of a loss [%]; five of them are used, up to the greatest loss."""
_LOSS_CLASSES: Final = 6
_DEVIATION_PARTS: Final = (-1.0, -0.6, -0.2, 0.2, 0.6, 1.0)
"""Edges of the classes of a deviation, in parts of what the site tolerates."""
_DAY_STEPS: Final = (1, 2, 4, 7, 14, 28, 56, 91, 182, 364)
_DAY_CLASSES: Final = 7


@dataclass(frozen=True, slots=True, kw_only=True)
class Category:
    """A line of the legend.

    Attributes:
        key: key of its words in the catalogue.
        name: text of its own, for example a class; empty when ``key`` says all.
        low: least value of it; None when open.
        high: value it ends before; None when open.
        colour: name of the colour.
        pattern: name of the pattern.
        sign: name of the sign that is set on strings of it at any scale; empty for none.
        rank: the greater, the further on top.
        strings: strings of it.
        modules: modules of it.
    """

    key: str
    name: str = ""
    low: float | None = None
    high: float | None = None
    colour: str
    pattern: str = "plain"
    sign: str = ""
    rank: int = 0
    strings: int = 0
    modules: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Colouring:
    """One way to colour the map.

    Attributes:
        name: key of it.
        unit: of the values: ``%``, ``day`` (days since 1970-01-01) or empty when there are none.
        categories: the legend.
        strings: row of ``categories`` of every string, (strings,).
        modules: row of ``categories`` of every module where modules of a string differ, else None.
        values: value of every string, nan where there is none, (strings,); None for words alone.
    """

    name: str
    unit: str
    categories: tuple[Category, ...]
    strings: _Codes
    modules: _Codes | None = None
    values: npt.NDArray[np.float32] | None = None


def _counted(
    state: MapState,
    categories: list[Category],
    strings: npt.NDArray[np.integer],
    modules: npt.NDArray[np.integer] | None,
) -> tuple[Category, ...]:
    of_strings = np.bincount(strings, minlength=len(categories))
    if modules is None:
        of_modules = np.bincount(strings, weights=state.string_modules, minlength=len(categories))
    else:
        of_modules = np.bincount(modules, minlength=len(categories)).astype(np.float64)
    return tuple(
        Category(
            key=held.key,
            name=held.name,
            low=held.low,
            high=held.high,
            colour=held.colour,
            pattern=held.pattern,
            sign=held.sign,
            rank=held.rank,
            strings=int(of_strings[row]),
            modules=int(of_modules[row]),
        )
        for row, held in enumerate(categories)
    )


def _codes(held: npt.NDArray[np.integer]) -> _Codes:
    return held.astype(np.uint8)


def _stage(state: MapState) -> Colouring:
    categories = [
        Category(key="stage_open", colour="none", pattern="hollow"),
        Category(key="stage_planned", colour="sky", pattern="dots", rank=1),
        Category(key="stage_begun", colour="yellow", pattern="rising", rank=2),
        Category(key="stage_built", colour="orange", pattern="level", rank=3),
        Category(key="stage_tested", colour="purple", pattern="cross", rank=4),
        Category(key="stage_passed", colour="green", rank=5),
    ]
    planned = state.count_of_strings(state.planned) > 0
    built = state.count_of_strings(state.built)
    strings = np.select(
        [state.passed, state.tested, built >= state.string_modules, built > 0, planned],
        [5, 4, 3, 2, 1],
        0,
    )
    later = np.where(strings >= 4, strings, 0)[state.module_string]
    modules = np.select([later > 0, state.built, state.planned], [later, 3, 1], 0)
    return Colouring(
        name="stage",
        unit="",
        categories=_counted(state, categories, strings, modules),
        strings=_codes(strings),
        modules=_codes(modules),
    )


def _class(state: MapState) -> Colouring:
    colours = ("blue", "orange", "green", "purple", "sky", "vermilion", "yellow", "ink")
    patterns = ("plain", "rising", "dots", "level", "cross", "falling", "upright")
    named = state.classes[: _MOST - 3]
    categories = [
        Category(key="class_none", colour="none", pattern="hollow"),
        Category(key="class_mixed", colour="ink", pattern="cross", sign="triangle", rank=2),
        Category(key="class_unknown", colour="none", pattern="dots", rank=1),
        *(
            Category(
                key="class_named",
                name=name,
                colour=colours[row % len(colours)],
                pattern=patterns[(row // len(colours) + row) % len(patterns)],
                rank=1,
            )
            for row, name in enumerate(named)
        ),
    ]
    codes = state.module_class.astype(np.int64)
    modules = np.where(codes < 0, np.where(state.planned | state.built, 2, 0), codes + 3)
    modules = np.where(modules >= len(categories), 2, modules)
    held = pl.DataFrame({"string": state.module_string, "code": modules}).filter(pl.col("code") > 0)
    ends = held.group_by("string").agg(least=pl.col("code").min(), most=pl.col("code").max())
    strings = np.zeros(len(state.string_modules), dtype=np.int64)
    least, most = ends["least"].to_numpy(), ends["most"].to_numpy()
    strings[ends["string"].to_numpy()] = np.where(least == most, least, 1)
    return Colouring(
        name="class",
        unit="",
        categories=_counted(state, categories, strings, modules),
        strings=_codes(strings),
        modules=_codes(modules),
    )


def _verdict(state: MapState) -> Colouring:
    categories = [
        Category(key="verdict_unread", colour="none", pattern="hollow"),
        Category(key="verdict_pass", colour="green", rank=1),
        Category(
            key="verdict_not_assessable", colour="sky", pattern="dots", sign="diamond", rank=2
        ),
        Category(key="verdict_review", colour="orange", pattern="rising", sign="triangle", rank=3),
        Category(key="verdict_fail", colour="vermilion", pattern="cross", sign="cross", rank=4),
    ]
    order = ("", "pass", "not_assessable", "review", "fail")
    strings = np.zeros(len(state.verdicts), dtype=np.int64)
    for code, word in enumerate(order[1:], start=1):
        strings[state.verdicts == word] = code
    strings[(strings == 2) & ~state.tested] = 0
    return Colouring(
        name="verdict",
        unit="",
        categories=_counted(state, categories, strings, None),
        strings=_codes(strings),
    )


def _binned(
    state: MapState,
    name: str,
    values: FloatArray,
    *,
    edges: tuple[float, ...],
    looks: list[Category],
    nothing: str,
    unit: str,
    ends: tuple[float | None, float | None] = (None, None),
    modules: FloatArray | None = None,
) -> Colouring:
    """Sort values into classes between edges; the first line of the legend is for no value."""
    lows, highs = (ends[0], *edges), (*edges, ends[1])
    categories = [Category(key=nothing, colour="none", pattern="hollow")] + [
        Category(
            key=look.key,
            low=low,
            high=high,
            colour=look.colour,
            pattern=look.pattern,
            sign=look.sign,
            rank=look.rank,
        )
        for look, low, high in zip(looks, lows, highs, strict=True)
    ]

    def sorted_in(held: FloatArray) -> IntArray:
        codes: IntArray = np.where(np.isfinite(held), np.digitize(held, edges) + 1, 0).astype(
            np.int64
        )
        return codes

    strings = sorted_in(values)
    inner = None if modules is None else sorted_in(modules)
    return Colouring(
        name=name,
        unit=unit,
        categories=_counted(state, categories, strings, inner),
        strings=_codes(strings),
        modules=None if inner is None else _codes(inner),
        values=values.astype(np.float32),
    )


def _deviation(name: str) -> Callable[[MapState], Colouring]:
    def of(state: MapState) -> Colouring:
        tolerance = 100.0 * state.tolerance_ratio
        signs = ("down", "", "", "", "", "", "up")
        patterns = ("cross", "falling", "level", "plain", "level", "rising", "cross")
        return _binned(
            state,
            name,
            100.0 * state.deviations[name],
            edges=tuple(round(part * tolerance, 6) for part in _DEVIATION_PARTS),
            looks=[
                Category(
                    key="range",
                    colour=f"step-{row}",
                    pattern=patterns[row],
                    sign=signs[row],
                    rank=1 + abs(row - 3),
                )
                for row in range(7)
            ],
            nothing="deviation_none",
            unit="%",
        )

    return of


def _mismatch(state: MapState) -> Colouring:
    patterns = ("plain", "dots", "level", "rising", "falling", "cross")
    loss = 100.0 * state.mismatch_ratio
    most = float(np.nanmax(loss)) if np.isfinite(loss).any() else 0.0
    below = sum(edge < most for edge in _LOSS_EDGES)
    last = max(below, _LOSS_CLASSES - 1)
    return _binned(
        state,
        "mismatch",
        loss,
        edges=_LOSS_EDGES[last - _LOSS_CLASSES + 1 : last],
        looks=[
            Category(key="range", colour=f"ramp-{row}", pattern=patterns[row], rank=1 + row)
            for row in range(_LOSS_CLASSES)
        ],
        nothing="mismatch_none",
        unit="%",
    )


def _day_edges(days: FloatArray) -> tuple[float, ...]:
    """Give where classes of days begin and the last ends: few of them, all equally long."""
    known = days[np.isfinite(days)]
    if not len(known):
        return (0.0, 1.0)
    first, last = int(known.min()), int(known.max())
    fitting = (step for step in _DAY_STEPS if (last - first) // step < _DAY_CLASSES - 1)
    step = next(fitting, (last - first) // (_DAY_CLASSES - 1) + 1)
    if step % 7 == 0:
        first -= (date(1970, 1, 1) + timedelta(days=first)).weekday()
    return tuple(float(day) for day in range(first, last + 1 + step, step))


def _days(name: str) -> Callable[[MapState], Colouring]:
    def of(state: MapState) -> Colouring:
        days = state.days[name]
        inner = state.module_days.get(name)
        edges = _day_edges(days if inner is None else np.concatenate([days, inner]))
        patterns = ("plain", "dots", "level", "rising", "falling", "upright", "cross")
        return _binned(
            state,
            name,
            days,
            edges=edges[1:-1],
            ends=(edges[0], edges[-1]),
            looks=[
                Category(key="range", colour=f"ramp-{row}", pattern=patterns[row], rank=1)
                for row in range(len(edges) - 1)
            ],
            nothing=f"{name}_none",
            unit="day",
            modules=inner,
        )

    return of


COLOURINGS: Final[Mapping[str, Callable[[MapState], Colouring]]] = {
    "stage": _stage,
    "class": _class,
    "verdict": _verdict,
    "voc": _deviation("voc"),
    "isc": _deviation("isc"),
    "mismatch": _mismatch,
    "planned_on": _days("planned_on"),
    "built_on": _days("built_on"),
    "tested_on": _days("tested_on"),
}
"""All ways to colour the map, by key."""


def colouring(state: MapState, name: str) -> Colouring:
    """Colour the map.

    Raises:
        KeyError: there is no such way.
    """
    return COLOURINGS[name](state)


def changed_strings(before: Colouring, now: Colouring) -> BoolArray | None:
    """Say which strings changed; None when the legend did and all have to be sent."""
    same = [_look(one) for one in before.categories] == [_look(one) for one in now.categories]
    if not same or len(before.strings) != len(now.strings):
        return None
    changed: BoolArray = before.strings != now.strings
    if before.values is not None and now.values is not None:
        changed |= ~(
            (before.values == now.values) | (np.isnan(before.values) & np.isnan(now.values))
        )
    return changed


def _look(held: Category) -> tuple[object, ...]:
    return held.key, held.name, held.low, held.high
