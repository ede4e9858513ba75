"""Sizes, resistance and ampacity of conductors, against published tables and examples."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.arrays import FloatArray
from arraywright.design.check import Practice
from arraywright.design.conductors import (
    LAYINGS,
    MATERIALS,
    ambient_ratio,
    corrected_ampacity_a,
    equivalent_iec_mm2,
    equivalent_nec_size,
    grouping_ratio,
    nec_size_mm2,
    nominal_mm2,
    operating_conductor_temp_c,
    resistance_at_temp_ohm,
    run_resistance_ohm,
    size_areas_mm2,
    size_name,
    table_ampacity_a,
)
from arraywright.design.data_tables import standard_values
from arraywright.errors import CallError
from arraywright.sources import SOURCES
from tests.published_values import published

NEC = published("nec-conductor-examples")
CABLE = published("en-50618-cable")
SIZES = published("astm-b258-sizes")
FOOT_M = 0.3048
TINNED = MATERIALS.index("tinned_copper")
AREAS = st.floats(min_value=0.5, max_value=400.0)
PRACTICES = st.sampled_from(list(Practice))
LAYING_NUMBERS = st.integers(min_value=0, max_value=len(LAYINGS) - 1)


def _hundred_metres(
    area_mm2: npt.ArrayLike, *, practice: Practice = Practice.IEC, material: int = 0
) -> FloatArray:
    return run_resistance_ohm(
        area_mm2,
        conductor_length_m=100.0,
        conductor_temp_c=20.0,
        practice=practice,
        material=material,
    )


def test_gauges_have_their_area() -> None:
    """Areas of gauges are those of ASTM B258, to the last printed digit."""
    held = SIZES["expected"]
    for size, area in zip(held["size"], held["area_mm2"], strict=True):
        assert nec_size_mm2(size) == pytest.approx(area, abs=held["tolerance_mm2"])


def test_gauges_agree_with_the_listed_circular_mils() -> None:
    """The formula gives the code table's rounded areas, 1/0 to 4/0 included."""
    held = NEC["circular_mils"]
    for size, cmil in zip(held["size"], held["area_cmil"], strict=True):
        mm2 = cmil * np.pi / 4.0 * (0.0254) ** 2
        assert nec_size_mm2(size) == pytest.approx(mm2, rel=held["tolerance_ratio"])
    assert nec_size_mm2("250") == pytest.approx(250.0 * np.pi / 4.0 * 0.0254**2 * 1000.0)


def test_sizes_of_one_practice_have_one_in_the_other() -> None:
    """The next size up replaces a size of the other practice."""
    held = SIZES["equivalent"]
    assert [equivalent_iec_mm2(size) for size in held["nec"]] == held["iec_mm2"]
    assert [equivalent_nec_size(area) for area in held["iec_area_mm2"]] == held["nec_size"]


@pytest.mark.parametrize("name", ["", "ten", "-3", "x/0"])
def test_a_name_that_is_no_size_is_refused(name: str) -> None:
    """A slip in a size is told, not guessed."""
    with pytest.raises(CallError):
        nec_size_mm2(name)


def test_names_are_as_ordered() -> None:
    """Names carry what a shop needs to know."""
    assert size_name(6.0, practice=Practice.IEC) == "6 mm2"
    assert size_name(13.3, practice=Practice.NEC) == "6 AWG"
    assert size_name(nec_size_mm2("2/0"), practice=Practice.NEC) == "2/0 AWG"
    assert size_name(nec_size_mm2("250"), practice=Practice.NEC) == "250 kcmil"
    assert size_name(6.0, practice=Practice.NEC) == "6 mm2"
    assert nominal_mm2(13.3, practice=Practice.NEC) == nec_size_mm2("6")
    assert nominal_mm2([6.0, 9.0], practice=Practice.NEC).tolist() == [6.0, 9.0]


def test_listed_resistances_agree_with_first_principles() -> None:
    """Chapter 9 table 8 follows from resistivity, temperature and stranding within half a %."""
    held = NEC["resistance"]
    for size, ohm in zip(held["size"], held["ohm_per_1000_ft"], strict=True):
        area = nec_size_mm2(size)
        got = run_resistance_ohm(
            area, conductor_length_m=1000.0 * FOOT_M, conductor_temp_c=75.0, practice=Practice.NEC
        )
        assert got == pytest.approx(ohm, rel=1e-12)
        cold = held["resistivity_20c"] / area * FOOT_M * held["stranding_ratio"]
        warm = resistance_at_temp_ohm(cold, conductor_temp_c=75.0)
        assert warm == pytest.approx(ohm, rel=held["tolerance_ratio"])


def test_drop_of_photovoltaic_cable_as_specified() -> None:
    """A cable's printed drop at 120 degC follows from IEC 60228, for fifteen sizes."""
    expected = CABLE["expected"]
    loop = run_resistance_ohm(
        CABLE["inputs"]["area_mm2"],
        conductor_length_m=2000.0,
        conductor_temp_c=CABLE["inputs"]["conductor_temp_c"],
        practice=Practice.IEC,
        material=TINNED,
    )
    assert loop == pytest.approx(
        np.array(expected["drop_v_per_a_km"]), rel=expected["tolerance_ratio"]
    )


def test_a_size_that_is_not_listed_counts_as_the_smaller() -> None:
    """5.26 mm2 has the resistance and ampacity of 4 mm2 in the IEC practice, never better."""
    assert _hundred_metres(5.26) == _hundred_metres(4.0)
    assert _hundred_metres(0.75) == pytest.approx(13.3 / 10.0 * 1.5 / 0.75)
    assert table_ampacity_a(5.26, practice=Practice.IEC, laying=0) == 55.0
    assert table_ampacity_a(1.0, practice=Practice.IEC, laying=0) == 0.0


def test_ampacity_of_photovoltaic_cable_as_specified() -> None:
    """The three ways of laying have the printed ampacities."""
    held = CABLE["ampacity"]
    for name in ("free_air", "on_surface", "touching"):
        got = table_ampacity_a(held["area_mm2"], practice=Practice.IEC, laying=LAYINGS.index(name))
        assert got.tolist() == held[name]
    factor = ambient_ratio(CABLE["ambient"]["ambient_c"], practice=Practice.IEC, laying=0)
    assert factor == pytest.approx(np.array(CABLE["ambient"]["factor"]))
    assert ambient_ratio(91.0, practice=Practice.IEC, laying=0) == 0.0


@pytest.mark.parametrize("insulation", [75, 90])
def test_equation_gives_the_listed_ambient_factors(insulation: int) -> None:
    """Listed factors of table 310.15(B)(1)(1) come from the equation at the band's upper end."""
    held = NEC["ambient"][f"insulation_{insulation}"]
    got = ambient_ratio(
        held["ambient_c"], practice=Practice.NEC, laying=3, insulation_temp_c=insulation
    )
    assert got == pytest.approx(np.array(held["factor"]), abs=NEC["ambient"]["tolerance_ratio"])


def test_grouping_as_listed() -> None:
    """Circuits of two conductors get the listed factors."""
    held = NEC["grouping"]
    assert grouping_ratio(held["circuits"], practice=Practice.NEC).tolist() == held["factor"]
    # Between listed numbers of circuits the greater counts, beyond the last the last factor.
    got = grouping_ratio([1, 2, 10, 12, 40], practice=Practice.IEC)
    assert got.tolist() == [1.0, 0.8, 0.45, 0.45, 0.38]


def test_source_circuit_of_a_published_example() -> None:
    """The article's string of 8.8 A takes 14 AWG by the column of its terminals."""
    held = NEC["source_circuit"]
    areas = size_areas_mm2(Practice.NEC)
    ampacity = table_ampacity_a(areas, practice=Practice.NEC, laying=3, insulation_temp_c=75.0)
    least = areas[np.flatnonzero(ampacity >= held["needed_a"])[0]]
    assert size_name(float(least), practice=Practice.NEC) == f"{held['size']} AWG"


def test_aluminium_carries_less_and_resists_more() -> None:
    """The lighter metal never looks better than copper of its size."""
    light = MATERIALS.index("aluminium")
    for practice in Practice:
        areas = size_areas_mm2(practice)
        areas = areas[(areas >= 10.0) & (areas <= 240.0)]
        for laying in range(len(LAYINGS)):
            copper = table_ampacity_a(areas, practice=practice, laying=laying)
            less = table_ampacity_a(areas, practice=practice, laying=laying, material=light)
            assert np.all(less < copper)
        assert np.all(
            _hundred_metres(areas, practice=practice, material=light)
            > _hundred_metres(areas, practice=practice, material=TINNED)
        )


def test_a_place_that_is_none_gives_nothing() -> None:
    """A way of laying or a material nobody listed has no number."""
    assert np.isnan(table_ampacity_a(6.0, practice=Practice.IEC, laying=17))
    assert np.isnan(
        run_resistance_ohm(
            6.0,
            conductor_length_m=1.0,
            conductor_temp_c=20.0,
            practice=Practice.IEC,
            material=9,
        )
    )


def test_conductor_reaches_its_rating_at_its_ampacity() -> None:
    """Half the ampacity heats by a quarter, none by nothing."""
    got = operating_conductor_temp_c(30.0, current_a=[0.0, 20.0, 40.0], ampacity_a=40.0)
    assert got.tolist() == [30.0, 45.0, 90.0]


@given(AREAS, AREAS, PRACTICES, LAYING_NUMBERS, st.sampled_from([0, 1, 2]))
def test_thicker_never_carries_less_nor_resists_more(
    one: float, other: float, practice: Practice, laying: int, material: int
) -> None:
    """More metal is never worse, in either practice, laying and material."""
    pair = sorted((one, other))
    ampacity = corrected_ampacity_a(
        pair,
        practice=practice,
        laying=laying,
        ambient_temp_c=40.0,
        circuits=3,
        material=material,
    )
    ohm = run_resistance_ohm(
        pair,
        conductor_length_m=50.0,
        conductor_temp_c=70.0,
        practice=practice,
        material=material,
    )
    assert ampacity[0] <= ampacity[1]
    assert ohm[0] >= ohm[1]


@given(
    st.lists(st.floats(min_value=-40.0, max_value=120.0), min_size=2, max_size=2),
    st.lists(st.integers(min_value=1, max_value=60), min_size=2, max_size=2),
    PRACTICES,
    LAYING_NUMBERS,
)
def test_hotter_and_more_crowded_never_carries_more(
    temps: list[float], circuits: list[int], practice: Practice, laying: int
) -> None:
    """Heat around a cable, and neighbours, only take."""
    heat = ambient_ratio(sorted(temps), practice=practice, laying=laying)
    crowd = grouping_ratio(sorted(circuits), practice=practice)
    assert heat[0] >= heat[1] >= 0.0
    assert crowd[0] >= crowd[1] > 0.0


@pytest.mark.parametrize("file", ["iec-conductors", "nec-conductors", "earthing"])
def test_tables_say_where_they_come_from(file: str) -> None:
    """Every table names source, edition, clause and grade, and its columns are of one length."""
    for name, table in standard_values(file).items():
        assert table["source"] in SOURCES, name
        assert table["edition"], name
        assert table["clause"], name
        assert table["grade"] in {"published", "secondary", "memory"}, name
        assert table["grade"] == "memory" or table["read_in"], name
        lengths = {len(column) for column in table.values() if isinstance(column, list)}
        assert len(lengths) <= 1, name
