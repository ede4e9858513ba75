"""Invented sites of any size for the benchmarks of the park-scale allocation, and simpler plans."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import arrival_sequence, is_in_time
from arraywright.arrays import FloatArray, IntArray

__all__ = ["ParkSite", "by_mean_current", "make_class", "make_site", "site_of"]

_WITHIN = 0.5
_PALLETS_A_DAY = 30
_PALLETS_A_LOT = 40
_STRINGS_A_DROP_POINT = 16
_SHORT_SHARE = 0.02


@dataclass(frozen=True, slots=True, kw_only=True)
class ParkSite:
    """An invented site: one problem per class, and what it was drawn with.

    Attributes:
        classes: the classes of the site.
        pallets: pallets of all classes.
        strings: strings of all classes.
        look_ahead_ratio: share of a class's pallets that is here before they are needed.
        between_ratio: spread between pallets over spread within pallets.
    """

    classes: tuple[ClassProblem, ...]
    pallets: int
    strings: int
    look_ahead_ratio: float
    between_ratio: float


def _currents(rng: np.random.Generator, sizes: IntArray, between_ratio: float) -> FloatArray:
    """Scatter modules about their pallet, pallets about their lot; half the spread is the lot's."""
    pallets = len(sizes)
    level = between_ratio * _WITHIN * np.sqrt(0.5)
    lots = rng.normal(0.0, level, pallets // _PALLETS_A_LOT + 1)
    means = np.repeat(lots, _PALLETS_A_LOT)[:pallets] + rng.normal(0.0, level, pallets)
    x = np.repeat(means, sizes) + rng.normal(0.0, _WITHIN, int(sizes.sum()))
    return np.asarray(x - x.mean(), dtype=np.float64)


def make_class(
    seed: int,
    *,
    pallets: int,
    pallet_modules: int,
    string_modules: int,
    look_ahead_ratio: float,
    between_ratio: float,
    surplus_ratio: float = 0.01,
    voltage_spread: float = 0.0,
    short_share: float = _SHORT_SHARE,
) -> ClassProblem:
    """Make a class whose pallets arrive, thirty a day, while its strings are built."""
    rng = np.random.default_rng(seed)
    missing = np.where(rng.random(pallets) < short_share, rng.integers(1, 6, pallets), 0)
    sizes = (pallet_modules - missing).astype(np.int64)
    x = _currents(rng, sizes, between_ratio)
    y = rng.normal(0.0, voltage_spread, len(x)) if voltage_spread else np.zeros(len(x))
    strings = int(sizes.sum() * (1.0 - surplus_ratio)) // string_modules
    ahead = max(2, round(look_ahead_ratio * pallets))
    reach = np.cumsum(sizes)
    opened = np.searchsorted(reach, np.arange(strings) * string_modules, side="right")
    here = np.minimum(opened + ahead, pallets - 1)
    day = np.arange(pallets) // _PALLETS_A_DAY
    number = np.arange(strings)
    return ClassProblem(
        x=x,
        y=y,
        unit_offsets=np.concatenate([[0], reach]).astype(np.int64),
        unit_day=day.astype(np.int64),
        string_modules=np.full(strings, string_modules, dtype=np.int64),
        string_day=day[here].astype(np.int64),
        string_input=(number // 3).astype(np.int64),
        string_section=(number // _STRINGS_A_DROP_POINT).astype(np.int64),
    )


def make_site(seed: int, *, pallets: int | None = None) -> ParkSite:
    """Draw a site: 1,000 to 20,000 pallets unless said, one to six classes of unequal size.

    Strings of 24 to 30 modules, pallets of 31 to 37 of which two in a hundred are up to five
    short, 5 % to 25 % of a class's pallets here before they are needed, and a spread between
    pallets of 0.3 to 1.5 times that within them.
    """
    rng = np.random.default_rng(seed)
    count = round(1000.0 * 20.0 ** rng.random()) if pallets is None else pallets
    classes = int(rng.integers(1, 7))
    share = rng.dirichlet(np.full(classes, 3.0))
    ahead, between = float(rng.uniform(0.05, 0.25)), float(rng.uniform(0.3, 1.5))
    in_string, on_pallet = int(rng.integers(24, 31)), int(rng.integers(31, 38))
    of_class = np.maximum(np.round(share * count).astype(np.int64), 5)
    held = tuple(
        make_class(
            1000 * seed + number,
            pallets=own,
            pallet_modules=on_pallet,
            string_modules=in_string,
            look_ahead_ratio=ahead,
            between_ratio=between,
        )
        for number, own in enumerate(of_class.tolist())
    )
    return site_of(held, look_ahead_ratio=ahead, between_ratio=between)


def site_of(
    classes: tuple[ClassProblem, ...], *, look_ahead_ratio: float, between_ratio: float
) -> ParkSite:
    """Put classes together to a site."""
    return ParkSite(
        classes=classes,
        pallets=sum(len(one.unit_sizes) for one in classes),
        strings=sum(len(one.string_modules) for one in classes),
        look_ahead_ratio=look_ahead_ratio,
        between_ratio=between_ratio,
    )


def by_mean_current(problem: ClassProblem) -> Sequence:
    """Sort the pallets that are here by mean current, window by window, up and down in turn.

    The window is as wide as what has arrived allows: the widest, in steps of a tenth, for which no
    pallet is used before it is here.
    """
    arrival = arrival_sequence(problem).units
    mean = np.add.reduceat(problem.x, problem.unit_offsets[:-1]) / problem.unit_sizes
    width = len(arrival)
    while width > 1:
        pieces = [
            window[np.argsort(mean[window] if turn % 2 == 0 else -mean[window], kind="stable")]
            for turn, window in enumerate(
                arrival[at : at + width] for at in range(0, len(arrival), width)
            )
        ]
        sequence = Sequence(units=np.concatenate(pieces))
        if is_in_time(problem, sequence):
            return sequence
        width = width * 9 // 10
    return Sequence(units=arrival)
