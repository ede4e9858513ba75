"""Curves with parts missing or senseless: never a pass, never an error."""

from __future__ import annotations

from typing import Any

import numpy as np
import polars as pl
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.commissioning.curves import judge_curves
from tests.commissioning.invented import (
    NOW,
    make_curves,
    make_instruments,
    make_modules,
    make_site,
)

SITE = make_site(1)
MODULES = make_modules(SITE, spread=0.003)
SOUND = make_curves(
    SITE, MODULES, irradiance_w_m2=900.0, cell_temp_c=45.0, noise_ratio=0.001, points=60
)
NEEDED = ("irradiance_w_m2", "module_temp_c", "meter", "irradiance_sensor", "thermometer")


def _judged(points: pl.DataFrame) -> dict[str, Any]:
    found = judge_curves(
        SITE, points=points, instruments=make_instruments(), modules=MODULES, now_utc=NOW
    )
    return found.curves.row(0, named=True)


def test_the_curve_itself_passes() -> None:
    """What the other tests spoil is a passing curve."""
    assert _judged(SOUND)["verdict"] == "pass"


@settings(deadline=None, max_examples=40)
@given(
    missing=st.sets(st.sampled_from([*NEEDED, "voltage_v", "current_a"]), min_size=1),
    as_nan=st.booleans(),
)
def test_a_curve_without_something_it_needs_never_passes(
    missing: set[str],
    as_nan: bool,  # noqa: FBT001
) -> None:
    """Conditions, instruments or values left out leave a curve not assessable."""
    gone = []
    for name in sorted(missing):
        dtype = SOUND.schema[name]
        value = float("nan") if as_nan and dtype == pl.Float64 else None
        gone.append(pl.lit(value, dtype=dtype).alias(name))
    row = _judged(SOUND.with_columns(gone))
    assert row["verdict"] == "not_assessable"
    assert row["reasons"]
    assert row["p_sound"] is None


@settings(deadline=None, max_examples=60)
@given(
    kept=st.sets(st.integers(0, 59)),
    spoilt=st.lists(
        st.tuples(
            st.integers(0, 59),
            st.sampled_from(["voltage_v", "current_a", "irradiance_w_m2", "module_temp_c"]),
            st.sampled_from([None, float("nan"), float("inf"), -1e9, 0.0, 1e12]),
        ),
        max_size=30,
    ),
)
def test_a_curve_that_passes_has_its_points_and_its_power(
    kept: set[int], spoilt: list[tuple[int, str, float | None]]
) -> None:
    """Points left out or senseless never raise; a pass has enough of them and the true power."""
    values = {
        name: SOUND[name].to_list()
        for name in ("voltage_v", "current_a", "irradiance_w_m2", "module_temp_c")
    }
    for place, name, value in spoilt:
        values[name][place] = value
    points = SOUND.with_columns(
        pl.Series(name, column, dtype=pl.Float64) for name, column in values.items()
    )[sorted(kept)]
    if points.is_empty():
        return
    row = _judged(points)
    if row["verdict"] == "pass":
        whole = points.filter(pl.col("voltage_v").is_finite() & pl.col("current_a").is_finite())
        assert whole.height >= 10
        assert np.isfinite(row["pmax_stc_w"])
        assert abs(row["pmax_stc_w"] / MODULES.pmax_sum_w()[0] - 1.0) < 0.05 + 2 * 0.05
    else:
        assert row["reasons"]
