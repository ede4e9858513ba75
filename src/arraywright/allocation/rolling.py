"""Planning day after day: what is built stays, the yard is known, what comes is known by lots."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.allocation._rolling_kernels import choose_next
from arraywright.allocation.pallet_prices import (
    PalletModules,
    PalletPrices,
    PalletSums,
    pallet_prices,
    pallet_sums,
)
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_bound import sequence_bound
from arraywright.allocation.sequence_layout import arrival_sequence, sequence_loss
from arraywright.allocation.sequence_search import search_sequence
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError

__all__ = [
    "LotStatistics",
    "NextPallets",
    "Outlook",
    "Rolled",
    "lot_statistics",
    "next_pallets",
    "outlook_of",
    "roll",
    "start_ahead",
]

_DEPTH: Final = 16
_WIDTH: Final = 100
_PRICED_ANEW: Final = 8
"""Prices are worked out anew so many times while a park is built."""
_EXPECTED_MOST: Final = 800
"""Pallets to come that are drawn, at most; more of them do not change the prices."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotStatistics:
    """How the modules of a class spread, by the pallets seen so far.

    Attributes:
        mean: mean of the current coordinate [W^0.5].
        between_sd: standard deviation of the pallets' own means [W^0.5].
        within_sd: standard deviation of modules within their pallet [W^0.5].
        pallets: pallets seen.
    """

    mean: float
    between_sd: float
    within_sd: float
    pallets: int

    def draw(self, sizes: IntArray, *, seed: int) -> FloatArray:
        """Draw the current coordinates of pallets of these sizes, in W to the half, (modules,)."""
        rng = np.random.default_rng(seed)
        level = rng.normal(self.mean, self.between_sd, len(sizes))
        modules = rng.normal(0.0, self.within_sd, int(sizes.sum()))
        return np.asarray(np.repeat(level, sizes) + modules, dtype=np.float64)


def lot_statistics(problem: ClassProblem, *, seen: BoolArray) -> LotStatistics:
    """Estimate mean and spreads from the pallets seen, by the analysis of variance.

    Between pallets: variance of the pallets' means less what the modules' own spread puts into it,
    ``s_b^2 = max(0, var(means) - s_w^2 / m)``. The document has groups of one size ``m``; for
    pallets of several sizes the harmonic mean of the sizes takes its place, which is our own.

    Args:
        problem: the class.
        seen: which pallets have known flash values, (pallets,).

    Raises:
        CallError: no pallet is seen.

    Source: jcgm-100 H.5.2
    """
    units = np.flatnonzero(seen)
    sizes = problem.unit_sizes[units]
    units, sizes = units[sizes > 0], sizes[sizes > 0]
    if not len(units):
        raise CallError(
            "rolling-nothing-seen",
            "No pallet of the class has known flash values.",
            "Wait for the first pallets or their flash list.",
        )
    module = _modules_of(problem, units)
    x, unit = problem.x[module], np.repeat(np.arange(len(units)), sizes)
    level = np.bincount(unit, weights=x) / sizes
    free = len(x) - len(units)
    within = float(np.sum((x - level[unit]) ** 2)) / free if free else 0.0
    between = 0.0
    if len(units) > 1:
        harmonic = len(units) / float(np.sum(1.0 / sizes))
        between = max(0.0, float(np.var(level, ddof=1)) - within / harmonic)
    return LotStatistics(
        mean=float(np.mean(level)),
        between_sd=float(np.sqrt(between)),
        within_sd=float(np.sqrt(within)),
        pallets=len(units),
    )


def _modules_of(problem: ClassProblem, units: IntArray) -> IntArray:
    sizes = problem.unit_sizes[units]
    begin = np.cumsum(sizes) - sizes
    return np.repeat(problem.unit_offsets[units] - begin, sizes) + np.arange(int(sizes.sum()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Outlook:
    """What the stock here and the stock to come make a pallet worth.

    Attributes:
        statistics: spreads by which pallets to come are expected.
        centre: mean of all that is left and expected [W^0.5].
        prices: prices at which what is left fills the strings to come.
        expected: pallets drawn for those to come.
    """

    statistics: LotStatistics
    centre: float
    prices: PalletPrices
    expected: int


def outlook_of(
    problem: ClassProblem,
    *,
    built: Sequence,
    seen: BoolArray,
    seed: int,
    statistics: LotStatistics | None = None,
) -> Outlook:
    """Price the stock for the strings still to come.

    Of pallets that are not seen only number and size are used; their modules are drawn.

    Args:
        problem: the class; coordinates of pallets not seen are never read.
        built: pallets used so far.
        seen: which pallets have known flash values, (pallets,).
        seed: of the draw.
        statistics: spreads of what comes; from the pallets seen when None.
    """
    lots = lot_statistics(problem, seen=seen) if statistics is None else statistics
    left: BoolArray = np.ones(len(seen), dtype=np.bool_)
    left[built.units] = False
    here, coming = np.flatnonzero(left & seen), np.flatnonzero(left & ~seen)
    if len(coming) > _EXPECTED_MOST:
        # as many in proportion of those here, so that the prices see the true mixture
        every = -(-len(coming) // _EXPECTED_MOST)
        coming, here = coming[::every], here[::every]
    sizes = np.concatenate([problem.unit_sizes[here], problem.unit_sizes[coming]])
    drawn = lots.draw(problem.unit_sizes[coming], seed=seed)
    x = np.concatenate([problem.x[_modules_of(problem, here)], drawn])
    centre = float(x.mean()) if len(x) else lots.mean
    filled = int(problem.unit_sizes[built.units].sum())
    string_end = np.cumsum(problem.string_modules)
    lengths = problem.string_modules[np.searchsorted(string_end, filled, side="right") :]
    length = int(np.bincount(lengths).argmax()) if len(lengths) else 1
    whole = int(problem.unit_sizes[left].sum())
    share = float(sizes.sum()) / whole if whole else 1.0
    offsets = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    prices = pallet_prices(
        pallet_sums(PalletModules(x=x - centre, y=np.zeros_like(x), offsets=offsets)),
        modules_per_string=length,
        wanted_modules=int(share * max(0, int(string_end[-1]) - filled)),
    )
    return Outlook(statistics=lots, centre=centre, prices=prices, expected=len(coming))


@dataclass(frozen=True, slots=True, kw_only=True)
class NextPallets:
    """The pallets of the next days.

    Attributes:
        units: pallets in the order in which they are emptied.
        filled_modules: modules of the class used when they are empty.
        value_w: loss each is expected to take part in where it would fit best later [W]; what is
            chosen now does better than that or is needed now.
    """

    units: IntArray
    filled_modules: int
    value_w: FloatArray


class _Site:
    """A class half built: what stands, and what the pallets hold."""

    def __init__(self, problem: ClassProblem) -> None:
        self.problem = problem
        self.sizes = problem.unit_sizes
        self.string_end = np.cumsum(problem.string_modules)
        self.total = int(self.string_end[-1]) if len(self.string_end) else 0
        arrival = arrival_sequence(problem).units
        self.reach = np.cumsum(self.sizes[arrival])
        self.late = np.maximum.accumulate(problem.unit_day[arrival])
        names, code = np.unique(problem.string_input, return_inverse=True)
        self.input_of = code.astype(np.int64)
        self.input_count = np.zeros(len(names))
        self.input_sum = np.zeros(len(names))
        self.used: BoolArray = np.zeros(len(self.sizes), dtype=np.bool_)
        self.order: list[int] = []
        self.filled = 0
        self.begun_x = self.begun_y = 0.0
        self.outlook: Outlook | None = None
        self.sums: PalletSums | None = None
        self.value_w: FloatArray = np.zeros(len(self.sizes))

    def string_at(self, filled: int) -> int:
        """Give the string of the place after so many modules."""
        return int(np.searchsorted(self.string_end, filled, side="right"))

    def day(self) -> int:
        """Give the day on which the next module is mounted: as planned, or when it can be."""
        slot = min(int(np.searchsorted(self.reach, self.filled, side="right")), len(self.late) - 1)
        planned = int(self.problem.string_day[self.string_at(self.filled)])
        return max(planned, int(self.late[slot]))

    def take(self, unit: int) -> None:
        """Empty a pallet into the strings."""
        problem = self.problem
        at, past = (int(one) for one in problem.unit_offsets[unit : unit + 2])
        while at < past and self.filled < self.total:
            string = self.string_at(self.filled)
            step = min(int(self.string_end[string]) - self.filled, past - at)
            self.begun_x += float(problem.x[at : at + step].sum())
            self.begun_y += float(problem.y[at : at + step].sum())
            at += step
            self.filled += step
            if self.filled == self.string_end[string]:
                self.input_count[self.input_of[string]] += 1.0
                self.input_sum[self.input_of[string]] += self.begun_y
                self.begun_x = self.begun_y = 0.0
        self.used[unit] = True
        self.order.append(unit)

    def look(self, outlook: Outlook) -> None:
        """Value all pallets by an outlook; values of pallets not seen are not to be used."""
        problem = self.problem
        self.outlook = outlook
        self.sums = pallet_sums(
            PalletModules(x=problem.x - outlook.centre, y=problem.y, offsets=problem.unit_offsets)
        )
        self.value_w = outlook.prices.value_w(self.sums)

    def choose(self, pool: IntArray, *, today: int, depth: int, width: int) -> IntArray:
        """Choose the next pallets among those of a pool."""
        if self.outlook is None or self.sums is None:  # pragma: no cover - look() comes first
            raise AssertionError
        string = self.string_at(self.filled)
        placed = (
            self.filled - int(self.string_end[string]) + int(self.problem.string_modules[string])
        )
        # no order of so few pallets reaches further than these strings
        most = depth * int(self.sizes.max())
        past = self.string_at(min(self.filled + most, self.total - 1)) + 1
        chosen = choose_next(
            pool,
            self.value_w[pool],
            self.sums.x,
            self.sums.squares,
            self.sums.y,
            self.sizes,
            self.problem.unit_day,
            self.problem.string_modules[string : past + 1],
            self.problem.string_day[string : past + 1],
            self.input_of[string : past + 1],
            self.input_count,
            self.input_sum,
            np.array([placed, self.begun_x - placed * self.outlook.centre, self.begun_y]),
            self.outlook.prices.reach,
            self.outlook.prices.potential,
            depth,
            width,
            today,
        )
        return np.asarray(chosen, dtype=np.int64)


def _begun(problem: ClassProblem, built: Sequence) -> _Site:
    site = _Site(problem)
    for unit in built.units.tolist():
        site.take(unit)
    return site


def next_pallets(
    problem: ClassProblem,
    *,
    built: Sequence,
    until_day: int,
    outlook: Outlook,
    seen: BoolArray,
    depth: int = _DEPTH,
    width: int = _WIDTH,
) -> NextPallets:
    """Choose the pallets of the coming days from those whose flash values are known.

    Many orders of the next pallets are carried on at once, pallet by pallet; an order is the better
    the less its strings lose beyond what its pallets would lose where they fit best later. So a
    pallet that fits now is used, and one that will fit better later is kept. Strings of an input
    that are not built one after the other are weighed as if only those built before stood there.

    Args:
        problem: the class; coordinates of pallets not seen are never used.
        built: pallets emptied so far, in order.
        until_day: last day to plan, as ordinal.
        outlook: what pallets are worth later.
        seen: which pallets have known flash values, (pallets,).
        depth: pallets looked ahead.
        width: orders carried on at once.

    Raises:
        CallError: the pallets seen do not suffice for the strings until that day.
    """
    site = _begun(problem, built)
    site.look(outlook)
    first = len(site.order)
    while site.filled < site.total:
        today = site.day()
        if today > until_day:
            break
        _fill_day(site, today=today, seen=seen, depth=depth, width=width)
    units = np.array(site.order[first:], dtype=np.int64)
    return NextPallets(units=units, filled_modules=site.filled, value_w=site.value_w[units].copy())


def _fill_day(site: _Site, *, today: int, seen: BoolArray, depth: int, width: int) -> None:
    """Fill the strings of one day; what is chosen for later days is chosen again then."""
    while site.filled < site.total and site.day() <= today:
        pool = np.flatnonzero(~site.used & seen)
        chosen = site.choose(pool, today=today, depth=depth, width=width)
        if not len(chosen):
            raise CallError(
                "rolling-stock-short",
                f"{site.total - site.filled} modules are still needed and no pallet that is here "
                "has known flash values.",
                "Wait for the next pallets, or read the flash list of those in the yard.",
            )
        for unit in chosen.tolist():
            if site.filled >= site.total or site.day() > today:
                break
            site.take(unit)


def start_ahead(
    problem: ClassProblem, *, seen: BoolArray, until_day: int, seed: int
) -> tuple[Sequence, int]:
    """Give an order that begins with the pallets of the coming days, and how many these are.

    The pallets of the coming days are chosen as by ``next_pallets``; those behind them stand in
    order of arrival, seen or not.
    """
    nothing = Sequence(units=np.zeros(0, dtype=np.int64))
    first = nothing.units
    if seen.any() and len(problem.string_day) and problem.string_day[0] <= until_day:
        outlook = outlook_of(problem, built=nothing, seen=seen, seed=seed)
        first = next_pallets(
            problem, built=nothing, until_day=until_day, outlook=outlook, seen=seen
        ).units
    order = np.argsort(problem.unit_day, kind="stable")
    units = np.concatenate([first, order[~np.isin(order, first)]]).astype(np.int64)
    reach = np.cumsum(problem.unit_sizes[units])
    count = int(np.searchsorted(reach, problem.string_modules.sum(), side="left")) + 1
    return Sequence(units=units[:count]), len(first)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rolled:
    """A class built day after day, against plans that knew more.

    Attributes:
        sequence: pallets in the order in which they were emptied.
        loss_w: mismatch loss of the order [W].
        arrival_w: loss of the order of arrival [W].
        informed_w: loss of the best plan found that knew every pallet from the start [W].
        bound_w: loss no order goes below [W].
    """

    sequence: Sequence
    loss_w: float
    arrival_w: float
    informed_w: float
    bound_w: float

    @property
    def avoidable_w(self) -> float:
        """Loss of the order of arrival above the bound [W]."""
        return self.arrival_w - self.bound_w

    @property
    def regret_ratio(self) -> float:
        """What not knowing the future cost, over the avoidable loss [1]; 0 where nothing is."""
        if self.avoidable_w <= 0.0:
            return 0.0
        return (self.loss_w - self.informed_w) / self.avoidable_w


def roll(
    problem: ClassProblem,
    *,
    seed: int,
    announced_days: int = 0,
    depth: int = _DEPTH,
    width: int = _WIDTH,
    sweeps: int | None = None,
    tell: Callable[[str, float], None] | None = None,
) -> Rolled:
    """Build a class day after day as if what comes were not known, and hold it against knowing all.

    On each day only pallets that are here (or whose flash list came ``announced_days`` before them)
    are seen; of the others their number and sizes. The plan that knew everything is the better of
    two searches over all pallets, one of them beginning with the order rolled, so that the regret
    is never negative.

    Args:
        problem: the class with all its pallets and their true days.
        seed: of the draws and the searches.
        announced_days: days by which flash lists come before their pallets.
        depth: pallets looked ahead.
        width: orders carried on at once.
        sweeps: of each search with full knowledge; as many as a plan affords when None.
        tell: told what is done and how far it is, between 0 and 1.
    """
    site = _Site(problem)
    priced = -1
    while site.filled < site.total:
        today = site.day()
        seen = problem.unit_day - announced_days <= today
        part = _PRICED_ANEW * site.filled // site.total
        if part > priced:
            if tell is not None:
                tell("building day after day", site.filled / site.total)
            built = Sequence(units=np.array(site.order, dtype=np.int64))
            site.look(outlook_of(problem, built=built, seen=seen, seed=seed + part))
            priced = part
        _fill_day(site, today=today, seen=seen, depth=depth, width=width)
    sequence = Sequence(units=np.array(site.order, dtype=np.int64))
    loss_w = sequence_loss(problem, sequence).total_w
    informed = [
        search_sequence(problem, sweeps=sweeps, seed=seed, start=start).loss_w
        for start in (None, sequence)
    ]
    return Rolled(
        sequence=sequence,
        loss_w=loss_w,
        arrival_w=sequence_loss(problem, arrival_sequence(problem)).total_w,
        informed_w=min(informed),
        bound_w=sequence_bound(problem).bound_w,
    )
