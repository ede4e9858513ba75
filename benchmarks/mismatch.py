"""Mismatch of a whole park, string by string and input by input, against plain NumPy."""

from __future__ import annotations

import numpy as np
import pvlib

from arraywright.arrays import FloatArray
from arraywright.physics import (
    SingleDiode,
    parallel_mismatch,
    series_mismatch,
    string_maximum_power,
)
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

MODULES = 28
STRINGS_PER_INPUT = 20
SECONDS_TARGET = 30.0
MEMORY_TARGET_MB = 4096.0
POINTS = 200


def _plant(modules: int) -> SingleDiode:
    rng = np.random.default_rng(2)
    return SingleDiode(
        photocurrent_a=13.9 * (1.0 + 0.008 * rng.standard_normal(modules)),
        saturation_current_a=3e-11 * np.exp(0.05 * rng.standard_normal(modules)),
        series_resistance_ohm=0.22 * (1.0 + 0.02 * rng.standard_normal(modules)),
        shunt_resistance_ohm=400.0 * (1.0 + 0.1 * rng.standard_normal(modules)),
        diode_voltage_v=1.85 * (1.0 + 0.005 * rng.standard_normal(modules)),
    )


def _reference_power(diode: SingleDiode, strings: int) -> FloatArray:
    """Maximum power of strings on a grid of currents, as NumPy with pvlib does it."""
    count = strings * MODULES
    current = np.linspace(0.0, 1.1 * 13.9, POINTS)[:, None]
    volts = pvlib.pvsystem.v_from_i(
        current,
        diode.photocurrent_a[:count],
        diode.saturation_current_a[:count],
        diode.series_resistance_ohm[:count],
        diode.shunt_resistance_ohm[:count],
        diode.diode_voltage_v[:count],
        method="lambertw",
    )
    volts = np.maximum(volts, -1.5).reshape(POINTS, strings, MODULES).sum(axis=2)
    return np.asarray(np.max(volts * current, axis=0))


def run(*, quick: bool) -> list[BenchRow]:
    """Measure series and parallel mismatch and a shaded plant; quick takes a hundredth."""
    strings = 720 if quick else 72_000
    sample = 40 if quick else 400
    size = f"{strings:,} strings of {MODULES} modules"
    diode = _plant(strings * MODULES)
    offsets = np.arange(strings + 1) * MODULES
    inputs = np.arange(0, strings + 1, STRINGS_PER_INPUT)
    few = np.arange(sample + 1) * MODULES
    small = diode.take(np.arange(sample * MODULES))
    series_mismatch(small, offsets=few)
    parallel_mismatch(small, offsets=few, input_offsets=np.arange(0, sample + 1, 20))

    seconds, loss = timed(lambda: series_mismatch(diode, offsets=offsets))
    memory = peak_rss_mb()
    reference_seconds, reference_w = timed(lambda: _reference_power(diode, sample))
    whole_reference = reference_seconds * strings / sample
    gap = float(np.max(np.abs(reference_w / loss.string_power_w[:sample] - 1.0)))
    assert gap < 1e-3, "the grid of the reference and the exact maximum must be near each other"
    rows = [
        BenchRow(
            name=f"mismatch in series of {size}",
            figure=seconds,
            unit="s",
            seconds=seconds,
            reference_name=f"NumPy and pvlib v_from_i, {POINTS} currents, {sample} strings scaled",
            reference_seconds=whole_reference,
            ratio=whole_reference / seconds,
            target=f"below {SECONDS_TARGET:g} s",
            met=seconds < SECONDS_TARGET,
        ),
        BenchRow(
            name=f"memory for it, mean loss {100.0 * float(loss.loss_ratio.mean()):.3f} %",
            figure=memory,
            unit="MB",
            peak_rss_mb=memory,
            target=f"below {MEMORY_TARGET_MB:g} MB",
            met=memory < MEMORY_TARGET_MB,
        ),
    ]
    seconds, together = timed(
        lambda: parallel_mismatch(diode, offsets=offsets, input_offsets=inputs)
    )
    rows.append(
        BenchRow(
            name=f"the same with {STRINGS_PER_INPUT} strings in parallel per input, mean loss "
            f"{100.0 * float(together.loss_ratio.mean()):.4f} %",
            figure=seconds,
            unit="s",
            seconds=seconds,
            peak_rss_mb=peak_rss_mb(),
        )
    )
    shaded = strings // 10
    shade = np.random.default_rng(3).random((shaded * MODULES, 3))
    ratio = np.where(shade < 0.2, 0.2 + shade, 1.0)
    part = diode.take(np.arange(shaded * MODULES))
    starts = np.arange(shaded + 1) * MODULES
    seconds, _ = timed(
        lambda: string_maximum_power(part, offsets=starts, substring_photocurrent_ratio=ratio)
    )
    rows.append(
        BenchRow(
            name=f"global maxima of {shaded:,} strings, a fifth of all sub-strings shaded",
            figure=seconds,
            unit="s",
            seconds=seconds,
        )
    )
    return rows
