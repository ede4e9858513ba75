"""The best allocation of a tiny case, found by trying everything."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Sequence
from functools import cache

from tests.allocation.invented import Pallet, StringRow

__all__ = ["best_by_trying"]

_Kind = tuple[str, float, str]


def _kind(pallet: Pallet) -> _Kind:
    return pallet.module_type, pallet.power_class_w, pallet.current_class


@cache
def _fewest_openings(sizes: tuple[int, ...], demands: tuple[int, ...]) -> int:
    """Try every set of (pallet, drop point) pairs; Hall's condition says which can deliver."""
    drops = [d for d, demand in enumerate(demands) if demand]
    if not drops:
        return 0
    choices = [subset for r in range(len(drops) + 1) for subset in itertools.combinations(drops, r)]
    groups = [
        subset for r in range(1, len(drops) + 1) for subset in itertools.combinations(drops, r)
    ]
    best = len(sizes) * len(drops) + 1
    for serving in itertools.product(choices, repeat=len(sizes)):
        pairs = sum(map(len, serving))
        if pairs < best and all(
            sum(demands[d] for d in group)
            <= sum(
                size for size, served in zip(sizes, serving, strict=True) if set(served) & {*group}
            )
            for group in groups
        ):
            best = pairs
    return best


def _options(
    strings: Sequence[StringRow], kinds: Sequence[_Kind]
) -> Iterator[tuple[_Kind | None, tuple[StringRow, ...]]]:
    yield None, ()
    for kind in kinds:
        for r in range(1, len(strings) + 1):
            for subset in itertools.combinations(strings, r):
                if all(string.module_type == kind[0] for string in subset):
                    yield kind, subset


def best_by_trying(strings: Sequence[StringRow], pallets: Sequence[Pallet]) -> tuple[int, int, int]:
    """Give most strings, most modules for these, and fewest openings for those."""
    kinds = sorted({_kind(pallet) for pallet in pallets})
    sizes = {kind: tuple(p.size for p in pallets if _kind(p) == kind) for kind in kinds}
    drops = sorted({string.drop_point for string in strings})
    inputs: dict[str, list[StringRow]] = {}
    for string in strings:
        inputs.setdefault(string.mppt_input, []).append(string)
    best = (0, 0, 0)
    for choice in itertools.product(*(_options(group, kinds) for group in inputs.values())):
        demands = {kind: [0] * len(drops) for kind in kinds}
        for kind, subset in choice:
            for string in subset:
                if kind is not None:
                    demands[kind][drops.index(string.drop_point)] += string.modules
        if any(sum(demands[kind]) > sum(sizes[kind]) for kind in kinds):
            continue
        planned = sum(len(subset) for _, subset in choice)
        modules = sum(map(sum, demands.values()))
        if (-planned, -modules) > best[:2]:
            continue
        openings = sum(_fewest_openings(sizes[kind], tuple(demands[kind])) for kind in kinds)
        best = min(best, (-planned, -modules, openings))
    return -best[0], -best[1], best[2]
