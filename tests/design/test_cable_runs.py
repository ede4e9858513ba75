"""Cable runs, loop areas and the schedule from an invented layout."""

from __future__ import annotations

import dataclasses

import polars as pl
import pytest

from arraywright.design.cable_runs import (
    DESTINATIONS,
    CableChoice,
    CableRuns,
    cable_quantities,
    cable_runs,
    cable_schedule,
    string_loops,
)
from arraywright.design.check import Practice
from arraywright.errors import CallError
from arraywright.findings import Verdict
from arraywright.plant import Layout, LayoutBlock, generate_layout
from arraywright.plant.layout_block import StringPattern
from tests.plant.blocks import BLOCK, TYPES

# One table of 2 rows of 12 modules 1 m wide and 2 m long, 20 mm apart, at 60 degrees.
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
PITCH_M = 1.02
ROW_M = 2.02


def _layout(block: LayoutBlock) -> Layout:
    return generate_layout([block], TYPES)


def _at(points: dict[str, tuple[float, float]]) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "name": list(points),
            "x_m": [x for x, _ in points.values()],
            "y_m": [y for _, y in points.values()],
        }
    )


def _runs(layout: Layout, points: dict[str, tuple[float, float]], **more: float) -> CableRuns:
    held: dict[str, float] = {"module_lead_m": 1.2, "slack_ratio": 0.0, "end_allowance_m": 0.0}
    held |= more
    return cable_runs(
        layout.positions,
        layout.strings,
        layout.structures,
        destinations=_at(points),
        module_lead_m=held["module_lead_m"],
        slack_ratio=held["slack_ratio"],
        end_allowance_m=held["end_allowance_m"],
        step_m=held.get("step_m", 0.001),
    )


@pytest.mark.parametrize(
    ("pattern", "area_m2"),
    [
        # Along a row: only the return conductor beside eleven spaces of modules.
        ("along_row", 0.3 * 11 * PITCH_M),
        ("daisy", 0.3 * 11 * PITCH_M),
        # Out and back: five spaces times the rows' distance on the slope, ends one row apart.
        ("out_and_back", 5 * PITCH_M * ROW_M + 0.3 * ROW_M * 0.5),
        # Leapfrog: nothing but the two ends beside one another.
        ("leapfrog", 0.3 * PITCH_M),
    ],
)
def test_loop_area_by_pattern(pattern: StringPattern, area_m2: float) -> None:
    """Geometry by hand gives the area each pattern encloses; cos 60 degrees is a half."""
    layout = _layout(dataclasses.replace(TABLE, string_pattern=pattern))
    loops = string_loops(layout.positions, layout.strings, layout.structures)
    assert loops["string"].to_list() == layout.strings["string"].to_list()
    assert loops["loop_area_m2"].to_list() == pytest.approx([area_m2] * 2, rel=2e-3)


def test_loop_area_does_not_care_where_the_site_is() -> None:
    """Coordinates of a national grid lose no digits."""
    near = _layout(dataclasses.replace(TABLE, string_pattern="out_and_back"))
    far = _layout(
        dataclasses.replace(TABLE, string_pattern="out_and_back", x_m=512_345.0, y_m=5_432_100.0)
    )
    areas = [
        string_loops(one.positions, one.strings, one.structures)["loop_area_m2"].to_list()
        for one in (near, far)
    ]
    assert areas[0] == pytest.approx(areas[1], abs=0.02)


@pytest.mark.parametrize("azimuth_deg", [180.0, 90.0, 0.0, 270.0])
def test_lengths_run_along_and_across_the_rows(azimuth_deg: float) -> None:
    """A string along a row has one end near and one end far from its inverter, by hand."""
    block = dataclasses.replace(TABLE, rows=1, azimuth_deg=azimuth_deg)
    layout = _layout(block)
    first = layout.positions.row(0, named=True)
    last = layout.positions.row(-1, named=True)
    name = layout.strings["inverter"][0]
    # In line with the row, 10 m beyond its last module.
    x_m = last["x_m"] + 10.0 * (last["x_m"] - first["x_m"]) / (11 * PITCH_M)
    y_m = last["y_m"] + 10.0 * (last["y_m"] - first["y_m"]) / (11 * PITCH_M)
    runs = _runs(layout, {name: (x_m, y_m)}).runs
    assert runs["run"].to_list() == ["A-S01+", "A-S01-"]
    assert runs["plan_m"].to_list() == pytest.approx([11 * PITCH_M + 10.0, 10.0], abs=2e-3)
    assert runs["from"].to_list() == [first["position"], last["position"]]


def test_slack_ends_and_step() -> None:
    """Length is plan with slack and two ends, rounded up to the step."""
    layout = _layout(dataclasses.replace(TABLE, rows=1))
    last = layout.positions.row(-1, named=True)
    points = {layout.strings["inverter"][0]: (last["x_m"], last["y_m"] - 10.0)}
    run = _runs(layout, points, slack_ratio=0.1, end_allowance_m=1.5, step_m=0.5).runs.row(1)
    assert run[-2] == pytest.approx(10.0)
    assert run[-1] == 14.0
    again = _runs(layout, points, slack_ratio=0.11, end_allowance_m=1.5, step_m=0.5).runs.row(1)
    assert again[-1] == 14.5


def test_boxes_stand_between_strings_and_inverters() -> None:
    """Strings end at their box, and each box has one pair of cables to its inverter."""
    layout = _layout(dataclasses.replace(TABLE, rows=4, strings_per_combiner_box=2))
    strings = layout.strings
    boxes = strings["combiner_box"].unique().sort().to_list()
    points = {name: (0.0, 5.0 * number) for number, name in enumerate(boxes)}
    points |= dict.fromkeys(strings["inverter"].unique().to_list(), (30.0, 0.0))
    made = _runs(layout, points)
    ends = made.runs.filter(pl.col("role") == "string")
    assert set(ends["to"]) == set(boxes)
    assert ends.height == 2 * strings.height
    trunks = made.runs.filter(pl.col("role") == "array")
    assert trunks["run"].to_list() == [f"{box}{sign}" for box in boxes for sign in "+-"]
    assert trunks["plan_m"].to_list() == pytest.approx([30.0, 30.0, 35.0, 35.0])
    assert not made.findings
    assert made.runs["run"].n_unique() == made.runs.height


def test_leapfrog_needs_extensions_where_leads_are_short() -> None:
    """Leads of 0.9 m reach a neighbour but not the next but one, 2.04 m away."""
    layout = _layout(dataclasses.replace(TABLE, rows=1, string_pattern="leapfrog"))
    points = {layout.strings["inverter"][0]: (0.0, 0.0)}
    short = _runs(layout, points, module_lead_m=0.9).runs.filter(pl.col("role") == "extension")
    assert short.height == 10
    assert short["length_m"].to_list() == pytest.approx([2 * PITCH_M - 1.8] * 10, abs=2e-3)
    assert _runs(layout, points).runs.filter(pl.col("role") == "extension").height == 0


def test_what_is_missing_is_told_and_has_no_length() -> None:
    """A box nobody located and a string nobody placed are findings, never lengths of zero."""
    layout = _layout(dataclasses.replace(TABLE, strings_per_input=1, inputs_per_inverter=1))
    names = layout.strings["inverter"].to_list()
    made = _runs(layout, {names[0]: (0.0, 0.0)})
    assert [one.verdict for one in made.findings] == [Verdict.NOT_ASSESSABLE]
    assert made.findings[0].subject == names[1]
    assert set(made.runs["to"]) == {names[0]}
    first = layout.strings["string"][0]
    bare = dataclasses.replace(layout, positions=layout.positions.filter(pl.col("string") != first))
    made = _runs(bare, dict.fromkeys(names, (0.0, 0.0)))
    assert [one.subject for one in made.findings] == [first]
    assert first not in set(made.runs["string"])
    assert string_loops(bare.positions, bare.strings, bare.structures).height == 1


def test_positions_may_stand_in_any_order() -> None:
    """A shuffled table of positions gives the same runs and loops."""
    layout = _layout(dataclasses.replace(TABLE, string_pattern="out_and_back"))
    mixed = dataclasses.replace(
        layout, positions=layout.positions.sample(fraction=1.0, shuffle=True, seed=3)
    )
    points = {layout.strings["inverter"][0]: (-4.0, 2.0)}
    assert _runs(layout, points).runs.equals(_runs(mixed, points).runs)
    assert string_loops(layout.positions, layout.strings, layout.structures).equals(
        string_loops(mixed.positions, mixed.strings, mixed.structures)
    )


def test_schedule_has_size_and_resistance_of_every_run() -> None:
    """A run of 6 mm2 tinned copper has 3.39 ohm a kilometre, and the sums are the runs'."""
    layout = _layout(TABLE)
    made = _runs(layout, {layout.strings["inverter"][0]: (-10.0, 0.0)})
    choice = CableChoice(area_mm2=6.0, material="tinned_copper")
    schedule = cable_schedule(made.runs, cables={"string": choice}, practice=Practice.IEC)
    assert schedule["number"].to_list() == list(range(1, made.runs.height + 1))
    assert schedule["size"].unique().to_list() == ["6 mm2"]
    assert schedule["resistance_ohm"].to_list() == pytest.approx(
        (schedule["length_m"] * 0.00339).to_list()
    )
    sums = cable_quantities(schedule).row(0, named=True)
    assert sums["runs"] == made.runs.height
    assert sums["length_m"] == pytest.approx(made.runs["length_m"].sum())


def test_what_cannot_be_scheduled_is_refused() -> None:
    """A role without a cable, a material nobody knows and a name twice are told."""
    layout = _layout(TABLE)
    name = layout.strings["inverter"][0]
    runs = _runs(layout, {name: (0.0, 0.0)}).runs
    with pytest.raises(CallError):
        cable_schedule(runs, cables={}, practice=Practice.IEC)
    with pytest.raises(CallError):
        cable_schedule(
            runs,
            cables={"string": CableChoice(area_mm2=6.0, material="gold")},
            practice=Practice.IEC,
        )
    twice = pl.concat([_at({name: (0.0, 0.0)}), _at({name: (1.0, 0.0)})])
    with pytest.raises(CallError):
        cable_runs(
            layout.positions,
            layout.strings,
            layout.structures,
            destinations=twice,
            module_lead_m=1.0,
        )
    with pytest.raises(CallError):
        _runs(layout, {name: (0.0, 0.0)}, slack_ratio=-0.1)
    with pytest.raises(CallError):
        string_loops(layout.positions.drop("x_m"), layout.strings, layout.structures)


def test_destinations_are_described() -> None:
    """The table of destinations says its columns, and names stand once."""
    assert DESTINATIONS.required == ("name", "x_m", "y_m")
    assert DESTINATIONS.identity == ("name",)
