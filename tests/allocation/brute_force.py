"""The best allocation of a tiny case, found by trying everything."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from tests.allocation.invented import Pallet, StringRow

__all__ = ["Best", "Wished", "best_by_trying"]

_Kind = tuple[str, float, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Wished:
    """Spares wished of a current class, or of any when that is empty."""

    modules: int
    current_class: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Best:
    """What the best allocation of a case reaches."""

    on_whole_inputs: int
    strings: int
    modules: int
    spares_missing: int
    openings: int


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


def _spares_missing(wishes: Sequence[Wished], left: dict[_Kind, int]) -> int:
    """Try every way to serve the wishes one after the other, module by module of a kind."""
    if not wishes:
        return 0
    wish, rest = wishes[0], wishes[1:]
    kinds = [kind for kind in left if wish.current_class in ("", kind[2])]
    best = wish.modules + sum(other.modules for other in rest)
    for given in itertools.product(*(range(min(left[k], wish.modules) + 1) for k in kinds)):
        if sum(given) <= wish.modules:
            after = left | {k: left[k] - n for k, n in zip(kinds, given, strict=True)}
            best = min(best, wish.modules - sum(given) + _spares_missing(rest, after))
    return best


def best_by_trying(
    strings: Sequence[StringRow],
    pallets: Sequence[Pallet],
    *,
    built: Mapping[str, str] | None = None,
    wishes: Sequence[Wished] = (),
) -> Best:
    """Give the best allocation in the documented order of weight, of all that can be tried.

    ``built`` names inputs that hold one complete string more, of the current class given.
    """
    built = built or {}
    kinds = sorted({_kind(pallet) for pallet in pallets})
    sizes = {kind: tuple(p.size for p in pallets if _kind(p) == kind) for kind in kinds}
    drops = sorted({string.drop_point for string in strings})
    inputs: dict[str, list[StringRow]] = {}
    for string in strings:
        inputs.setdefault(string.mppt_input, []).append(string)
    options = [
        [
            (kind, subset)
            for kind, subset in _options(group, kinds)
            if kind is None or built.get(name) in (None, kind[2])
        ]
        for name, group in inputs.items()
    ]
    best: tuple[tuple[int, ...], Best] | None = None
    for choice in itertools.product(*options):
        demands = {kind: [0] * len(drops) for kind in kinds}
        for kind, subset in choice:
            for string in subset:
                if kind is not None:
                    demands[kind][drops.index(string.drop_point)] += string.modules
        left = {kind: sum(sizes[kind]) - sum(demands[kind]) for kind in kinds}
        if any(number < 0 for number in left.values()):
            continue
        on_whole = binding_nothing = modules_binding_nothing = half = 0
        for (name, group), (_, subset) in zip(inputs.items(), choice, strict=True):
            whole = len(subset) == len(group)
            if whole:
                on_whole += len(group) + (name in built)
            if whole or name in built:
                binding_nothing += len(subset)
                modules_binding_nothing += sum(string.modules for string in subset)
            half += bool(subset) and not whole and name not in built
        planned = sum(len(subset) for _, subset in choice)
        modules = sum(map(sum, demands.values()))
        missing = _spares_missing(wishes, left)
        first = (-on_whole, -binding_nothing, -modules_binding_nothing)
        rank = (*first, missing, -planned, -modules, half)
        if best is not None and rank > best[0][:-1]:
            continue
        openings = sum(_fewest_openings(sizes[kind], tuple(demands[kind])) for kind in kinds)
        if best is None or (*rank, openings) < best[0]:
            found = Best(
                on_whole_inputs=on_whole,
                strings=planned,
                modules=modules,
                spares_missing=missing,
                openings=openings,
            )
            best = (*rank, openings), found
    assert best is not None
    return best[1]
