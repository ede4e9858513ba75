"""How long the three plans of a large park take, exact mismatch included."""

from __future__ import annotations

import time

import numpy as np

from arraywright.allocation import compare
from benchmarks.common import BenchRow, peak_rss_mb, timed
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

__all__ = ["run"]

_CLASSES = ((545.0, "M"), (550.0, "M"), (550.0, "H"), (555.0, "H"))


def _case(strings: int) -> tuple[list[StringRow], list[Pallet]]:
    rows = [
        StringRow(
            name=f"S{n:06d}", modules=28, mppt_input=f"I{n // 3:06d}", drop_point=f"D{n // 36:05d}"
        )
        for n in range(strings)
    ]
    rng = np.random.default_rng(1)
    count = int(strings * 28 / 31 * 1.01) + 2
    kinds = rng.choice(len(_CLASSES), count, p=[0.2, 0.3, 0.3, 0.2]).tolist()
    sizes = np.where(rng.random(count) < 0.02, 30, 31).tolist()
    pallets = [
        Pallet(
            name=f"P{n:06d}",
            size=sizes[n],
            arrival=n,
            power_class_w=_CLASSES[kind][0],
            current_class=_CLASSES[kind][1],
        )
        for n, kind in enumerate(kinds)
    ]
    return rows, pallets


def run(*, quick: bool) -> list[BenchRow]:
    """Compare three plans of 72,000 strings of 28 modules (7,200 when quick)."""
    rows, pallets = _case(300)
    compare(make_site(strings_frame(rows)), stock=make_stock(pallets, seed=2))
    rows, pallets = _case(7_200 if quick else 72_000)
    site, stock = make_site(strings_frame(rows)), make_stock(pallets, seed=2)
    cpu = time.process_time()
    seconds, both = timed(lambda: compare(site, stock=stock))
    cpu = time.process_time() - cpu
    size = f"{len(rows):,} strings, {len(pallets):,} pallets, {stock.height:,} modules"
    target_s = 60.0
    return [
        BenchRow(
            name=f"three plans with exact mismatch of {size} (processor {cpu:.0f} s)",
            figure=seconds,
            unit="s",
            seconds=seconds,
            peak_rss_mb=peak_rss_mb(),
            target="under 60 s",
            met=seconds < target_s,
        ),
        BenchRow(
            name=f"pallet openings of the plan, {size}",
            figure=both.plan.pallet_openings / both.plan.openings_least,
            unit="1",
            reference_name=(
                f"least possible {both.plan.openings_least:,}, order of arrival "
                f"{both.arrival.pallet_openings:,}, sorted {both.sorted_single.pallet_openings:,}"
            ),
            target="at most 1.03 of the least possible",
            met=both.plan.pallet_openings <= 1.03 * both.plan.openings_least,
        ),
        BenchRow(
            name=f"mismatch loss of the plan, {size}",
            figure=100.0 * both.plan.loss_ratio,
            unit="%",
            reference_name=(
                f"order of arrival {100 * both.arrival.loss_ratio:.4f} %, "
                f"full sort {100 * both.sorted_single.loss_ratio:.4f} %"
            ),
            target="not above order of arrival",
            met=both.plan.loss_ratio <= both.arrival.loss_ratio,
        ),
    ]
