"""Generated layouts: geometry, string patterns, names, and agreement of their parts."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import get_args

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.errors import CallError
from arraywright.findings import Verdict, worst_verdict
from arraywright.plant import (
    Layout,
    LayoutBlock,
    check_blocks,
    check_layout,
    generate_layout,
)
from arraywright.plant.layout_block import DropPattern, Orientation, StringPattern, StringSpan
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from tests.plant.blocks import BLOCK, INVERTER, INVERTERS, TYPES


def _string(layout: Layout, name: str) -> list[tuple[str, int, int]]:
    rows = layout.positions.filter(pl.col("string") == name).sort("place_in_string")
    return [(str(s), int(r), int(c)) for s, r, c in rows["structure", "row", "column"].rows()]


def _problems(*blocks: LayoutBlock) -> list[str]:
    found = check_blocks(blocks, module_types=TYPES, inverter_types=INVERTERS)
    return [finding.place.key for finding in found if finding.place is not None]


def test_positions_lie_where_sides_gaps_and_tilt_put_them() -> None:
    """Centres follow from half a module, gaps and the cosine of the tilt (plane geometry)."""
    layout = generate_layout([BLOCK], TYPES)
    spot = {row["position"]: row for row in layout.positions.iter_rows(named=True)}
    first = spot["A-R01-T01-1-01"]
    assert (first["x_m"], first["y_m"]) == (100.5, 49.5)  # half of 1 m, half of 2 m x cos 60
    below = spot["A-R01-T01-2-01"]
    assert (below["x_m"], below["y_m"]) == (100.5, 48.49)  # 2.02 m x cos 60 further down
    assert spot["A-R01-T01-1-02"]["x_m"] == 101.52
    # A table is 6 x 1 m + 5 x 0.02 m = 6.1 m long; the next begins 0.5 m behind it.
    assert spot["A-R01-T02-1-01"]["x_m"] == pytest.approx(100.0 + 6.6 + 0.5)
    assert spot["A-R02-T01-1-01"]["y_m"] == 49.5 - 7.0
    centre = layout.structures.row(0, named=True)
    assert centre["x_m"] == 103.05
    assert centre["y_m"] == pytest.approx(50.0 - 4.02 * math.cos(math.radians(60.0)) / 2.0)


def test_landscape_puts_the_long_side_along_the_table() -> None:
    """Turning the modules swaps their sides."""
    layout = generate_layout([replace(BLOCK, orientation="landscape")], TYPES)
    first = layout.positions.row(0, named=True)
    assert (first["x_m"], first["y_m"]) == (101.0, 49.75)


@given(azimuth_deg=st.floats(0.0, 360.0))
@settings(max_examples=60, deadline=None)
def test_any_azimuth_is_a_turn_of_the_southern_one(azimuth_deg: float) -> None:
    """A rotation matrix applied to the block that faces south gives every other direction."""
    south = generate_layout([BLOCK], TYPES).positions
    turned = generate_layout([replace(BLOCK, azimuth_deg=azimuth_deg)], TYPES).positions
    angle = math.radians(180.0 - azimuth_deg)
    matrix = np.array(
        [[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]], dtype=float
    )
    corner = np.array([BLOCK.x_m, BLOCK.y_m])
    expected = (south.select("x_m", "y_m").to_numpy() - corner) @ matrix.T
    got = turned.select("x_m", "y_m").to_numpy() - corner
    along = matrix @ np.array([1.0, 0.0])
    if along[0] < -1e-9 or (abs(along[0]) <= 1e-9 and along[1] < 0.0):
        # Column 1 is the west end (or the south end): the row runs the other way.
        facing = matrix @ np.array([0.0, -1.0])
        mirror = np.outer(facing, facing) - np.outer(along, along)
        expected = expected @ mirror.T
    np.testing.assert_allclose(got, expected, atol=2e-3)


@pytest.mark.parametrize("azimuth_deg", [0.0, 45.0, 135.0, 180.0, 225.0, 315.0])
def test_column_1_is_the_west_end_whichever_way_the_table_faces(azimuth_deg: float) -> None:
    """A crew finds column 1 at the west end, on both sides of the equator."""
    layout = generate_layout([replace(BLOCK, azimuth_deg=azimuth_deg)], TYPES)
    table = layout.positions.filter(
        (pl.col("structure") == "A-R01-T01") & (pl.col("row") == 1)
    ).sort("column")
    assert bool((table["x_m"].diff().drop_nulls() > 0).all())


@pytest.mark.parametrize("azimuth_deg", [90.0, 270.0])
def test_column_1_is_the_south_end_where_tables_run_north_to_south(azimuth_deg: float) -> None:
    """Tables that face east or west count from the south."""
    layout = generate_layout([replace(BLOCK, azimuth_deg=azimuth_deg)], TYPES)
    table = layout.positions.filter(
        (pl.col("structure") == "A-R01-T01") & (pl.col("row") == 1)
    ).sort("column")
    assert bool((table["y_m"].diff().drop_nulls() > 0).all())


def test_along_row_runs_straight() -> None:
    """A string follows one module row from west to east."""
    layout = generate_layout([BLOCK], TYPES)
    assert _string(layout, "A-S02") == [("A-R01-T02", 1, column) for column in range(1, 7)]
    assert _string(layout, "A-S03") == [("A-R01-T01", 2, column) for column in range(1, 7)]


def test_leapfrog_brings_both_ends_to_one_place() -> None:
    """Every second module on the way out, the others on the way back."""
    layout = generate_layout([replace(BLOCK, string_pattern="leapfrog")], TYPES)
    assert [column for _, _, column in _string(layout, "A-S01")] == [1, 3, 5, 6, 4, 2]


def test_out_and_back_uses_two_module_rows() -> None:
    """Out along the upper row, back along the lower one, both ends above each other."""
    layout = generate_layout([replace(BLOCK, string_pattern="out_and_back")], TYPES)
    assert [(row, column) for _, row, column in _string(layout, "A-S01")] == [
        (1, 1),
        (1, 2),
        (1, 3),
        (2, 3),
        (2, 2),
        (2, 1),
    ]
    assert _string(layout, "A-S02")[0] == ("A-R01-T01", 1, 4)


def test_daisy_turns_at_the_end_of_a_row() -> None:
    """A daisy chain of 12 on a table of 2 x 6 runs out on the first row and back on the second."""
    block = replace(BLOCK, string_pattern="daisy", string_span="table", modules_per_string=12)
    layout = generate_layout([block], TYPES)
    places = [(row, column) for _, row, column in _string(layout, "A-S01")]
    assert places == [(1, c) for c in range(1, 7)] + [(2, c) for c in range(6, 0, -1)]
    assert {structure for structure, _, _ in _string(layout, "A-S02")} == {"A-R01-T02"}


def test_a_string_may_run_through_the_whole_block() -> None:
    """With span block 48 modules make three strings of 16, which no row of 24 could."""
    block = replace(BLOCK, string_pattern="daisy", modules_per_string=16)
    assert _problems(block) == ["layout.block[1].modules_per_string"]
    block = replace(block, string_span="block")
    assert _problems(block) == []
    layout = generate_layout([block], TYPES)
    assert layout.strings["modules"].to_list() == [16, 16, 16]
    assert {structure[:5] for structure, _, _ in _string(layout, "A-S02")} == {"A-R01", "A-R02"}


def test_inputs_inverters_boxes_and_drop_points_follow_the_counts() -> None:
    """Strings fill inputs, inputs fill inverters, boxes stay within an input."""
    block = replace(BLOCK, strings_per_input=3, inputs_per_inverter=2, strings_per_combiner_box=2)
    strings = generate_layout([block], TYPES).strings
    assert strings["mppt_input"].to_list() == [
        *["A-I01-M01"] * 3,
        *["A-I01-M02"] * 3,
        *["A-I02-M01"] * 2,
    ]
    boxes = strings["combiner_box"].to_list()
    assert [boxes.count(name) for name in dict.fromkeys(boxes)] == [2, 1, 2, 1, 2]
    assert strings["drop_point"].to_list() == ["A-D01"] * 4 + ["A-D02"] * 4
    assert strings["build_order"].to_list() == list(range(1, 9))


@pytest.mark.parametrize(
    ("pattern", "points"), [("per_table", 4), ("per_row", 2), ("per_block", 1), ("per_inverter", 2)]
)
def test_drop_points_are_as_many_as_their_pattern_says(pattern: DropPattern, points: int) -> None:
    """Pallets are set down per table, row of tables, block or inverter."""
    layout = generate_layout([replace(BLOCK, drop_point=pattern)], TYPES)
    assert layout.strings["drop_point"].n_unique() == points


def test_names_sort_as_people_count() -> None:
    """Position 2 comes before position 10, in every part of the name."""
    block = replace(BLOCK, columns=12, rows=11, rows_of_tables=12, pitch_m=13.0)
    layout = generate_layout([block], TYPES)
    ordered = layout.positions.sort("structure", "row", "column")["position"]
    assert ordered.to_list() == sorted(ordered.to_list())
    assert layout.strings["string"].is_sorted()
    assert layout.strings["mppt_input"].is_sorted()


def test_frames_are_the_tables_of_the_trade() -> None:
    """Generated frames have the columns and types that tables read from files have."""
    layout = generate_layout([replace(BLOCK, source_file="site.toml", source_row=7)], TYPES)
    for frame, spec in (
        (layout.structures, STRUCTURES),
        (layout.positions, POSITIONS),
        (layout.strings, STRINGS),
    ):
        assert dict(frame.schema) == dict(spec.schema)
        assert set(frame["source_row"]) == {7}
        assert set(frame["source_file"]) == {"site.toml"}
    empty = generate_layout([], TYPES)
    assert empty.positions.height == 0


@pytest.mark.parametrize(
    ("block", "key"),
    [
        (replace(BLOCK, modules_per_string=7), "modules_per_string"),
        (replace(BLOCK, string_pattern="out_and_back", modules_per_string=5), "modules_per_string"),
        (replace(BLOCK, string_pattern="out_and_back", rows=1), "modules_per_string"),
        (replace(BLOCK, columns=0), "columns"),
        (replace(BLOCK, tilt_deg=90.0), "tilt_deg"),
        (replace(BLOCK, pitch_m=2.0), "pitch_m"),
        (replace(BLOCK, module_type="other"), "module_type"),
        (replace(BLOCK, inverter_type="other"), "inverter_type"),
        (replace(BLOCK, strings_per_combiner_box=3), "strings_per_combiner_box"),
        (replace(BLOCK, rows_of_tables=10_000_000), "rows_of_tables"),
    ],
)
def test_a_block_that_cannot_be_built_is_said_with_its_key(block: LayoutBlock, key: str) -> None:
    """Each mistake names the key to correct, what was found and what is required."""
    found = check_blocks([block], module_types=TYPES, inverter_types=INVERTERS)
    assert [f.place.key for f in found if f.place] == [f"layout.block[1].{key}"]
    assert all(f.verdict is Verdict.FAIL and f.found and f.required and f.remedy for f in found)


def test_an_inverter_sets_the_limits_of_a_block() -> None:
    """More strings on an input, or inputs on an inverter, than the type has are refused."""
    small = {"big": replace(INVERTER, strings_per_input=1, mppt_inputs=2)}
    found = check_blocks([BLOCK], module_types=TYPES, inverter_types=small)
    assert {f.place.key.rpartition(".")[2] for f in found if f.place} == {
        "strings_per_input",
        "inputs_per_inverter",
    }


def test_blocks_of_one_name_are_refused() -> None:
    """Names of positions begin with the block's, so a block's name stands once."""
    assert _problems(BLOCK, replace(BLOCK, name="a", x_m=900.0)) == ["layout.block[2].name"]


@pytest.mark.parametrize(
    "block", [replace(BLOCK, modules_per_string=7), replace(BLOCK, module_type="other")]
)
def test_generating_what_cannot_be_is_a_call_error(block: LayoutBlock) -> None:
    """Whoever skips the check is stopped with the reason."""
    with pytest.raises(CallError) as caught:
        generate_layout([block], TYPES)
    assert caught.value.code == "layout-not-possible"


@st.composite
def _blocks(draw: st.DrawFn) -> LayoutBlock:
    pattern: StringPattern = draw(st.sampled_from(get_args(StringPattern)))
    span: StringSpan = draw(st.sampled_from(get_args(StringSpan)))
    length = draw(st.integers(1, 12))
    rows = draw(st.integers(1, 4))
    if pattern == "out_and_back":
        length, rows = 2 * length, 2 * rows
    return LayoutBlock(
        name=draw(st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=8)),
        module_type="north",
        inverter_type="big",
        rows_of_tables=draw(st.integers(1, 4)),
        tables_per_row=draw(st.integers(1, 4)),
        columns=length * draw(st.integers(1, 3)),
        rows=rows,
        pitch_m=draw(st.floats(17.0, 25.0)),
        table_gap_m=draw(st.floats(0.0, 3.0)),
        module_gap_mm=draw(st.floats(0.0, 50.0)),
        tilt_deg=draw(st.floats(0.0, 80.0)),
        azimuth_deg=draw(st.floats(0.0, 360.0)),
        x_m=draw(st.floats(-1000.0, 1000.0)),
        y_m=draw(st.floats(-1000.0, 1000.0)),
        orientation=draw(st.sampled_from(get_args(Orientation))),
        modules_per_string=length,
        string_pattern=pattern,
        string_span=span,
        strings_per_input=draw(st.integers(1, 4)),
        inputs_per_inverter=draw(st.integers(1, 5)),
        drop_point=draw(st.sampled_from(get_args(DropPattern))),
    )


@given(block=_blocks())
@settings(max_examples=80, deadline=None)
def test_what_is_generated_agrees_with_itself(block: LayoutBlock) -> None:
    """Any possible block gives a layout that passes every check, string by string."""
    assert check_blocks([block], module_types=TYPES, inverter_types=INVERTERS) == ()
    layout = generate_layout([block], TYPES)
    found = check_layout(layout, module_type_keys=frozenset(TYPES), inverter_types=dict(INVERTERS))
    assert worst_verdict(found) is Verdict.PASS, [f.message for f in found]
    assert layout.positions.height == block.modules
    assert layout.strings["modules"].sum() == block.modules
    places = layout.positions["place_in_string"].to_numpy().reshape(-1, block.modules_per_string)
    assert bool((places == np.arange(1, block.modules_per_string + 1)).all())
    per_string = layout.positions.group_by("string", maintain_order=True).len()
    assert per_string["string"].to_list() == layout.strings["string"].to_list()


@given(block=_blocks())
@settings(max_examples=40, deadline=None)
def test_a_daisy_chain_steps_to_the_next_module(block: LayoutBlock) -> None:
    """No lead of a daisy chain is longer than the way to the neighbour within a table."""
    block = replace(
        block, string_pattern="daisy", string_span="table", rows=block.rows + block.rows % 2
    )
    positions = generate_layout([block], TYPES).positions
    steps = positions.with_columns(
        (pl.col("row").diff().abs() + pl.col("column").diff().abs()).over("string").alias("step")
    )
    assert set(steps["step"].drop_nulls()) <= {1}
