"""Working out what a varied quantity does: the whole site at some values, checks in between."""

from __future__ import annotations

import heapq
import itertools
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, TypeAlias

import numpy as np

from arraywright.arrays import BoolArray, FloatArray
from arraywright.design import DesignCheck, evaluate_check
from arraywright.dossier.plots import SweepLine
from arraywright.errors import ArraywrightError, CallError
from arraywright.findings import Verdict
from arraywright.procedures.design_cases import DesignCase, design_cases
from arraywright.procedures.remember import Remembered
from arraywright.procedures.what_if import SAME_RATIO, Sweep, Varied
from arraywright.readers.site import read_site

__all__ = ["vary"]

_WHOLE_ALL: Final = 64
"""As many different whole numbers are all worked out in full."""
_MODULES_WORKED: Final = 40_000_000
_WORKED: Final = (17, 129)
"""Least and most values worked out in full; so many that they have that many modules together."""
_WORKED_FOR_JUMPS: Final = 32
"""As many more may be worked out to find where checks come, go or are refused."""
_WORKED_WITH_WEATHER: Final = 41
"""Most values when a year of weather may have to be gone through for each."""
_FIRST: Final = (0.0, 0.31, 0.67, 1.0)
_INSIDE: Final = 0.382
"""Where a stretch is parted, the golden section."""
_BLOCK: Final = re.compile(r"layout\.block\.(\d+)\.([a-z_]+)")
_NAMED: Final = 20

_LineKey: TypeAlias = tuple[str, str]
_Cases: TypeAlias = tuple[DesignCase, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Point:
    """The whole site worked out at one value."""

    cases: Mapping[_LineKey, _Cases] = field(default_factory=dict)
    refusal: str = ""
    cable_m: float | None = None
    energy_kwh: float | None = None
    modules: int = 0
    with_weather: bool = False
    blocks: tuple[str, ...] = ()


def vary(
    folder: Path,
    sweep: Sweep,
    *,
    settings: Mapping[str, object],
    remembered: Remembered | None = None,
) -> Varied:
    """Work out every check that rests on a quantity at all of its values.

    The site is read and worked out as a whole at some values: at all of them when they are few
    whole numbers, else at more and more where the checks in between are not what straight lines
    of their inputs give. Between them every check is worked out for all values at once: inputs
    that are the quantity itself have its values, inputs that follow from it are taken as straight
    lines.

    Args:
        folder: the site folder.
        sweep: the quantity and its values.
        settings: values that stand in place of the description's, by dotted key.
        remembered: results of the same weather for other numbers of the site.

    Raises:
        CallError: there is no such key, the description refuses every value, or no check rests on
            the quantity.
    """
    remembered = remembered or Remembered()

    def at(value: float) -> _Point:
        number = int(value) if sweep.whole else float(value)
        return _point(folder, {**settings, sweep.key: number}, remembered)

    work = _Work(sweep=sweep, at=at, described=lambda: _point(folder, settings, remembered))
    work.run()
    return work.result()


def _point(folder: Path, settings: Mapping[str, object], remembered: Remembered) -> _Point:
    try:
        reading = read_site(folder, settings=settings)
    except ArraywrightError as error:
        if error.code == "setting-unknown":
            raise CallError("sweep-key-unknown", error.message, error.remedy) from error
        raise
    site = reading.site
    if site is None:
        wrong = [one for one in reading.findings if one.verdict is Verdict.FAIL]
        return _Point(refusal=wrong[0].message)
    found = design_cases(site, folder=folder, remembered=remembered)
    cases: dict[_LineKey, list[DesignCase]] = {}
    for case in found.each:
        for place in case.places:
            cases.setdefault((case.check.key, place), []).append(case)
    return _Point(
        cases={key: tuple(held) for key, held in cases.items()},
        cable_m=None if found.runs is None else float(found.runs.runs["length_m"].sum()),
        energy_kwh=None if found.year is None else found.year.energy_kwh,
        modules=site.positions.height,
        with_weather=bool(site.design.weather_files),
        blocks=tuple(f"block {block.name}" for block in site.design.blocks),
    )


def _margin_ratio(check: DesignCheck, values: Mapping[str, FloatArray]) -> FloatArray:
    """Give margin over limit, NaN where an input is not known or nothing finite comes of it."""
    known = ~np.isnan(np.stack(list(values.values()))).any(axis=0)
    ratio = np.full(known.shape, np.nan)
    if known.any():
        with np.errstate(all="ignore"):
            outcome = evaluate_check(check, {name: held[known] for name, held in values.items()})
            ratio[known] = outcome.margin / np.maximum(np.abs(outcome.limit), 1e-12)
    ratio[~np.isfinite(ratio)] = np.nan
    return ratio


def _number(value: float | None) -> float:
    return np.nan if value is None else value


def _worst(cases: _Cases) -> float:
    """Give the margin over limit of the power class that is worst."""
    return min(
        (
            float(
                _margin_ratio(
                    case.check,
                    {
                        one.name: np.array([_number(case.values[one.name])])
                        for one in case.check.inputs
                    },
                )[0]
            )
            for case in cases
        ),
        key=lambda ratio: -np.inf if np.isnan(ratio) else ratio,
    )


def _deviation(predicted: float, found: float) -> float:
    if np.isnan(predicted) or np.isnan(found):
        return 0.0 if np.isnan(predicted) and np.isnan(found) else np.inf
    return abs(predicted - found) / max(1.0, abs(found))


class _Work:
    """The sweep while it is worked out: whole sites at some values, checks in between."""

    def __init__(
        self,
        *,
        sweep: Sweep,
        at: Callable[[float], _Point],
        described: Callable[[], _Point],
    ) -> None:
        self.sweep = sweep
        self.values = sweep.values
        self.at = at
        self.described = described
        self.points: dict[int, _Point] = {}
        self.ratios: dict[tuple[int, _LineKey], float] = {}
        # Stretches that are not straight: how far off in their middle, worst first.
        self.off: list[tuple[float, int, int]] = []

    def run(self) -> None:
        """Work the site out at as many values as are needed, or as may be."""
        count = len(self.values)
        if self.sweep.whole and count <= _WHOLE_ALL:
            for index in range(count):
                self._work_out(index)
            return
        first = sorted({round(part * (count - 1)) for part in _FIRST})
        for index in first:
            self._work_out(index)
        modules = max(*(point.modules for point in self.points.values()), 1)
        most = min(max(_MODULES_WORKED // modules, _WORKED[0]), _WORKED[1])
        if any(point.with_weather for point in self.points.values()):
            most = min(most, _WORKED_WITH_WEATHER)
        for a, b in itertools.pairwise(first):
            self._split(a, b)
        while self.off:
            off, a, b = self.off[0]
            if len(self.points) >= most + (_WORKED_FOR_JUMPS if off == -np.inf else 0):
                break
            heapq.heappop(self.off)
            self._split(a, b)

    def _split(self, a: int, b: int) -> None:
        """Work a stretch out inside, and keep its parts when straight lines are no good."""
        if b - a < 2:
            return
        # Not in the middle: steps of equal size, as of lengths rounded up, would be missed there.
        middle = min(max(a + round(_INSIDE * (b - a)), a + 1), b - 1)
        self._work_out(middle)
        off = max(
            (self._off_at(key, a, middle, b) for key in self._keys((a, middle, b))), default=0.0
        )
        for left, right in ((a, middle), (middle, b)):
            jumps = any(self._jumps(key, left, right) for key in self._keys((left, right)))
            half = np.inf if jumps else off
            if half > SAME_RATIO and right - left > 1:
                heapq.heappush(self.off, (-half, left, right))

    def _work_out(self, index: int) -> None:
        if index not in self.points:
            self.points[index] = self.at(float(self.values[index]))

    def _keys(self, indexes: Iterable[int]) -> list[_LineKey]:
        return list(dict.fromkeys(key for at in indexes for key in self.points[at].cases))

    def _ratio(self, index: int, key: _LineKey) -> float:
        if (index, key) not in self.ratios:
            cases = self.points[index].cases.get(key)
            self.ratios[index, key] = np.nan if cases is None else _worst(cases)
        return self.ratios[index, key]

    def _off_at(self, key: _LineKey, a: int, middle: int, b: int) -> float:
        if not self._moves(key, (a, middle, b)):
            return 0.0
        predicted = self._between(key, a, b, self.values[middle : middle + 1])
        return _deviation(float(predicted[0]), self._ratio(middle, key))

    def _jumps(self, key: _LineKey, a: int, b: int) -> bool:
        """Tell whether a check can be worked out at one end of a stretch alone."""
        return self._moves(key, (a, b)) and (
            np.isnan(self._ratio(a, key)) != np.isnan(self._ratio(b, key))
        )

    def _moves(self, key: _LineKey, indexes: Sequence[int]) -> bool:
        """Tell whether a check comes or goes, or rests on a number that is not the same."""
        held = [self.points[at].cases.get(key) for at in indexes]
        there = [cases for cases in held if cases is not None]
        if len(there) < len(held):
            return bool(there)
        first = [case.values for case in there[0]]
        return any(
            [case.values for case in cases] != first
            or any(self.sweep.key in case.keys.values() for case in cases)
            for cases in there
        )

    def _between(self, key: _LineKey, a: int, b: int, at: FloatArray) -> FloatArray:
        """Give margin over limit at values between two points."""
        left, right = self.points[a].cases.get(key), self.points[b].cases.get(key)
        if left is None or right is None or len(left) != len(right):
            return np.full(len(at), np.nan)
        ends = (float(self.values[a]), float(self.values[b]))
        share = (at - ends[0]) / (ends[1] - ends[0])
        worst = np.full(len(at), np.inf)
        for one, other in zip(left, right, strict=True):
            values: dict[str, FloatArray] = {}
            for name in (held.name for held in one.check.inputs):
                pair = (one.values[name], other.values[name])
                itself = one.keys.get(name) == other.keys.get(name) == self.sweep.key
                if itself and pair == ends:
                    values[name] = at
                else:
                    low, high = _number(pair[0]), _number(pair[1])
                    values[name] = low + (high - low) * share
            # A class of which nothing is known makes the worst unknown.
            worst = np.minimum(worst, _margin_ratio(one.check, values))
        return worst

    def _margins(self, key: _LineKey) -> FloatArray:
        ratio = np.full(len(self.values), np.nan)
        order = sorted(self.points)
        open_ = {(a, b) for off, a, b in self.off if off == -np.inf}
        for a, b in itertools.pairwise(order):
            if b - a > 1 and (a, b) not in open_:
                ratio[a + 1 : b] = self._between(key, a, b, self.values[a + 1 : b])
        for index in order:
            ratio[index] = self._ratio(index, key)
        return ratio

    def result(self) -> Varied:
        """Give every line with what is to be known of it."""
        order = sorted(self.points)
        taken = [at for at in order if not self.points[at].refusal]
        refused = self._refused(order)
        as_if = self._as_if(refused)
        if not taken and not as_if:
            raise CallError(
                "sweep-all-refused",
                f"The description refuses every value of {self.sweep.key} that was tried: "
                f"{self.points[order[0]].refusal}",
                "Choose another range.",
            )
        lines: list[tuple[str, str, FloatArray]] = []
        lacking: list[str] = []
        titles = {
            key: cases[0].check.title
            for point in self.points.values()
            for key, cases in point.cases.items()
        }
        for key in dict.fromkeys([*self._keys(taken), *as_if]):
            # Where the description refuses a value there is no check to come or go.
            if key not in as_if and not self._moves(key, taken):
                continue
            ratio = self._margins(key)
            title = titles.get(key, "")
            if key in as_if:
                title, ratio[refused] = as_if[key]
            if np.isnan(ratio).all():
                lacking.append(f"{title}, {key[1]}")
            else:
                lines.append((title, key[1], ratio))
        if not lines:
            self._nothing_moves(taken, lacking)
        return Varied(
            sweep=self.sweep,
            lines=_joined(lines, self.values),
            worked=len(self.points),
            deviation_ratio=max((-off for off, _, _ in self.off if np.isfinite(off)), default=0.0),
            refused=refused,
            as_if=bool(as_if),
            refusal=next((self.points[at].refusal for at in order if self.points[at].refusal), ""),
            open_values=sum(b - a - 1 for off, a, b in self.off if off == -np.inf),
            not_assessable=tuple(lacking),
            not_varied=self._not_varied(taken),
        )

    def _refused(self, order: Sequence[int]) -> BoolArray:
        refused = np.zeros(len(self.values), dtype=np.bool_)
        refused[[at for at in order if self.points[at].refusal]] = True
        for a, b in itertools.pairwise(order):
            refused[a + 1 : b] = refused[a] and refused[b]
        return refused

    def _as_if(self, refused: BoolArray) -> dict[_LineKey, tuple[str, FloatArray]]:
        """Give title and margins of checks in which a count of a block stands itself.

        A layout rarely takes another count of modules or strings as it is. What the count alone
        does to voltage and current can still be told, for the layout that would have to follow.
        """
        found = _BLOCK.fullmatch(self.sweep.key)
        if found is None or not self.sweep.whole or not refused.any() or self.values[0] < 1.0:
            return {}
        point = self.described()
        if int(found[1]) >= len(point.blocks):
            return {}
        place, values = point.blocks[int(found[1])], self.values[refused]
        told: dict[_LineKey, tuple[str, FloatArray]] = {}
        for key, cases in point.cases.items():
            if key[1] == place and any(_itself(case, found[2]) for case in cases):
                worst = np.full(len(values), np.inf)
                for case in cases:
                    itself = _itself(case, found[2])
                    inputs = {
                        one.name: values
                        if one.name in itself
                        else np.full(len(values), _number(case.values[one.name]))
                        for one in case.check.inputs
                    }
                    worst = np.minimum(worst, _margin_ratio(case.check, inputs))
                told[key] = (cases[0].check.title, worst)
        return told

    def _not_varied(self, taken: Sequence[int]) -> tuple[str, ...]:
        told = []
        points = [self.points[at] for at in taken]
        if len({point.cable_m for point in points}) > 1:
            told.append("the lists of cables and the cutting plan")
        if len({point.energy_kwh for point in points}) > 1:
            told.append("the first year's energy and its losses step by step")
        return tuple(told)

    def _nothing_moves(self, taken: Sequence[int], lacking: Sequence[str]) -> None:
        known = sorted(
            {
                key
                for at in taken
                for cases in self.points[at].cases.values()
                for case in cases
                for key in case.keys.values()
            }
        )
        section = self.sweep.key.partition(".")[0]
        near = [key for key in known if key.partition(".")[0] == section] or known
        more = f" and {len(near) - _NAMED} more" if len(near) > _NAMED else ""
        why = f"No check of this site rests on {self.sweep.key}"
        instead = self._not_varied(taken)
        if lacking:
            why = (
                f"The checks that rest on {self.sweep.key} cannot be worked out, because other "
                f"inputs are not described: {'; '.join(lacking)}"
            )
        elif instead:
            why += f"; what follows from it is {' and '.join(instead)}"
        raise CallError(
            "sweep-changes-nothing",
            f"{why}.",
            f"Vary for example {', '.join(near[:_NAMED])}{more}; or ask with "
            f"--set {self.sweep.key}=VALUE.",
        )


def _itself(case: DesignCase, name: str) -> set[str]:
    """Give the inputs that are a count of a block as it is described."""
    found = {one: _BLOCK.fullmatch(key) for one, key in case.keys.items()}
    return {one for one, match in found.items() if match is not None and match[2] == name}


def _joined(
    lines: Sequence[tuple[str, str, FloatArray]], values: FloatArray
) -> tuple[SweepLine, ...]:
    """Put together the lines of a check that are the same at every value."""
    alike: dict[tuple[str, bytes], list[tuple[str, FloatArray]]] = {}
    for title, place, ratio in lines:
        alike.setdefault((title, ratio.tobytes()), []).append((place, ratio))
    return tuple(
        SweepLine(
            name=f"{title}, {'; '.join(place for place, _ in held)}",
            value=values,
            margin_ratio=held[0][1],
        )
        for (title, _), held in alike.items()
    )
