"""Whether module, clamps, rails and place bear what wind, snow, heat and weight ask of them.

Mounting is the business of the module maker's instructions, of the structural engineer and of
local codes; these checks find what does not fit before steel goes up, they permit nothing.
"""

from __future__ import annotations

from functools import partial
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.mounting import (
    design_load,
    distance_from_middle,
    greatest_rail_length,
    table_mass,
    temperature_range,
    thermal_movement,
    torque_from_middle,
    weight_per_area,
)
from arraywright.design.mounting_questions import QUESTIONS
from arraywright.design.plane_loads import (
    ASCE_SNOW,
    ASCE_WIND,
    EN_SNOW,
    EN_WIND,
    pressure_down,
    pressure_up,
)

__all__ = ["CHECKS"]


def _input(name: str, symbol: str, unit: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit=unit, meaning=meaning, key=key)


_BOTH: Final = (Practice.IEC, Practice.NEC)
_PRESS_C: Final = _input(
    "press_coefficient_ratio",
    "c",
    "1",
    "net pressure coefficient of wind that presses down (positive)",
    "loads.press_coefficient_ratio",
)
_LIFT_C: Final = _input(
    "lift_coefficient_ratio",
    "c",
    "1",
    "net pressure coefficient of wind that lifts (negative)",
    "loads.lift_coefficient_ratio",
)
_TEST_DOWN: Final = _input(
    "test_down_pa",
    "T",
    "Pa",
    "test load down of the module in the chosen clamping",
    "module_types.NAME.clampings[].test_down_pa",
)
_TEST_UP: Final = _input(
    "test_up_pa",
    "T",
    "Pa",
    "test load up of the module in the chosen clamping",
    "module_types.NAME.clampings[].test_up_pa",
)
_RANGE: Final = (
    _input("least_air_c", "Tmin", "degC", "least air temperature", "site.design_min_air_temp_c"),
    _input(
        "greatest_air_c", "Tmax", "degC", "greatest air temperature", "site.design_max_air_temp_c"
    ),
    _input("sun_heating_k", "H", "K", "warming of metal in the sun", "mounting.sun_heating_k"),
)


def _range(values: Values) -> FloatArray:
    return temperature_range(
        values["least_air_c"],
        greatest_air_c=values["greatest_air_c"],
        sun_heating_k=values["sun_heating_k"],
    )


def _gap_needed(values: Values) -> FloatArray:
    movement = thermal_movement(
        values["side_mm"], range_k=_range(values), expansion_per_k=values["module_expansion_per_k"]
    )
    return np.maximum(movement, values["least_gap_mm"])


def _rail_limit(values: Values) -> FloatArray:
    return greatest_rail_length(
        values["rail_gap_mm"],
        range_k=_range(values),
        expansion_per_k=values["rail_expansion_per_k"],
    )


def _mass(values: Values) -> FloatArray:
    return table_mass(
        values["modules"],
        module_mass_kg=values["module_mass_kg"],
        structure_mass_kg=values["structure_mass_kg"],
    )


def _weight(values: Values) -> FloatArray:
    return weight_per_area(_mass(values), area_m2=values["area_m2"])


def _load_check(practice: Practice, *, upwards: bool) -> DesignCheck:
    iec = practice is Practice.IEC
    wind, snow = (EN_WIND, EN_SNOW) if iec else (ASCE_WIND, ASCE_SNOW)
    pressure = (
        "q = ce qb = (1 + 7 / (co ln(z / z0))) (0.19 (z0 / 0.05)^0.07 ln(z / z0) co)^2 0.625 V^2"
        if iec
        else "q = 0.613 x 2.01 (z / zg)^(2 / alpha) Kzt Kd V^2"
    )
    if upwards:
        inputs = (*wind, _LIFT_C, _TEST_UP)
        formula = f"{'-W' if iec else '-0.6 W'} <= T / 1.5, W = q c, {pressure}"
    else:
        inputs = (*wind, _PRESS_C, *snow, _TEST_DOWN)
        level = "mu1 Ce Ct sk" if iec else "0.7 Ce Ct Is Cs pg"
        both = "max(W + ps S, S + pw W)" if iec else "max(S, 0.6 W, 0.75 (S + 0.6 W))"
        formula = f"{both} <= T / 1.5, W = q c, S = {level} cos^2(tilt), {pressure}"
    test = "test_up_pa" if upwards else "test_down_pa"
    action = "Wind lifts" if upwards else "Wind and snow press on"
    value = partial(pressure_up if upwards else pressure_down, practice=practice)
    return DesignCheck(
        key="module-load-up" if upwards else "module-load-down",
        family="mechanical",
        title="Lift of wind on the modules" if upwards else "Pressure of wind and snow on modules",
        subject_kind="module",
        basis={practice: "en-1991-1-4 5.2" if iec else "asce-7-16 2.4.1"},
        formula=formula,
        inputs=inputs,
        unit="Pa",
        sense="at most",
        value=value,
        limit=lambda values: design_load(values[test]),
        passing=f"{action} {{subject}} with {{value}} {{unit}}; clamped as described the module's "
        "design load (test load / 1.5) is {limit} {unit}.",
        failing=f"{action} {{subject}} with {{value}} {{unit}}; clamped as described the module's "
        "design load (test load / 1.5) is only {limit} {unit}.",
        remedy="Choose a clamping or rail position the maker tested for more, a stronger module or "
        "a lower, less exposed table; a structural engineer decides on loads and clamps.",
        review_margin_ratio=0.05,
    )


CHECKS: Final[tuple[DesignCheck, ...]] = (
    *(_load_check(practice, upwards=False) for practice in _BOTH),
    *(_load_check(practice, upwards=True) for practice in _BOTH),
    DesignCheck(
        key="clamp-zone",
        family="mechanical",
        title="Clamps inside the maker's zone",
        subject_kind="module",
        basis=dict.fromkeys(_BOTH, "common-practice"),
        formula="|x - (A + B) / 2| <= (B - A) / 2",
        inputs=(
            _input(
                "clamp_position_mm",
                "x",
                "mm",
                "middle of the clamp from the corner, along the clamped side",
                "mounting.clamp_position_mm",
            ),
            _input(
                "zone_from_mm",
                "A",
                "mm",
                "beginning of the zone",
                "module_types.NAME.clampings[].from_mm",
            ),
            _input(
                "zone_to_mm", "B", "mm", "end of the zone", "module_types.NAME.clampings[].to_mm"
            ),
        ),
        unit="mm",
        sense="at most",
        value=lambda values: distance_from_middle(
            values["clamp_position_mm"], from_mm=values["zone_from_mm"], to_mm=values["zone_to_mm"]
        ),
        limit=lambda values: (values["zone_to_mm"] - values["zone_from_mm"]) / 2.0,
        passing="The clamps of {subject} sit {value} {unit} from the middle of the zone, which "
        "reaches {limit} {unit} to each side.",
        failing="The clamps of {subject} sit {value} {unit} from the middle of the zone, which "
        "reaches only {limit} {unit} to each side: outside it the tested load does not hold.",
        remedy="Move rails or clamps by {margin} {unit} towards the middle of the zone.",
    ),
    DesignCheck(
        key="clamp-torque",
        family="mechanical",
        title="Torque of the clamp bolts",
        subject_kind="module",
        basis=dict.fromkeys(_BOTH, "common-practice"),
        formula="|M - (A + B) / 2| <= (B - A) / 2",
        inputs=(
            _input("torque_nm", "M", "N.m", "torque set for the clamp bolts", "mounting.torque_nm"),
            _input("torque_min_nm", "A", "N.m", "least torque", "module_types.NAME.torque_min_nm"),
            _input(
                "torque_max_nm", "B", "N.m", "greatest torque", "module_types.NAME.torque_max_nm"
            ),
        ),
        unit="N.m",
        sense="at most",
        value=lambda values: torque_from_middle(
            values["torque_nm"],
            least_nm=values["torque_min_nm"],
            greatest_nm=values["torque_max_nm"],
        ),
        limit=lambda values: (values["torque_max_nm"] - values["torque_min_nm"]) / 2.0,
        passing="The torque for {subject} is {torque_nm} {unit}, inside the maker's range of "
        "{torque_min_nm} to {torque_max_nm} {unit}.",
        failing="The torque for {subject} is {torque_nm} {unit}, outside the maker's range of "
        "{torque_min_nm} to {torque_max_nm} {unit}.",
        remedy="Set the wrench inside the range of module and clamp maker, the narrower of both.",
    ),
    DesignCheck(
        key="module-gap",
        family="mechanical",
        title="Gap between modules",
        subject_kind="module",
        basis=dict.fromkeys(_BOTH, "openstax-college-physics 13.2"),
        formula="G >= max(a L (Tmax + H - Tmin), Gmin)",
        inputs=(
            _input(
                "module_gap_mm", "G", "mm", "gap between modules", "layout.block[].module_gap_mm"
            ),
            _input(
                "side_mm",
                "L",
                "mm",
                "side of the module across the gap",
                "module_types.NAME.length_mm or width_mm",
            ),
            _input(
                "least_gap_mm",
                "Gmin",
                "mm",
                "least gap the maker asks for",
                "module_types.NAME.least_gap_mm",
            ),
            _input(
                "module_expansion_per_k",
                "a",
                "1/K",
                "expansion of the frame",
                "mounting.module_expansion_per_k",
            ),
            *_RANGE,
        ),
        unit="mm",
        sense="at least",
        value=lambda values: values["module_gap_mm"],
        limit=_gap_needed,
        passing="Between modules of {subject} are {value} {unit}; heat and maker ask for {limit} "
        "{unit}.",
        failing="Between modules of {subject} are only {value} {unit}; heat and maker ask for "
        "{limit} {unit}: frames would press on each other.",
        remedy="Widen the gap by {margin} {unit}.",
    ),
    DesignCheck(
        key="rail-length",
        family="mechanical",
        title="Length of rail between expansion gaps",
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, "openstax-college-physics 13.2"),
        formula="L <= G / (a (Tmax + H - Tmin))",
        inputs=(
            _input(
                "rail_length_m", "L", "m", "rail between expansion gaps", "mounting.rail_length_m"
            ),
            _input("rail_gap_mm", "G", "mm", "expansion gap", "mounting.rail_gap_mm"),
            _input(
                "rail_expansion_per_k",
                "a",
                "1/K",
                "expansion of the rail",
                "mounting.rail_expansion_per_k",
            ),
            *_RANGE,
        ),
        unit="m",
        sense="at most",
        value=lambda values: values["rail_length_m"],
        limit=_rail_limit,
        passing="Rails of {subject} run {value} {unit} between gaps; the gaps allow {limit} "
        "{unit}.",
        failing="Rails of {subject} run {value} {unit} between gaps; the gaps allow only {limit} "
        "{unit}: the rails would press on each other or pull at the modules.",
        remedy="Part the rails every {limit} {unit} at most, or widen the expansion gap.",
    ),
    *QUESTIONS,
    DesignCheck(
        key="table-mass",
        family="mechanical",
        title="Mass of a table",
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, "common-practice"),
        formula="N m + ms <= mmax",
        inputs=(
            _input("modules", "N", "1", "modules on a table", "layout.block[].rows and columns"),
            _input("module_mass_kg", "m", "kg", "mass of a module", "module_types.NAME.mass_kg"),
            _input(
                "structure_mass_kg",
                "ms",
                "kg",
                "mass of a table's structure",
                "mounting.structure_mass_kg",
            ),
            _input(
                "table_mass_max_kg",
                "mmax",
                "kg",
                "greatest mass of a table with its modules",
                "mounting.table_mass_max_kg",
            ),
        ),
        unit="kg",
        sense="at most",
        value=_mass,
        limit=lambda values: values["table_mass_max_kg"],
        passing="A table of {subject} has a mass of {value} {unit}; {limit} {unit} are allowed.",
        failing="A table of {subject} has a mass of {value} {unit}; only {limit} {unit} are "
        "allowed.",
        remedy="Fewer modules to a table or a stronger structure; its engineer decides.",
        review_margin_ratio=0.05,
    ),
    DesignCheck(
        key="table-weight-area",
        family="mechanical",
        title="Weight per area on what carries the table",
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, "common-practice"),
        formula="9.80665 (N m + ms) / A <= gmax",
        inputs=(
            _input("modules", "N", "1", "modules on a table", "layout.block[].rows and columns"),
            _input("module_mass_kg", "m", "kg", "mass of a module", "module_types.NAME.mass_kg"),
            _input(
                "structure_mass_kg",
                "ms",
                "kg",
                "mass of a table's structure, ballast included",
                "mounting.structure_mass_kg",
            ),
            _input("area_m2", "A", "m2", "level area of a table", "mounting.table_area_m2"),
            _input(
                "weight_max_pa",
                "gmax",
                "Pa",
                "weight the roof or carport may still take",
                "mounting.weight_max_pa",
            ),
        ),
        unit="Pa",
        sense="at most",
        value=_weight,
        limit=lambda values: values["weight_max_pa"],
        passing="{subject} puts {value} {unit} on what carries it; {limit} {unit} are free.",
        failing="{subject} puts {value} {unit} on what carries it; only {limit} {unit} are free.",
        remedy="A lighter structure, less ballast or a stronger roof; its engineer decides.",
        review_margin_ratio=0.05,
    ),
)
"""Checks of the mounting; keys ``module-load-down`` and ``-up`` stand once per practice."""
