"""What planning day after day loses against a plan that knew every pallet from the start."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.allocation.rolling import Rolled, roll
from benchmarks._park_sites import make_class
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

_SEQUENCES: Final = 200
_QUICK: Final = 10
_TARGET_RATIO: Final = 0.10


def _rolled(seed: int, *, announced_days: int = 0) -> Rolled:
    """Roll one invented class: 200 to 600 pallets, a twentieth to a quarter of them ahead."""
    rng = np.random.default_rng(10_000 + seed)
    problem = make_class(
        seed,
        pallets=int(rng.integers(200, 601)),
        pallet_modules=int(rng.integers(31, 38)),
        string_modules=int(rng.integers(24, 31)),
        look_ahead_ratio=float(rng.uniform(0.05, 0.25)),
        between_ratio=float(rng.uniform(0.3, 1.5)),
        voltage_spread=0.1 if seed % 2 else 0.0,
    )
    return roll(problem, seed=seed, announced_days=announced_days)


def run(*, quick: bool) -> list[BenchRow]:
    """Roll 200 simulated arrival sequences (10 when quick)."""
    count = _QUICK if quick else _SEQUENCES
    seconds, rolled = timed(lambda: [_rolled(seed) for seed in range(count)])
    regret = np.array([one.regret_ratio for one in rolled])
    above = np.array([(one.loss_w - one.bound_w) / one.avoidable_w for one in rolled])
    informed = np.array([(one.informed_w - one.bound_w) / one.avoidable_w for one in rolled])
    return [
        BenchRow(
            name=f"mean regret of {count} arrival sequences against knowing every pallet",
            figure=100.0 * float(regret.mean()),
            unit="% of the avoidable loss",
            seconds=seconds,
            reference_name=(
                f"median {100 * np.median(regret):.1f} %, worst {100 * regret.max():.1f} %"
            ),
            peak_rss_mb=peak_rss_mb(),
            target="at most 10 %",
            met=float(regret.mean()) <= _TARGET_RATIO,
        ),
        BenchRow(
            name=f"mean loss above the bound of the plans rolled, {count} sequences",
            figure=100.0 * float(above.mean()),
            unit="% of the avoidable loss",
            reference_name=(
                f"plans that knew everything: {100 * informed.mean():.1f} %; whatever the best "
                "order is, the regret against it is not above this figure"
            ),
        ),
    ]
