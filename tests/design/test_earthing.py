"""Earthing and bonding against published tables and examples."""

from __future__ import annotations

import dataclasses

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.design.check import Practice
from arraywright.design.conductors import nec_size_mm2
from arraywright.design.earthing import (
    adiabatic_mm2,
    bonding_path_ohm,
    bonding_points,
    equipment_grounding_mm2,
    equipment_grounding_size,
    increased_grounding_mm2,
    protective_conductor_mm2,
)
from arraywright.errors import CallError
from arraywright.plant import generate_layout
from tests.plant.blocks import BLOCK, TYPES
from tests.published_values import published

NEC = published("nec-conductor-examples")
HELD = published("protective-conductor-examples")


def test_equipment_grounding_as_listed() -> None:
    """Devices get the conductor of table 250.122, those between two rows of the next row."""
    held = NEC["grounding"]
    for device, size in zip(held["device_a"], held["copper"], strict=True):
        assert equipment_grounding_size(device) == size
        assert equipment_grounding_mm2(device) == pytest.approx(nec_size_mm2(size))
    for device, size in zip(held["aluminium_device_a"], held["aluminium"], strict=True):
        assert equipment_grounding_size(device, material="aluminium") == size
        assert equipment_grounding_mm2(device, aluminium=1.0) == pytest.approx(nec_size_mm2(size))


def test_a_device_beyond_the_table_has_no_size() -> None:
    """Nothing is read past the table's end, nor without a device."""
    assert np.isnan(equipment_grounding_mm2([0.0, 1201.0])).all()
    for device in (0.0, 1201.0):
        with pytest.raises(CallError):
            equipment_grounding_size(device)


@pytest.mark.parametrize(
    "case", NEC["increased"], ids=lambda case: f"{case['grounding']}-{case['wanted']}"
)
def test_grounding_grows_with_its_circuit(case: dict[str, str]) -> None:
    """Published examples of proportionate increase end at their size."""
    got = increased_grounding_mm2(
        nec_size_mm2(case["grounding"]),
        circuit_mm2=nec_size_mm2(case["circuit"]),
        least_circuit_mm2=nec_size_mm2(case["least"]),
    )
    assert got == pytest.approx(nec_size_mm2(case["wanted"]))


def test_increase_ends_with_the_listed_sizes() -> None:
    """A conductor larger than any listed is not invented."""
    with pytest.raises(CallError):
        increased_grounding_mm2(200.0, circuit_mm2=400.0, least_circuit_mm2=10.0)


@pytest.mark.parametrize(
    "case", HELD["adiabatic"], ids=lambda case: f"{case['fault_current_a']:g} A"
)
def test_adiabatic_examples(case: dict[str, float]) -> None:
    """The textbook's two faults need what it prints."""
    got = adiabatic_mm2(
        case["fault_current_a"], duration_s=case["duration_s"], k_factor=case["k_factor"]
    )
    assert got == pytest.approx(case["area_mm2"], abs=case["tolerance_mm2"])


def test_protective_conductor_by_its_line() -> None:
    """The table's three ranges meet at 16 and 35 mm2."""
    table = HELD["table"]
    assert protective_conductor_mm2(table["line_mm2"]).tolist() == table["protective_mm2"]


@given(st.floats(min_value=0.5, max_value=400.0), st.floats(min_value=0.5, max_value=1200.0))
def test_a_protective_conductor_never_exceeds_its_line(line: float, device: float) -> None:
    """No table asks for more earth than line, and larger devices never for less."""
    assert protective_conductor_mm2(line) <= line
    pair = equipment_grounding_mm2([device / 2.0, device])
    assert pair[0] <= pair[1]


def test_path_to_earth_is_conductor_and_joints() -> None:
    """100 m of 6 mm2 class 5 copper have 0.33 ohm, ten joints of 10 mohm another 0.1."""
    got = bonding_path_ohm(100.0, area_mm2=6.0, joints=10, joint_ohm=0.01, practice=Practice.IEC)
    assert got == pytest.approx(0.43)


def test_bonding_points_of_every_table() -> None:
    """Each table counts its frames' bonds and its own connection; an empty one only this."""
    layout = generate_layout([dataclasses.replace(BLOCK, columns=3, rows=2)], TYPES)
    bare = layout.structures.head(1).with_columns(pl.lit("bare").alias("structure"))
    points = bonding_points(
        layout.positions,
        pl.concat([layout.structures, bare]),
        bonds_per_module=2,
        holes_per_module=4,
        connections_per_table=2,
    )
    assert points["structure"].to_list() == [*layout.structures["structure"].to_list(), "bare"]
    assert points["modules"].to_list() == [6] * layout.structures.height + [0]
    assert points["bonding_points"].to_list() == [14] * layout.structures.height + [2]
    assert points["module_bonds"].sum() == 2 * layout.positions.height


@pytest.mark.parametrize("bonds", [0, 5])
def test_frames_are_neither_forgotten_nor_drilled(bonds: int) -> None:
    """A frame needs a bond, and not more of them than it has holes."""
    layout = generate_layout([BLOCK], TYPES)
    with pytest.raises(CallError):
        bonding_points(
            layout.positions, layout.structures, bonds_per_module=bonds, holes_per_module=4
        )
