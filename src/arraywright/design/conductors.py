"""Conductors: sizes, resistance and ampacity by the tables of both practices."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.design.check import Practice
from arraywright.design.data_tables import standard_values
from arraywright.errors import CallError
from arraywright.units import awg_to_area_mm2

__all__ = [
    "ALUMINIUM_RATIO",
    "LAYINGS",
    "MATERIALS",
    "ambient_ratio",
    "corrected_ampacity_a",
    "equivalent_iec_mm2",
    "equivalent_nec_size",
    "grouping_ratio",
    "nec_size_mm2",
    "nominal_mm2",
    "operating_conductor_temp_c",
    "resistance_at_temp_ohm",
    "run_resistance_ohm",
    "size_areas_mm2",
    "size_name",
    "table_ampacity_a",
]

MATERIALS: Final = ("copper", "tinned_copper", "aluminium")
"""Conductor materials; a check takes the place in this tuple, counted from 0."""

LAYINGS: Final = ("free_air", "on_surface", "touching", "conduit", "wall", "buried")
"""Ways a cable is laid; a check takes the place in this tuple, counted from 0.

``free_air`` one cable in moving air, ``on_surface`` one cable on a surface, ``touching`` the two
cables of a circuit side by side on a surface, ``conduit`` in conduit or raceway, ``wall`` fixed
to a wall, ``buried`` in a duct in the ground. The NEC practice knows free air (table 310.17) and
takes table 310.16 for all others.
"""

ALUMINIUM_RATIO: Final = 0.73
"""Ampacity of aluminium over copper of one size where the IEC practice's table is not held
(common practice, on the safe side)."""

_ALPHA_PER_K: Final = {"copper": 0.00393, "tinned_copper": 0.00393, "aluminium": 0.00403}
_KCMIL_MM2: Final = 0.506707479
_METRES_PER_1000_FT: Final = 304.8
_SAME_SIZE: Final = 0.99
_PV_LAYINGS: Final = 3

Numbers = npt.ArrayLike


def nec_size_mm2(size: str) -> float:
    """Cross-section [mm2] of a size named as in the NEC practice, such as 10, 1/0 or 250.

    Sizes below 100 are American wire gauges, ``1/0`` to ``4/0`` the gauges 0 to -3, from 100 on
    thousands of circular mils (0.50671 mm2 each).

    Raises:
        CallError: the name is no size.

    Source: astm-b258.
    """
    try:
        if size.endswith("/0"):
            return awg_to_area_mm2(1.0 - float(size[:-2]))
        number = float(size)
    except ValueError:
        number = -1.0
    if number <= 0.0:
        raise CallError(
            "conductor-size",
            f"{size!r} is no conductor size.",
            "Write a gauge such as 10 or 2/0, or thousands of circular mils such as 250.",
        )
    return number * _KCMIL_MM2 if number >= 100.0 else awg_to_area_mm2(number)


def _nec_areas(sizes: list[str]) -> FloatArray:
    return np.array([nec_size_mm2(size) for size in sizes])


def size_areas_mm2(practice: Practice) -> FloatArray:
    """Cross-sections [mm2] of the standard sizes of a practice, rising, (sizes,)."""
    if practice is Practice.NEC:
        return _nec_areas(standard_values("nec-conductors")["resistance"]["size"])
    return np.array(standard_values("iec-conductors")["resistance_class_5"]["area_mm2"], float)


def size_name(area_mm2: float, *, practice: Practice) -> str:
    """Give the name of a size as people order it: ``6 mm2``, ``10 AWG`` or ``250 kcmil``.

    In the NEC practice the nearest size within 1 % counts, otherwise square millimetres are told.
    """
    if practice is Practice.NEC:
        names: list[str] = standard_values("nec-conductors")["resistance"]["size"]
        areas = _nec_areas(names)
        nearest = int(np.argmin(np.abs(areas - area_mm2)))
        if abs(areas[nearest] / area_mm2 - 1.0) < 1.0 - _SAME_SIZE:
            name = names[nearest]
            return f"{name} kcmil" if len(name) == 3 and "/" not in name else f"{name} AWG"
    return f"{area_mm2:g} mm2"


def nominal_mm2(area_mm2: Numbers, *, practice: Practice) -> FloatArray:
    """Cross-section [mm2] of the standard size within 1 % of an area, else the area, any shape.

    People write 13.3 mm2 for 6 AWG, which has 13.302 mm2.

    Source: astm-b258; iec-60228.
    """
    areas = size_areas_mm2(practice)
    area = np.asarray(area_mm2, dtype=np.float64)
    nearest = areas[np.argmin(np.abs(areas - area[..., None]), axis=-1)]
    return np.where(np.abs(area / nearest - 1.0) <= 1.0 - _SAME_SIZE, nearest, area)


def equivalent_nec_size(area_mm2: float) -> str:
    """Give the least size of the NEC practice with at least this cross-section.

    Raises:
        CallError: no listed size is large enough.

    Source: astm-b258.
    """
    names: list[str] = standard_values("nec-conductors")["resistance"]["size"]
    for name in names:
        if nec_size_mm2(name) >= _SAME_SIZE * area_mm2:
            return name
    raise CallError(
        "conductor-size", f"No listed size has {area_mm2:g} mm2.", "Take conductors in parallel."
    )


def equivalent_iec_mm2(size: str) -> float:
    """Least nominal cross-section [mm2] of IEC 60228 with at least a NEC size's area.

    Raises:
        CallError: the name is no size, or no listed size is large enough.

    Source: astm-b258; iec-60228.
    """
    needed = nec_size_mm2(size)
    for area in size_areas_mm2(Practice.IEC):
        if area >= _SAME_SIZE * needed:
            return float(area)
    raise CallError(
        "conductor-size", f"No listed size has {needed:g} mm2.", "Take conductors in parallel."
    )


def _at_or_below(
    area_mm2: Numbers, sizes_mm2: npt.ArrayLike, values: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Value and area of the largest listed size not above an area; below the least, area 0."""
    area = np.asarray(area_mm2, dtype=np.float64)
    sizes = np.asarray(sizes_mm2, dtype=np.float64)
    held = np.asarray(values, dtype=np.float64)
    place = np.searchsorted(_SAME_SIZE * sizes, area, side="right") - 1
    at = np.maximum(place, 0)
    return held[at], np.where(place >= 0, sizes[at], 0.0)


def resistance_at_temp_ohm(
    resistance_ohm: Numbers,
    *,
    conductor_temp_c: Numbers,
    reference_temp_c: float = 20.0,
    material: str = "copper",
) -> FloatArray:
    """Resistance [ohm] at a conductor temperature.

    R = R0 (1 + a20 (T - 20)) / (1 + a20 (T0 - 20)) with a20 = 0.00393/K for copper and
    0.00403/K for aluminium; any shape.

    Source: iec-60228 annex; nec-2023 chapter 9 table 8 note 2 gives the same slope.
    """
    alpha = _ALPHA_PER_K[material]
    temp = np.asarray(conductor_temp_c, dtype=np.float64)
    held = np.asarray(resistance_ohm, dtype=np.float64)
    return held * (1.0 + alpha * (temp - 20.0)) / (1.0 + alpha * (reference_temp_c - 20.0))


def run_resistance_ohm(
    area_mm2: Numbers,
    *,
    conductor_length_m: Numbers,
    conductor_temp_c: Numbers,
    practice: Practice,
    material: npt.ArrayLike = 0,
) -> FloatArray:
    """Direct-current resistance [ohm] of a run at its conductor temperature.

    The greatest resistance the standard allows: IEC 60228 class 5 (copper, tinned copper) and
    class 2 (aluminium) at 20 degC, or NEC chapter 9 table 8 at 75 degC. A size between two listed
    ones has the resistance of the smaller; below the least listed size it grows as 1/area.

    Args:
        area_mm2: cross-section, any shape.
        conductor_length_m: length of conductor, out and back together, any shape.
        conductor_temp_c: conductor temperature, any shape.
        practice: whose tables count.
        material: place in ``MATERIALS``, any shape.

    Source: iec-60228 tables 2 and 3; nec-2023 chapter 9 table 8.
    """
    per_m = []
    for name in MATERIALS:
        sizes, held, reference = _resistance_table(practice, name)
        at, size = _at_or_below(area_mm2, sizes, held)
        area = np.asarray(area_mm2, dtype=np.float64)
        small = held[0] * sizes[0] / np.maximum(area, 1e-12)
        at = np.where(size > 0.0, at, small)
        per_m.append(
            resistance_at_temp_ohm(
                at,
                conductor_temp_c=conductor_temp_c,
                reference_temp_c=reference,
                material=name,
            )
        )
    chosen = _choose(material, per_m)
    return chosen * np.asarray(conductor_length_m, dtype=np.float64)


def _resistance_table(practice: Practice, material: str) -> tuple[FloatArray, FloatArray, float]:
    """Sizes, resistance in ohm per metre, and the temperature it is given at."""
    if practice is Practice.NEC:
        table = standard_values("nec-conductors")["resistance"]
        column = "aluminium" if material == "aluminium" else "copper"
        return _nec_areas(table["size"]), np.array(table[column]) / _METRES_PER_1000_FT, 75.0
    values = standard_values("iec-conductors")
    if material == "aluminium":
        table = values["resistance_class_2"]
        column = "aluminium"
    else:
        table = values["resistance_class_5"]
        column = "tinned" if material == "tinned_copper" else "plain"
    return np.array(table["area_mm2"], float), np.array(table[column]) / 1000.0, 20.0


def _choose(index: npt.ArrayLike, choices: list[FloatArray]) -> FloatArray:
    """Take one of the choices by its place, broadcast; a place that is none gives nan."""
    place = np.asarray(index, dtype=np.float64)
    out: FloatArray = np.select(
        [place == number for number in range(len(choices))], choices, default=np.nan
    )
    return out


def table_ampacity_a(
    area_mm2: Numbers,
    *,
    practice: Practice,
    laying: npt.ArrayLike,
    material: npt.ArrayLike = 0,
    insulation_temp_c: Numbers = 90.0,
) -> FloatArray:
    """Ampacity [A] of a conductor by the practice's table, before any correction.

    Between two listed sizes the smaller counts; below the least listed size it is 0.

    Args:
        area_mm2: cross-section, any shape.
        practice: whose tables count.
        laying: place in ``LAYINGS``, any shape.
        material: place in ``MATERIALS``, any shape; in the IEC practice aluminium has
            ``ALUMINIUM_RATIO`` of copper.
        insulation_temp_c: NEC practice only: below 90 the column for 75 degC counts.

    Source: en-50618 table A.3; iec-60364-5-52 table B.52.3; nec-2023 tables 310.16 and 310.17.
    """
    aluminium = np.asarray(material, dtype=np.float64) == MATERIALS.index("aluminium")
    if practice is Practice.IEC:
        values = standard_values("iec-conductors")
        each = [_listed(area_mm2, values[f"ampacity_{name}"], "ampacity_a") for name in LAYINGS]
        return _choose(laying, each) * np.where(aluminium, ALUMINIUM_RATIO, 1.0)
    values = standard_values("nec-conductors")
    hot = np.asarray(insulation_temp_c, dtype=np.float64) >= 90.0
    free, raceway = (
        np.where(hot, _nec(area_mm2, table, "copper_90_a"), _nec(area_mm2, table, "copper_75_a"))
        for table in (values["ampacity_free_air"], values["ampacity"])
    )
    table = values["ampacity_aluminium"]
    light = np.where(
        hot, _nec(area_mm2, table, "aluminium_90_a"), _nec(area_mm2, table, "aluminium_75_a")
    )
    in_air = np.asarray(laying, dtype=np.float64) == 0.0
    return np.where(aluminium, light, np.where(in_air, free, raceway))


def _listed(area_mm2: Numbers, table: dict[str, Any], column: str) -> FloatArray:
    held, size = _at_or_below(area_mm2, table["area_mm2"], table[column])
    return np.where(size > 0.0, held, 0.0)


def _nec(area_mm2: Numbers, table: dict[str, Any], column: str) -> FloatArray:
    held, size = _at_or_below(area_mm2, _nec_areas(table["size"]), table[column])
    return np.where(size > 0.0, held, 0.0)


def ambient_ratio(
    ambient_temp_c: Numbers,
    *,
    practice: Practice,
    laying: npt.ArrayLike,
    insulation_temp_c: Numbers = 90.0,
) -> FloatArray:
    """Factor [1] on the ampacity for the temperature of the air or ground around the cable.

    Photovoltaic cable in air (IEC practice): table A.4 of EN 50618, straight between its values,
    1 up to 60 degC and 0 above 90 degC. All others: sqrt((Tc - Ta) / (Tc - Tref)), 0 from Ta = Tc
    on, with Tref 30 degC in air and 20 degC in the ground.

    Source: en-50618 table A.4; iec-60364-5-52 B.52.14; nec-2023 equation 310.15(B)(1)(1).
    """
    ambient = np.asarray(ambient_temp_c, dtype=np.float64)
    place = np.asarray(laying, dtype=np.float64)
    if practice is Practice.NEC:
        top = np.where(np.asarray(insulation_temp_c, dtype=np.float64) >= 90.0, 90.0, 75.0)
        return _root_ratio(ambient, top, np.asarray(30.0))
    table = standard_values("iec-conductors")["ambient_pv_cable"]
    in_air = np.interp(ambient, table["ambient_c"], table["factor"])
    in_air = np.where(ambient > table["ambient_c"][-1], 0.0, in_air)
    reference = np.where(place == LAYINGS.index("buried"), 20.0, 30.0)
    return np.where(place < _PV_LAYINGS, in_air, _root_ratio(ambient, np.asarray(90.0), reference))


def _root_ratio(ambient_c: FloatArray, top_c: FloatArray, reference_c: FloatArray) -> FloatArray:
    room = np.maximum(top_c - ambient_c, 0.0) / (top_c - reference_c)
    return np.asarray(np.sqrt(room), dtype=np.float64)


def grouping_ratio(circuits: npt.ArrayLike, *, practice: Practice) -> FloatArray:
    """Factor [1] on the ampacity for circuits that lie together, one included, any shape.

    A circuit of a photovoltaic array has two loaded conductors. Between two listed numbers of
    circuits (IEC) the greater counts; above the last the last factor counts.

    Source: iec-60364-5-52 table B.52.17 item 1; nec-2023 table 310.15(C)(1).
    """
    count = np.asarray(circuits, dtype=np.float64)
    if practice is Practice.NEC:
        table = standard_values("nec-conductors")["grouping"]
        place = np.searchsorted(table["conductors"], 2.0 * count, side="right") - 1
        return np.asarray(table["factor"], dtype=np.float64)[np.maximum(place, 0)]
    table = standard_values("iec-conductors")["grouping_bunched"]
    place = np.searchsorted(table["circuits"], count, side="left")
    last = len(table["circuits"]) - 1
    return np.asarray(table["factor"], dtype=np.float64)[np.minimum(place, last)]


def corrected_ampacity_a(
    area_mm2: Numbers,
    *,
    practice: Practice,
    laying: npt.ArrayLike,
    ambient_temp_c: Numbers,
    circuits: npt.ArrayLike = 1,
    material: npt.ArrayLike = 0,
    insulation_temp_c: Numbers = 90.0,
) -> FloatArray:
    """Ampacity [A] where the cable lies: table value x ambient factor x grouping factor.

    Source: iec-60364-5-52 523; nec-2023 310.15(B) and 310.15(C).
    """
    return (
        table_ampacity_a(
            area_mm2,
            practice=practice,
            laying=laying,
            material=material,
            insulation_temp_c=insulation_temp_c,
        )
        * ambient_ratio(
            ambient_temp_c, practice=practice, laying=laying, insulation_temp_c=insulation_temp_c
        )
        * grouping_ratio(circuits, practice=practice)
    )


def operating_conductor_temp_c(
    ambient_temp_c: Numbers,
    *,
    current_a: Numbers,
    ampacity_a: Numbers,
    rated_temp_c: Numbers = 90.0,
) -> FloatArray:
    """Conductor temperature [degC] under a current: T = Ta + (Tc - Ta) (I / Iz)^2, any shape.

    ``ampacity_a`` is the ampacity at this ambient temperature, at which the conductor reaches
    ``rated_temp_c``; heating goes with the square of the current.

    Source: common-practice.
    """
    ambient = np.asarray(ambient_temp_c, dtype=np.float64)
    loading = np.asarray(current_a, dtype=np.float64) / np.asarray(ampacity_a, dtype=np.float64)
    return ambient + (np.asarray(rated_temp_c, dtype=np.float64) - ambient) * loading**2
