"""Readings one by one: how long the answer takes when thousands of strings are read already."""

from __future__ import annotations

import time

import numpy as np

from arraywright.commissioning.session_causes import CausePriors, string_components
from arraywright.commissioning.streaming import SessionStream, StreamReading
from benchmarks._session_plant import module_type
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

MILLISECONDS_TARGET = 50.0
MODULES = 28


def _readings(count: int, *, one_group: bool) -> list[StreamReading]:
    rng = np.random.default_rng(3)
    level = 0.002 * np.cumsum(rng.normal(0.0, 0.1, count))
    voc = level + 0.0028 * rng.standard_normal(count)
    voc[rng.random(count) < 0.01] += np.log1p(-1.0 / (3 * MODULES))
    isc = 0.005 * rng.standard_normal(count)
    light = 0.1 * rng.standard_normal((2, count))
    return [
        StreamReading(
            string=row,
            time_s=60.0 * row,
            value=np.array([voc[row], isc[row], np.nan]),
            own_u=np.array([0.003, 0.005, 0.01]),
            group=0 if one_group else row // 300,
            kind=0,
            voc_v=float(np.round(1400.0 * np.exp(voc[row]), 1)),
            isc_a=float(np.round(11.0 * np.exp(isc[row]), 2)),
            expected_voc_v=1400.0,
            light=light[:, row],
        )
        for row in range(count)
    ]


def _row(count: int, *, measured: int, one_group: bool) -> list[BenchRow]:
    kind = module_type()
    stream = SessionStream(
        components=[string_components(kind, modules=MODULES, class_power_w=545.0)],
        modules=[MODULES],
        priors=CausePriors(),
        false_alarm_ratio=0.001,
    )
    readings = _readings(count + measured, one_group=one_group)
    for place, reading in enumerate(readings[:count]):
        stream.add(reading)
        if place == 100:
            stream.settle()
    settle_s, _ = timed(stream.settle)
    took = []
    for reading in readings[count:]:
        start = time.perf_counter()
        stream.add(reading)
        took.append(1e3 * (time.perf_counter() - start))
    late = float(np.quantile(took, 0.95))
    words = "one crew's one day" if one_group else "days of 300 readings"
    return [
        BenchRow(
            name=f"answer to a reading with {count:,} strings read before, {words}, 95 of 100; "
            f"mean {np.mean(took):.1f} ms, longest {np.max(took):.1f} ms",
            figure=late,
            unit="ms",
            seconds=late / 1e3,
            target=f"below {MILLISECONDS_TARGET:g} ms",
            met=late < MILLISECONDS_TARGET,
        ),
        BenchRow(
            name=f"scatter, drift and limits found anew from {count:,} readings, {words}",
            figure=settle_s,
            unit="s",
            seconds=settle_s,
            peak_rss_mb=peak_rss_mb(),
        ),
    ]


def run(*, quick: bool) -> list[BenchRow]:
    """Measure the answer to one more reading; quick reads fewer before."""
    count, measured = (400, 50) if quick else (5_000, 300)
    return [
        row
        for one_group in (True, False)
        for row in _row(count, measured=measured, one_group=one_group)
    ]
