"""Earth faults along strings: how near the place found lies to the true one."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, offsets_from_lengths
from arraywright.commissioning.earth_fault import EarthFaultState, locate_earth_faults
from benchmarks._earth_truth import EarthTruth, make_earth_faults
from benchmarks.common import BenchRow, timed

__all__ = ["run"]

_MODULES: Final = 28
_METER_ERROR: Final = 0.005
_LEAST_SOUND_MEGOHM: Final = 5.0


def run(*, quick: bool) -> list[BenchRow]:
    """Measure the error of the place on strings with leakage, warm ends and a meter of 0.5 %."""
    count = 2_000 if quick else 50_000
    rows: list[BenchRow] = []
    for words, resistance in (("up to 50 kohm", (1e-4, 0.05)), ("50 to 300 kohm", (0.05, 0.3))):
        truth = make_earth_faults(
            count,
            modules=_MODULES,
            meter_error_ratio=_METER_ERROR,
            input_megohm=10.0,
            sound_megohm=20.0,
            seed=20_271,
            fault_megohm=resistance,
        )
        rows += _rows(truth, words)
    return rows


def _by_formula(truth: EarthTruth) -> FloatArray:
    """Place by the trade's formula with the mean Voc of the modules as flashed."""
    return np.asarray(truth.pos_earth_v / truth.module_voc_v.mean(axis=1))


def _rows(truth: EarthTruth, words: str) -> list[BenchRow]:
    strings, modules = truth.module_voc_v.shape
    meter_u = _METER_ERROR / np.sqrt(3.0)
    seconds, found = timed(
        lambda: locate_earth_faults(
            truth.pos_earth_v,
            truth.neg_earth_v,
            module_voc_v=truth.module_voc_v.ravel(),
            offsets=offsets_from_lengths(np.full(strings, modules)),
            string_voc_v=truth.string_voc_v,
            string_voc_u_v=meter_u * truth.string_voc_v,
            meter_u_ratio=meter_u,
            least_sound_megohm=_LEAST_SOUND_MEGOHM,
        )
    )
    located = found.state == EarthFaultState.LOCATED
    error = np.abs(found.position - truth.position)[located]
    inside = (found.position_low <= truth.position) & (truth.position <= found.position_high)
    formula = np.abs(_by_formula(truth) - truth.position)
    within = float(np.mean(error < 0.5)) * float(located.mean())
    return [
        BenchRow(
            name=f"fault of {words} placed within half a module of {modules}, meter error 0.5 %",
            figure=100.0 * within,
            unit="%",
            seconds=seconds,
            reference_name=(
                f"voltage over Voc of one module: {100.0 * float(np.mean(formula < 0.5)):.1f} %"
            ),
            target="100 %",
            met=within == 1.0,
        ),
        BenchRow(
            name=f"fault of {words}: largest error of the place",
            figure=float(error.max()),
            unit="modules",
            reference_name=f"voltage over Voc of one module: {float(formula.max()):.2f} modules",
            target="below 0.5",
            met=bool(error.max() < 0.5),
        ),
        BenchRow(
            name=f"fault of {words}: true place inside the interval, which is "
            f"{float(np.median(found.position_high - found.position_low)):.2f} modules wide",
            figure=100.0 * float(inside.mean()),
            unit="%",
            target="at least 95 %",
            met=bool(inside.mean() >= 0.95),
        ),
    ]
