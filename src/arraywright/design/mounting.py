"""Formulas of the mounting: test and design load, zones, movement by heat, weight."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from arraywright.arrays import FloatArray, FloatLike

__all__ = [
    "ALUMINIUM_EXPANSION_PER_K",
    "STEEL_EXPANSION_PER_K",
    "TEST_LOAD_FACTOR",
    "Clamping",
    "clampings_at",
    "clampings_that_bear",
    "design_load",
    "distance_from_middle",
    "greatest_rail_length",
    "table_mass",
    "temperature_range",
    "thermal_movement",
    "torque_from_middle",
    "weight_per_area",
]

TEST_LOAD_FACTOR: Final = 1.5
"""IEC 61215-2 MQT 16: the test load is the design load times this factor."""
ALUMINIUM_EXPANSION_PER_K: Final = 23e-6
STEEL_EXPANSION_PER_K: Final = 12e-6
GRAVITY_M_S2: Final = 9.80665


def design_load(test_load_pa: FloatLike) -> FloatArray:
    """Load a module may be designed for [Pa], from the load it was tested with.

    ``design = test / 1.5``. Data sheets print either; many print the test load, which is not to
    be held against wind and snow. Each way of clamping and each side has its own.

    Source: iec-61215-2 MQT 16 (static mechanical load, factor at least 1.5).
    """
    return np.asarray(np.asarray(test_load_pa, dtype=np.float64) / TEST_LOAD_FACTOR)


@dataclass(frozen=True, slots=True, kw_only=True)
class Clamping:
    """A way of clamping a module, as its maker tested it.

    Attributes:
        name: name in the maker's instructions, or one of our own.
        side: whether the clamps grip the ``long`` or the ``short`` sides.
        from_mm: beginning of the zone, from the corner along the gripped side [mm].
        to_mm: end of the zone [mm].
        test_down_pa: test load on the front [Pa].
        test_up_pa: test load on the back [Pa].
    """

    name: str
    side: Literal["long", "short"]
    from_mm: float
    to_mm: float
    test_down_pa: float
    test_up_pa: float


def clampings_at(
    clampings: Sequence[Clamping], *, side: Literal["long", "short"], position_mm: float
) -> tuple[Clamping, ...]:
    """Ways of clamping whose zone holds the clamps, the strongest against pressure first.

    Zones overlap: a narrow one with a high load lies in a wide one with a low load.

    Source: common-practice
    """
    held = (one for one in clampings if one.side == side)
    inside = [one for one in held if one.from_mm <= position_mm <= one.to_mm]
    return tuple(sorted(inside, key=lambda one: (-one.test_down_pa, -one.test_up_pa)))


def clampings_that_bear(
    clampings: Sequence[Clamping], *, press_pa: float, lift_pa: float
) -> tuple[Clamping, ...]:
    """Ways of clamping whose design loads bear a pressure down and a lift, in the given order.

    Both are positive; see ``design_load`` for the factor.

    Source: iec-61215-2 MQT 16
    """
    return tuple(
        one
        for one in clampings
        if float(design_load(one.test_down_pa)) >= press_pa
        and float(design_load(one.test_up_pa)) >= lift_pa
    )


def distance_from_middle(
    position_mm: FloatLike, *, from_mm: FloatLike, to_mm: FloatLike
) -> FloatArray:
    """Distance of a position from the middle of a permitted range [mm].

    Inside the range while not above half its width.

    Source: common-practice
    """
    middle = (np.asarray(from_mm, dtype=np.float64) + np.asarray(to_mm)) / 2.0
    return np.asarray(np.abs(np.asarray(position_mm) - middle))


def torque_from_middle(
    torque_nm: FloatLike, *, least_nm: FloatLike, greatest_nm: FloatLike
) -> FloatArray:
    """Distance of a torque from the middle of the maker's range [N.m].

    Inside the range while not above half its width.

    Source: common-practice
    """
    middle = (np.asarray(least_nm, dtype=np.float64) + np.asarray(greatest_nm)) / 2.0
    return np.asarray(np.abs(np.asarray(torque_nm) - middle))


def temperature_range(
    least_air_c: FloatLike, *, greatest_air_c: FloatLike, sun_heating_k: FloatLike
) -> FloatArray:
    """Range of temperature that metal in the sun goes through at a site [K].

    ``dT = Tmax + heating - Tmin``.

    Source: common-practice
    """
    greatest = np.asarray(greatest_air_c, dtype=np.float64) + np.asarray(sun_heating_k)
    return np.asarray(greatest - np.asarray(least_air_c))


def thermal_movement(
    length_mm: FloatLike, *, range_k: FloatLike, expansion_per_k: FloatLike
) -> FloatArray:
    """Change of length [mm] over a range of temperature, ``dL = a L dT``.

    Source: openstax-college-physics 13.2
    """
    product = np.asarray(length_mm, dtype=np.float64) * np.asarray(range_k)
    return np.asarray(product * np.asarray(expansion_per_k))


def greatest_rail_length(
    gap_mm: FloatLike, *, range_k: FloatLike, expansion_per_k: FloatLike
) -> FloatArray:
    """Greatest length of rail [m] between expansion gaps, ``L = gap / (a dT)``.

    The gap takes up the movement of one rail (half from each neighbour). No movement at all
    gives nan.

    Source: openstax-college-physics 13.2, solved for the length
    """
    strain = np.asarray(range_k, dtype=np.float64) * np.asarray(expansion_per_k)
    strain = np.where(strain > 0.0, strain, np.nan)
    return np.asarray(np.asarray(gap_mm) / strain / 1000.0)


def table_mass(
    modules: FloatLike, *, module_mass_kg: FloatLike, structure_mass_kg: FloatLike
) -> FloatArray:
    """Mass of a table [kg], modules and structure.

    Args:
        modules: modules on the table (a count).
        module_mass_kg: mass of one module.
        structure_mass_kg: mass of rails, clamps, beams and ballast of the table.

    Source: common-practice
    """
    modules_kg = np.asarray(modules, dtype=np.float64) * np.asarray(module_mass_kg)
    return np.asarray(modules_kg + np.asarray(structure_mass_kg))


def weight_per_area(mass_kg: FloatLike, *, area_m2: FloatLike) -> FloatArray:
    """Weight per level area [Pa], ``g m / A`` with g = 9.80665 m/s2; no area gives nan.

    Source: common-practice
    """
    area = np.asarray(area_m2, dtype=np.float64)
    weight = GRAVITY_M_S2 * np.asarray(mass_kg, dtype=np.float64)
    return np.asarray(weight / np.where(area > 0.0, area, np.nan))
