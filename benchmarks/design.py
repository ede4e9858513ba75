"""Checking the design of a whole park in a fresh process, and ten thousand variants of a site."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import polars as pl
import pvlib

from arraywright.design import Practice, check_design, evaluate_check
from arraywright.procedures.design_cases import design_cases
from arraywright.procedures.remember import Remembered
from arraywright.procedures.what_if import parse_sweep
from arraywright.procedures.what_if_work import vary
from arraywright.readers.site import read_site
from benchmarks.common import BenchRow, peak_rss_mb, timed

__all__ = ["run"]

SECONDS_TARGET = 30.0
VARIANTS = 10_000
CHECKED = Path(__file__).parents[1] / "docs" / "examples" / "checked-site"
WEATHER = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"
_DESTINATION = re.compile(r"\[\[cables\.destinations\]\]\n(?:[a-z_]+ = \S+\n)+\n?")
_PROGRAM = "from arraywright.cli.main import main; main()"


def _with_weather(folder: Path, text: str) -> None:
    folder.mkdir(parents=True)
    (folder / WEATHER.name).write_bytes(WEATHER.read_bytes())
    text += f'\n[weather]\nfiles = ["{WEATHER.name}"]\n'
    (folder / "site.toml").write_text(text, encoding="utf-8")


def _make_park(folder: Path, *, rows: int) -> int:
    """Write a park of two blocks with a place for every inverter and box; give its strings."""
    text = (CHECKED / "site.toml").read_text(encoding="utf-8")
    text = _DESTINATION.sub("", text)
    for before, after in (
        ("rows_of_tables = 3", f"rows_of_tables = {rows}"),
        ("rows_of_tables = 6", f"rows_of_tables = {rows}"),
        ("tables_per_row = 2", "tables_per_row = 50"),
        ("y_m = -60", "y_m = -5000"),
        ("length_m = 500", "length_m = 1500"),
    ):
        assert before in text
        text = text.replace(before, after)
    _with_weather(folder, text)
    site = read_site(folder).site
    assert site is not None
    first = site.positions.filter(pl.col("place_in_string") == 1).select("string", "x_m", "y_m")
    strings = site.strings.join(first, on="string")
    places = (
        pl.concat(
            strings.select(pl.col(name).alias("name"), "x_m", "y_m")
            for name in ("inverter", "combiner_box")
        )
        .filter(pl.col("name").str.len_chars() > 0)
        .group_by("name", maintain_order=True)
        .agg(pl.col("x_m", "y_m").mean().round(1))
    )
    with (folder / "site.toml").open("a", encoding="utf-8") as out:
        for name, x_m, y_m in places.rows():
            out.write(f'\n[[cables.destinations]]\nname = "{name}"\nx_m = {x_m}\ny_m = {y_m}\n')
    return site.strings.height


def _check_in_a_process(folder: Path, home: Path) -> dict[str, object]:
    done = subprocess.run(  # noqa: S603 - this very program
        [sys.executable, "-c", _PROGRAM, "check", str(folder), "--json"],
        env={**os.environ, "ARRAYWRIGHT_HOME": str(home)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode in (0, 1), done.stderr
    told: dict[str, object] = json.loads(done.stdout)
    return told


def _park_row(folder: Path, *, rows: int) -> BenchRow:
    strings = _make_park(folder / "park", rows=rows)
    seconds, told = timed(lambda: _check_in_a_process(folder / "park", folder / "home"))
    result = told["result"]
    assert isinstance(result, dict)
    assert "first_year" in result
    return BenchRow(
        name=f"check of {strings:,} strings with a year of weather, cable schedule and cutting "
        f"plan, {len(result['checks'])} checks, in a fresh process",
        figure=seconds,
        unit="s",
        seconds=seconds,
        target=f"below {SECONDS_TARGET:g} s",
        met=seconds < SECONDS_TARGET,
    )


def _whole_calls(folder: Path, key: str, values: list[float]) -> None:
    """Read and check the whole site for each value, as a call with ``--set`` does."""
    remembered = Remembered()
    for value in values:
        site = read_site(folder, settings={key: value}).site
        assert site is not None
        for case in design_cases(site, folder=folder, remembered=remembered).cases:
            check_design(
                case.check, subject=case.subject, practice=Practice.IEC, values=case.values
            )


def _sweep_row(folder: Path, words: str, key: str, *, ends: str, count: int, few: int) -> BenchRow:
    sweep = parse_sweep(f"{key}={ends}:{count}")
    seconds, varied = timed(lambda: vary(folder, sweep, settings={}))
    sample = [float(one) for one in sweep.values[:: max(count // few, 1)]][:few]
    sampled, _ = timed(lambda: _whole_calls(folder, key, sample))
    reference = sampled * count / len(sample)
    return BenchRow(
        name=f"{count:,} variants, {words}: {key}, {len(varied.lines)} margins, "
        f"{varied.worked} values worked out in full, off by at most "
        f"{100.0 * varied.deviation_ratio:.2g} % of the limit where tried",
        figure=seconds,
        unit="s",
        seconds=seconds,
        reference_name=f"the whole site for each value (from {len(sample)} of them)",
        reference_seconds=reference,
        ratio=reference / seconds,
        peak_rss_mb=peak_rss_mb(),
        target=f"below {SECONDS_TARGET:g} s",
        met=seconds < SECONDS_TARGET,
    )


def _formula_row(count: int) -> BenchRow:
    """Measure all checks that have the number of modules in them, at once and one by one."""
    site = read_site(CHECKED).site
    assert site is not None
    modules = np.linspace(5.0, 40.0, count)
    held = [
        (case.check, {name: np.asarray(value) for name, value in case.values.items()})
        for case in design_cases(site).cases
        if "modules" in case.values and None not in case.values.values()
    ]
    for check, values in held:
        evaluate_check(check, values)

    def at_once() -> list[float]:
        return [
            float(evaluate_check(check, {**values, "modules": modules}).margin.sum())
            for check, values in held
        ]

    def one_by_one() -> list[float]:
        return [
            sum(
                float(evaluate_check(check, {**values, "modules": one}).margin[0])
                for one in modules
            )
            for check, values in held
        ]

    seconds, together = timed(at_once)
    reference, apart = timed(one_by_one)
    np.testing.assert_allclose(together, apart, rtol=1e-9)
    return BenchRow(
        name=f"{len(held)} checks of {count:,} string lengths at once",
        figure=seconds,
        unit="s",
        seconds=seconds,
        reference_name="the same functions, one length after the other",
        reference_seconds=reference,
        ratio=reference / seconds,
        target="faster than one by one",
        met=seconds < reference,
    )


def run(*, quick: bool) -> list[BenchRow]:
    """Check a park and vary a site; quick takes a hundredth."""
    count = VARIANTS // 100 if quick else VARIANTS
    few = 5 if quick else 40
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        _with_weather(folder / "site", (CHECKED / "site.toml").read_text(encoding="utf-8"))
        return [
            _park_row(folder, rows=4 if quick else 350),
            _formula_row(count),
            _sweep_row(
                CHECKED,
                "itself in the checks",
                "site.design_min_air_temp_c",
                ends="-40:0",
                count=count,
                few=few,
            ),
            _sweep_row(
                CHECKED,
                "cable lengths follow from it",
                "layout.block.0.pitch_m",
                ends="6:20",
                count=count,
                few=few,
            ),
            _sweep_row(
                folder / "site",
                "cable lengths, loads, sun, shade and the year's yield follow from it",
                "layout.block.0.tilt_deg",
                ends="5:45",
                count=count,
                few=few,
            ),
        ]
