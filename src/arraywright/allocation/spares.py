"""Which modules are kept as spares."""

from __future__ import annotations

import numpy as np

from arraywright.allocation.classes import Wish
from arraywright.allocation.stock import Supply
from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site, SpareWish

__all__ = ["choose_spares", "wishes_of"]


def wishes_of(site: Site, supply: Supply) -> tuple[Wish, ...]:
    """Say of which classes in stock each of the site's spare wishes may be."""
    return tuple(
        Wish(
            modules=max(wish.modules, 0),
            classes=tuple(
                number
                for number, kind in enumerate(supply.classes)
                if kind.module_type == (site.module_type_key(wish.module_type) or wish.module_type)
                and (
                    wish.power_class_w is None
                    or abs(kind.power_class_w - wish.power_class_w) < 0.05
                )
                and wish.current_class.strip() in {"", kind.current_class}
            ),
        )
        for wish in site.spares
    )


def _shares(wanted: int, weights: FloatArray, left: IntArray) -> IntArray:
    """Split a wish over classes in proportion to what is built in, by largest remainders."""
    share = np.zeros(len(left), dtype=np.int64)
    wanted = min(wanted, int(left.sum()))
    while wanted > int(share.sum()):
        room = left - share
        weight = np.where(room > 0, weights, 0.0)
        if weight.sum() == 0.0:
            weight = np.where(room > 0, 1.0, 0.0)
        exact = (wanted - int(share.sum())) * weight / weight.sum()
        part = np.minimum(np.floor(exact).astype(np.int64), room)
        if part.sum() == 0:
            part[int(np.argmax(exact))] = 1
        share += part
    return share


def _words(wish: SpareWish) -> str:
    power = "" if wish.power_class_w is None else f" {wish.power_class_w:g} W"
    current = f" {wish.current_class}" if wish.current_class else ""
    return f"{wish.module_type}{power}{current}"


def choose_spares(
    site: Site, supply: Supply, *, used: BoolArray, wishes: tuple[Wish, ...]
) -> tuple[IntArray, tuple[Finding, ...]]:
    """Choose spares from what the strings leave, and say where a wish is not met.

    Strings go first. Wishes for one class are met before wishes for any class; the latter are
    split over the classes in proportion to what is built in. Within a class, modules come from
    pallets that are opened anyway, then from the smallest pallets, so that few are broken.

    Returns:
        modules (rows of the supply) kept as spares, and a finding per wish.
    """
    unit_of = np.repeat(np.arange(len(supply.unit_class)), supply.unit_sizes)
    used_of = np.bincount(unit_of, weights=used, minlength=len(supply.unit_class))
    left_of = supply.unit_sizes - used_of
    class_of = supply.unit_class[unit_of]
    built = np.bincount(class_of, weights=used, minlength=len(supply.classes)).astype(np.float64)
    queues: list[IntArray] = []
    for c in range(len(supply.classes)):
        free = np.flatnonzero((class_of == c) & ~used)
        units = unit_of[free]
        queues.append(free[np.lexsort((free, left_of[units], used_of[units] == 0))])
    taken = np.zeros(len(queues), dtype=np.int64)
    kept: dict[int, int] = {}
    order = sorted(range(len(wishes)), key=lambda w: (len(wishes[w].classes), w))
    for w in order:
        classes = np.array(wishes[w].classes, dtype=np.int64)
        left = np.array([len(queues[c]) for c in classes], dtype=np.int64) - taken[classes]
        share = _shares(wishes[w].modules, built[classes], left)
        taken[classes] += share
        kept[w] = int(share.sum())
    chosen = [queue[:count] for queue, count in zip(queues, taken.tolist(), strict=True)]
    modules = np.concatenate(chosen) if chosen else np.zeros(0, dtype=np.int64)
    findings = tuple(
        Finding(
            check="allocation-spares",
            subject_kind="site",
            subject=_words(wish),
            verdict=Verdict.PASS if kept[w] >= wish.modules else Verdict.REVIEW,
            message=f"{kept[w]} of {wish.modules} spares wished of {_words(wish)} can be kept.",
            remedy="" if kept[w] >= wish.modules else "Order the spares that are missing.",
            value=float(kept[w]),
            limit=float(wish.modules),
            margin=float(kept[w] - wish.modules),
            unit="modules",
        )
        for w, wish in enumerate(site.spares)
    )
    return np.sort(modules), findings
