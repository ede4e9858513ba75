"""Bonding of tables: points, jumpers, conductor and links, against geometry by hand."""

from __future__ import annotations

import dataclasses

import polars as pl
import pytest

from arraywright.design import FRAME_BONDINGS, FrameBonding, table_bonding, table_links
from arraywright.errors import CallError
from arraywright.plant import Layout, generate_layout
from tests.plant.blocks import BLOCK, TYPES

# Tables of 2 rows of 12 modules 1 m wide and 2 m long, 20 mm apart, at 60 degrees.
TABLES = dataclasses.replace(
    BLOCK,
    rows_of_tables=3,
    tables_per_row=4,
    columns=12,
    modules_per_string=12,
    string_span="table",
    string_pattern="along_row",
    table_gap_m=0.4,
)
PITCH_M = 1.02
ROW_M = 2.02


def _layout(**other: float) -> Layout:
    return generate_layout([dataclasses.replace(TABLES, **other)], TYPES)  # type: ignore[arg-type]


def _bonding(layout: Layout, way: FrameBonding, **more: float) -> pl.DataFrame:
    return table_bonding(
        layout.positions,
        layout.structures,
        way=way,
        bonds_per_module=int(more.get("bonds", 1)),
        holes_per_module=4,
        connections_per_table=int(more.get("connections", 1)),
        slack_ratio=more.get("slack", 0.0),
        end_allowance_m=more.get("end", 0.0),
        jumper_m=more.get("jumper_m"),
        rail_length_m=more.get("rail_length_m"),
    )


@pytest.mark.parametrize("azimuth_deg", [180.0, 90.0, 212.5, 0.0])
def test_conductor_along_the_rows_by_hand(azimuth_deg: float) -> None:
    """Twice eleven spaces and once up the slope, whichever way tables face; then slack, ends."""
    layout = _layout(azimuth_deg=azimuth_deg)
    plain = 2 * 11 * PITCH_M + ROW_M
    found = _bonding(layout, "conductor")
    assert found["conductor_m"].to_list() == pytest.approx([plain] * 12, abs=5e-3)
    assert found["jumpers"].to_list() == [0] * 12
    assert found.select("rows", "columns", "modules").unique().rows() == [(2, 12, 24)]
    more = _bonding(layout, "conductor", slack=0.1, end=0.5, connections=2.0, bonds=2.0)
    assert more["conductor_m"].to_list() == pytest.approx([1.1 * plain + 1.0] * 12, abs=5e-3)
    assert more["bonding_points"].to_list() == [2 * 24 + 2] * 12


def test_jumpers_from_frame_to_frame() -> None:
    """Twenty-four frames are joined by twenty-three jumpers."""
    layout = _layout()
    found = _bonding(layout, "jumpers", jumper_m=0.3)
    assert found["jumpers"].to_list() == [23] * 12
    assert found["conductor_m"].to_list() == pytest.approx([23 * 0.3] * 12)
    assert _bonding(layout, "jumpers")["conductor_m"].null_count() == 12


@pytest.mark.parametrize(
    ("rail_m", "joints"), [(5.0, 2), (6.12, 1), (6.13, 1), (12.24, 0), (12.3, 0), (3.06, 3)]
)
def test_jumpers_across_the_joints_of_rails(rail_m: float, joints: int) -> None:
    """A row of 12.24 m in lengths of rail has one joint fewer than lengths, on two rails a row."""
    found = _bonding(_layout(), "clamps", rail_length_m=rail_m, jumper_m=0.25)
    assert found["jumpers"].to_list() == [joints * 2 * 2] * 12
    assert found["conductor_m"].to_list() == pytest.approx([joints * 2 * 2 * 0.25] * 12)
    assert _bonding(_layout(), "clamps")["jumpers"].null_count() == 12


@pytest.mark.parametrize("azimuth_deg", [180.0, 90.0, 135.0, 0.0])
@pytest.mark.parametrize("columns", [12, 1])
def test_links_go_from_table_to_table_along_the_row(azimuth_deg: float, columns: int) -> None:
    """Four tables in a row have three links, from edge module to edge module; rows stay apart."""
    layout = _layout(azimuth_deg=azimuth_deg, columns=columns, modules_per_string=1)
    links = table_links(layout.positions, layout.structures)
    wanted = {
        (f"A-R0{row}-T0{at}", f"A-R0{row}-T0{at + 1}") for row in (1, 2, 3) for at in (1, 2, 3)
    }
    assert {tuple(sorted(pair)) for pair in links.select("from", "to").rows()} == wanted
    assert links.height == 9
    assert links["plan_m"].to_list() == pytest.approx([1.0 + 0.4] * 9, abs=5e-3)


def test_tables_far_apart_are_not_linked() -> None:
    """A way of 6 m between tables is no place for a bonding link; one table alone has none."""
    layout = _layout(table_gap_m=6.0)
    assert table_links(layout.positions, layout.structures).is_empty()
    alone = _layout(rows_of_tables=1, tables_per_row=1)
    assert table_links(alone.positions, alone.structures).is_empty()


def test_order_of_the_tables_does_not_matter() -> None:
    """Positions in any order give the same bonding."""
    layout = _layout()
    mixed = layout.positions.sample(fraction=1.0, shuffle=True, seed=7)
    for way in FRAME_BONDINGS:
        one = table_bonding(
            layout.positions,
            layout.structures,
            way=way,  # type: ignore[arg-type]
            bonds_per_module=1,
            holes_per_module=1,
            rail_length_m=5.0,
        )
        other = table_bonding(
            mixed,
            layout.structures,
            way=way,  # type: ignore[arg-type]
            bonds_per_module=1,
            holes_per_module=1,
            rail_length_m=5.0,
        )
        assert one.equals(other)


def test_way_nobody_knows_is_refused() -> None:
    """Only the ways that are documented can be counted."""
    layout = _layout()
    with pytest.raises(CallError, match="glue"):
        _bonding(layout, "glue")  # type: ignore[arg-type]
