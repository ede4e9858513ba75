"""How strings run, what the other route would do, and what a stroke nearby induces in them."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from arraywright.design import DAISY_CHAIN, LEAPFROG, loop_voltage_v, string_loops, string_routes
from arraywright.plant import Layout, generate_layout
from arraywright.plant.layout_block import StringPattern
from tests.plant.blocks import BLOCK, TYPES
from tests.published_values import published

TABLE = dataclasses.replace(
    BLOCK,
    rows_of_tables=1,
    tables_per_row=1,
    columns=12,
    modules_per_string=12,
    string_span="table",
    x_m=0.0,
    y_m=0.0,
)
ORDER = ("string", "place_in_string", "position")


def _layout(pattern: StringPattern) -> Layout:
    return generate_layout([dataclasses.replace(TABLE, string_pattern=pattern)], TYPES)


def _order(positions: pl.DataFrame) -> list[tuple[object, ...]]:
    return positions.select(ORDER).sort(ORDER[:2]).rows()


def test_stroke_of_the_textbook() -> None:
    """A published problem gives its printed digits."""
    case = published("openstax-lightning-loop")["case"]
    got = loop_voltage_v(
        math.pi / 4.0 * case["diameter_m"] ** 2,
        current_a=case["current_a"],
        rise_s=case["rise_s"],
        distance_m=case["distance_m"],
    )
    assert float(got) == pytest.approx(case["voltage_v"], abs=case["tolerance_v"])


def test_small_loop_against_the_field_integrated_over_it() -> None:
    """The field of a straight conductor, integrated over a loop of 2 m by 5 m, agrees at 100 m."""
    mu0 = 1.25663706212e-6
    flux_per_a = quad(lambda r: mu0 / (2.0 * math.pi * r) * 5.0, 99.0, 101.0)[0]
    got = loop_voltage_v(10.0, current_a=25_000.0, rise_s=0.25e-6, distance_m=100.0)
    assert float(got) == pytest.approx(flux_per_a * 25_000.0 / 0.25e-6, rel=1e-4)


def test_other_route_is_that_of_the_layout_built_that_way() -> None:
    """The other route of a daisy-chain is the leapfrog of the layout's own generator, and back."""
    chain, leaps = _layout("along_row"), _layout("leapfrog")
    of_chain = string_routes(chain.positions, chain.strings, chain.structures)
    of_leaps = string_routes(leaps.positions, leaps.strings, leaps.structures)
    assert set(of_chain.routes["route"]) == {DAISY_CHAIN}
    assert set(of_leaps.routes["route"]) == {LEAPFROG}
    assert _order(of_chain.other) == _order(leaps.positions)
    assert _order(of_leaps.other) == _order(chain.positions)
    assert of_chain.routes["other_loop_area_m2"].to_list() == pytest.approx(
        of_leaps.routes["loop_area_m2"].to_list()
    )
    # 12 modules 1.02 m apart: 11 spaces at 0.3 m, or one.
    assert of_chain.routes["loop_area_m2"].to_list() == pytest.approx([0.3 * 11 * 1.02] * 2)
    assert of_chain.routes["other_loop_area_m2"].to_list() == pytest.approx([0.3 * 1.02] * 2)
    assert of_chain.routes["step_m"].to_list() == pytest.approx([1.02] * 2)
    assert of_chain.routes["other_step_m"].to_list() == pytest.approx([2.04] * 2)


def test_string_that_runs_out_and_back_is_no_leapfrog() -> None:
    """Two rows there and back keep the rows' distance as their loop."""
    layout = _layout("out_and_back")
    found = string_routes(layout.positions, layout.strings, layout.structures).routes
    assert set(found["route"]) == {DAISY_CHAIN}
    described = string_loops(layout.positions, layout.strings, layout.structures)
    assert found["loop_area_m2"].to_list() == described["loop_area_m2"].to_list()
    assert (found["other_loop_area_m2"] < found["loop_area_m2"]).all()


@given(lengths=st.lists(st.integers(1, 41), min_size=1, max_size=6), leap=st.booleans())
def test_both_ways_lead_back(lengths: list[int], leap: bool) -> None:  # noqa: FBT001
    """Strings of any length keep their modules, and the other way of the other way is the first."""
    rows = [
        (f"S{number}", place + 1, f"S{number}-{place}", 1.1 * place, 3.0 * number, "T")
        for number, length in enumerate(lengths)
        for place in range(length)
    ]
    positions = pl.DataFrame(
        rows,
        schema=["string", "place_in_string", "position", "x_m", "y_m", "structure"],
        orient="row",
    ).with_columns(pl.lit(1).alias("row"), pl.lit(1).alias("column"))
    strings = positions.select("string").unique(maintain_order=True)
    strings = strings.with_columns(
        pl.lit(1).alias("build_order"),
        pl.lit(1).alias("modules"),
        *(
            pl.lit("x").alias(name)
            for name in (
                "module_type",
                "inverter",
                "inverter_type",
                "mppt_input",
                "combiner_box",
                "drop_point",
            )
        ),
    )
    structures = pl.DataFrame(
        {"structure": ["T"], "tilt_deg": [0.0], "azimuth_deg": [180.0], "x_m": [0.0], "y_m": [0.0]}
    )
    first = string_routes(positions, strings, structures)
    if leap:
        positions = first.other
        first = string_routes(positions, strings, structures)
        long = first.routes.filter(pl.col("ends_apart_m") > 0.0, pl.col("step_m") > 1.2)
        assert set(long["route"]) <= {LEAPFROG}
    second = string_routes(first.other, strings, structures)
    again, before = second.other, positions
    # Up to two modules there is one way only.
    keep = [f"S{number}" for number, length in enumerate(lengths) if length > 2]
    for one, other in ((again, before),):
        assert _order(one.filter(pl.col("string").is_in(keep))) == _order(
            other.filter(pl.col("string").is_in(keep))
        )
    for moved in (first.other, first.other_turned):
        assert (
            moved.select("string", "position")
            .sort("position")
            .equals(positions.select("string", "position").sort("position"))
        )
        places = moved.sort("string", "place_in_string").group_by("string", maintain_order=True)
        for (_,), frame in places:
            assert frame["place_in_string"].to_list() == list(range(1, frame.height + 1))
    turned = string_loops(first.other_turned, strings, structures)["loop_area_m2"].to_numpy()
    assert np.allclose(turned, first.routes["other_loop_area_m2"].to_numpy())


def test_layout_without_positions_has_no_loops() -> None:
    """No positions, no routes, no error."""
    layout = _layout("along_row")
    found = string_routes(layout.positions.head(0), layout.strings, layout.structures)
    assert found.routes.is_empty()
    assert found.other.is_empty()
