"""The planner's sum of squares against exact curves, and the ways of filling a whole park."""

from __future__ import annotations

from functools import partial

import numpy as np

from arraywright.allocation.modes import choose_modes
from arraywright.allocation.park_types import ClassProblem
from arraywright.allocation.second_order import (
    class_coordinates,
    curve_shape,
    predicted_series_loss,
)
from arraywright.allocation.sequence_layout import arrival_sequence
from arraywright.allocation.trade_off import trade_off
from arraywright.arrays import FloatArray
from arraywright.physics import SingleDiode, fit_datasheet, fit_flash, parallel_mismatch
from arraywright.plant import Coefficients
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

LENGTH = 27
PALLET = 36
ERROR_TARGET = 0.03
WAYS_SECONDS_TARGET = 60.0
SPREADS = {
    "a narrow class": (0.0032, 0.0036, 0.0012),
    "a wide class": (0.008, 0.005, 0.003),
    "modules not sorted at all": (0.012, 0.005, 0.003),
}


def _modules(count: int, spread: tuple[float, float, float]) -> SingleDiode:
    """Give modules fitted to invented flash values."""
    rng = np.random.default_rng(4)
    of_i, of_v, of_p = (1.0 + sd * rng.standard_normal(count) for sd in spread)
    template = fit_datasheet(
        isc_a=13.98,
        voc_v=49.8,
        imp_a=13.12,
        vmp_v=41.95,
        alpha_isc_a_per_k=0.00048 * 13.98,
        beta_voc_v_per_k=-0.0027 * 49.8,
        cells_in_series=72.0,
    )
    fit = fit_flash(
        template.reference,
        isc_a=13.98 * of_i,
        voc_v=49.8 * of_v,
        imp_a=13.12 * of_i * of_p,
        vmp_v=41.95 * of_v * of_p,
    )
    return fit.reference.at_reference()


def _squares(x: FloatArray) -> FloatArray:
    rows = x.reshape(-1, LENGTH)
    return np.asarray(((rows - rows.mean(axis=1, keepdims=True)) ** 2).sum(axis=1))


def _approximation(strings: int) -> list[BenchRow]:
    rows = []
    for name, spread in SPREADS.items():
        diode = _modules(strings * LENGTH, spread)
        offsets = np.arange(strings + 1) * LENGTH
        inputs = np.arange(0, strings + 1, 2)
        exact_seconds, exact = timed(
            partial(parallel_mismatch, diode, offsets=offsets, input_offsets=inputs)
        )
        seconds, shape = timed(partial(curve_shape, diode))
        held = class_coordinates(shape, modules_per_string=LENGTH)
        between = held.y.reshape(-1, 2, LENGTH).sum(axis=2)
        predicted = float(_squares(held.x).sum() + ((between[:, 0] - between[:, 1]) ** 2).sum() / 2)
        whole = float((exact.sum_of_modules_w - exact.input_power_w).sum())
        each = exact.series.sum_of_modules_w - exact.series.string_power_w
        off = np.abs(_squares(held.x) / each - 1.0)
        off_4 = np.abs(predicted_series_loss(shape, offsets=offsets) / each - 1.0)
        error = abs(predicted / whole - 1.0)
        rows.append(
            BenchRow(
                name=f"error of the predicted loss of {strings:,} random strings of {name}; half "
                f"of single strings within {100.0 * float(np.median(off)):.1f} %, nine tenths "
                f"within {100.0 * float(np.quantile(off, 0.9)):.1f} % (fourth order "
                f"{100.0 * float(np.quantile(off_4, 0.9)):.2f} %)",
                figure=100.0 * error,
                unit="%",
                seconds=seconds,
                reference_name="exact curves, strings and inputs",
                reference_seconds=exact_seconds,
                ratio=exact_seconds / seconds,
                target=f"at most {100.0 * ERROR_TARGET:g} %",
                met=error <= ERROR_TARGET,
            )
        )
    return rows


def _park(pallets: int) -> ClassProblem:
    """Give one class of a park: pallets over the months, drop points of twenty strings."""
    rng = np.random.default_rng(5)
    strings = pallets * PALLET * 19 // 20 // LENGTH
    level = np.repeat(0.6 * rng.standard_normal(pallets), PALLET)
    x = 0.2 * (level + rng.standard_normal(pallets * PALLET))
    built = np.arange(strings) * 120 // strings
    return ClassProblem(
        x=x - x.mean(),
        y=np.zeros(len(x)),
        unit_offsets=np.arange(pallets + 1, dtype=np.int64) * PALLET,
        unit_day=np.maximum(np.arange(pallets) * 120 // pallets - 12, 0).astype(np.int64),
        string_modules=np.full(strings, LENGTH, dtype=np.int64),
        string_day=(built + 1).astype(np.int64),
        string_input=np.arange(strings, dtype=np.int64),
        string_section=(np.arange(strings) // 20).astype(np.int64),
    )


def run(*, quick: bool) -> list[BenchRow]:
    """Measure the approximation and the ways of filling; quick takes a hundredth of a park."""
    rows = _approximation(2_000 if quick else 20_000)
    pallets = 650 if quick else 65_000
    money = Coefficients()
    small = _park(60)
    choose_modes(small, money, sequences=[arrival_sequence(small)])
    problem = _park(pallets)
    start = arrival_sequence(problem)
    seconds, plan = timed(lambda: choose_modes(problem, money, sequences=[start]))
    size = f"{pallets:,} pallets, {len(problem.string_modules):,} strings"
    rows.append(
        BenchRow(
            name=f"way of filling of every drop point, {size}; sorted where it pays: "
            f"{int(np.sum(plan.way != 0))} of {len(plan.way)}",
            figure=seconds,
            unit="s",
            seconds=seconds,
            peak_rss_mb=peak_rss_mb(),
            target=f"below {WAYS_SECONDS_TARGET:g} s",
            met=seconds < WAYS_SECONDS_TARGET,
        )
    )
    seconds, curve = timed(lambda: trade_off([problem], money, arrival=[start], planned=[start]))
    rows.append(
        BenchRow(
            name=f"curve of handling against mismatch of {size}, {len(curve.points)} points",
            figure=seconds,
            unit="s",
            seconds=seconds,
            peak_rss_mb=peak_rss_mb(),
            target=f"below {WAYS_SECONDS_TARGET:g} s",
            met=seconds < WAYS_SECONDS_TARGET,
        )
    )
    return rows
