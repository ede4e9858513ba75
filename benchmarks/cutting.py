"""Cutting plans of 2,000 runs against their proven bound, and runs and loops of a whole park."""

from __future__ import annotations

import dataclasses

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.design.cable_runs import cable_runs, string_loops
from arraywright.design.cutting import Drum, plan_cuts
from arraywright.plant import LayoutBlock, generate_layout
from benchmarks.common import BenchRow, peak_rss_mb, timed
from tests.plant.blocks import BLOCK, TYPES

__all__ = ["run"]

GAP_TARGET = 0.01
SECONDS_TARGET = 60.0
PARK_SECONDS_TARGET = 30.0


def _first_fit(lengths: FloatArray, drum_m: float) -> int:
    """Drums that first fit decreasing takes, the usual way by hand and in spreadsheets."""
    rooms: list[float] = []
    for length in sorted(lengths, reverse=True):
        for at, room in enumerate(rooms):
            if room >= length - 1e-9:
                rooms[at] = room - length
                break
        else:
            rooms.append(drum_m - length)
    return len(rooms)


def _case(name: str, lengths: FloatArray, drums: list[Drum]) -> list[BenchRow]:
    runs = pl.DataFrame(
        {"run": [f"run {at:05d}" for at in range(len(lengths))], "length_m": lengths}
    )
    seconds, plan = timed(lambda: plan_cuts(runs, drums, step_m=0.1, target_gap_ratio=GAP_TARGET))
    reference_seconds, by_hand = timed(lambda: _first_fit(lengths, drums[0].length_m))
    hand_m = by_hand * drums[0].length_m
    reference = f"first fit decreasing on {drums[0].name}: {hand_m / plan.bound - 1.0:.2%} above"
    return [
        BenchRow(
            name=f"gap of {len(lengths):,} runs, {name}, above the proven bound",
            figure=100.0 * plan.gap_ratio,
            unit="%",
            reference_name=reference,
            target=f"at most {GAP_TARGET:.0%}",
            met=plan.gap_ratio <= GAP_TARGET,
        ),
        BenchRow(
            name=f"time of it, {plan.drums.height} drums, {plan.left_ratio:.2%} left on them",
            figure=seconds,
            unit="s",
            seconds=seconds,
            reference_name="first fit decreasing",
            reference_seconds=reference_seconds,
            peak_rss_mb=peak_rss_mb(),
            target=f"below {SECONDS_TARGET:g} s",
            met=seconds < SECONDS_TARGET,
        ),
    ]


def _park(block: LayoutBlock, rows: int) -> BenchRow:
    layout = generate_layout([dataclasses.replace(block, rows_of_tables=rows)], TYPES)
    names = layout.strings["inverter"].unique(maintain_order=True)
    places = pl.DataFrame({"name": names}).with_columns(
        pl.lit(0.0).alias("x_m"), (pl.int_range(pl.len()) * 5.0).alias("y_m")
    )

    def work() -> None:
        made = cable_runs(
            layout.positions,
            layout.strings,
            layout.structures,
            destinations=places,
            module_lead_m=1.2,
        )
        assert made.runs.filter(pl.col("role") == "string").height == 2 * layout.strings.height
        string_loops(layout.positions, layout.strings, layout.structures)

    seconds, _ = timed(work)
    return BenchRow(
        name=f"cable runs and loop areas of {layout.strings.height:,} strings of 28 modules",
        figure=seconds,
        unit="s",
        seconds=seconds,
        peak_rss_mb=peak_rss_mb(),
        target=f"below {PARK_SECONDS_TARGET:g} s",
        met=seconds < PARK_SECONDS_TARGET,
    )


def run(*, quick: bool) -> list[BenchRow]:
    """Plan easy and hard cases and measure a park's runs; quick takes a tenth."""
    count = 200 if quick else 2_000
    rng = np.random.default_rng(5)
    warm = pl.DataFrame({"run": ["a", "b"], "length_m": [1.0, 2.0]})
    plan_cuts(warm, [Drum(name="warm", length_m=5.0)])
    block = dataclasses.replace(
        BLOCK,
        tables_per_row=100,
        columns=28,
        modules_per_string=28,
        string_pattern="leapfrog",
        string_span="table",
        inputs_per_inverter=10,
    )
    return [
        *_case(
            "20 to 180 m from 500 m",
            np.round(rng.uniform(20.0, 180.0, count), 1),
            [Drum(name="500 m", length_m=500.0)],
        ),
        *_case(
            "80 to 260 m from 500 m",
            np.round(rng.uniform(80.0, 260.0, count), 1),
            [Drum(name="500 m", length_m=500.0)],
        ),
        *_case(
            "60 to 260 m from 500 m, 1000 m and 305 m, two of them limited",
            np.round(rng.uniform(60.0, 260.0, count), 1),
            [
                Drum(name="500 m", length_m=500.0, available=count // 7),
                Drum(name="1000 m", length_m=1000.0),
                Drum(name="305 m", length_m=305.0, available=count // 10),
            ],
        ),
        _park(block, 35 if quick else 350),
    ]
