"""Earthing and bonding: conductor sizes, bonding points of each table, continuity."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.conductors import (
    nec_size_mm2,
    nominal_mm2,
    run_resistance_ohm,
    size_areas_mm2,
)
from arraywright.design.currents import bifacial_current, design_current, nec_rated_current
from arraywright.design.data_tables import standard_values
from arraywright.design.electrical_inputs import (
    BIFACIALITY,
    CORRECTION,
    FUSE,
    ISC,
    REAR,
    STRINGS,
)
from arraywright.errors import CallError

__all__ = [
    "CHECKS",
    "adiabatic_mm2",
    "bonding_path_ohm",
    "bonding_points",
    "equipment_grounding_mm2",
    "equipment_grounding_size",
    "increased_grounding_mm2",
    "least_bonding_mm2",
    "least_separate_mm2",
    "protective_conductor_mm2",
]

Numbers = npt.ArrayLike

_EXPOSED_NEC: Final = "6"


def _float(number: Numbers) -> FloatArray:
    return np.asarray(number, dtype=np.float64)


def equipment_grounding_size(device_a: float, *, material: str = "copper") -> str:
    """Give the least equipment grounding conductor for an overcurrent device, as a NEC size.

    The row of the next rating that is listed counts.

    Args:
        device_a: rating of the device ahead [A].
        material: ``copper`` or ``aluminium``.

    Raises:
        CallError: the rating is not above 0 or above the last listed one.

    Source: nec-2023 table 250.122.
    """
    table = standard_values("nec-conductors")["equipment_grounding"]
    for rating, size in zip(table["device_a"], table[material], strict=True):
        if 0.0 < device_a <= rating:
            return str(size)
    raise CallError(
        "grounding-device",
        f"A device of {device_a:g} A is not in the table (above 0 to {table['device_a'][-1]} A).",
        "Let a licensed electrician size this conductor.",
    )


def equipment_grounding_mm2(device_a: Numbers, *, aluminium: Numbers = 0.0) -> FloatArray:
    """Cross-section [mm2] of the least equipment grounding conductor, any shape.

    The row of the next listed rating counts; nan beyond the table or for no device at all.

    Args:
        device_a: rating of the device ahead.
        aluminium: 1 for aluminium, 0 for copper.

    Source: nec-2023 table 250.122.
    """
    table = standard_values("nec-conductors")["equipment_grounding"]
    device = _float(device_a)
    place = np.searchsorted(table["device_a"], device, side="left")
    known = (device > 0.0) & (place < len(table["device_a"]))
    at = np.minimum(place, len(table["device_a"]) - 1)
    copper, light = (
        np.array([nec_size_mm2(size) for size in table[name]])[at]
        for name in ("copper", "aluminium")
    )
    return np.where(known, np.where(_float(aluminium) > 0.5, light, copper), np.nan)


def increased_grounding_mm2(
    grounding_mm2: float, *, circuit_mm2: float, least_circuit_mm2: float
) -> float:
    """Cross-section [mm2] of the grounding conductor of a circuit made thicker than needed.

    A = A_table x A_circuit / A_least, then the next standard size up. NEC 690.45 does not ask for
    this in photovoltaic circuits made thicker for voltage drop; other circuits need it.

    Args:
        grounding_mm2: size by the table.
        circuit_mm2: size of the circuit's conductors as built.
        least_circuit_mm2: size they need for their ampacity.

    Raises:
        CallError: no standard size is large enough.

    Source: nec-2023 250.122(B).
    """
    wanted = grounding_mm2 * max(circuit_mm2 / least_circuit_mm2, 1.0)
    areas = size_areas_mm2(Practice.NEC)
    # Listed areas are rounded to four digits, so the size asked for may miss itself by as much.
    large = areas[areas >= wanted * (1.0 - 2e-3)]
    if not len(large):
        raise CallError(
            "conductor-size", f"No listed size has {wanted:g} mm2.", "Take conductors in parallel."
        )
    return float(large[0])


def protective_conductor_mm2(line_mm2: Numbers) -> FloatArray:
    """Least cross-section [mm2] of a protective conductor by that of the line, any shape.

    S_PE = S up to 16 mm2, 16 mm2 up to 35 mm2, S / 2 above; same material as the line.

    Source: iec-60364-5-54 table 54.2.
    """
    table = standard_values("earthing")["simplified"]
    line = _float(line_mm2)
    return np.where(
        line <= table["equal_to_mm2"],
        line,
        np.where(line <= table["flat_to_mm2"], table["flat_mm2"], table["half_ratio"] * line),
    )


def adiabatic_mm2(
    fault_current_a: Numbers, *, duration_s: Numbers, k_factor: npt.ArrayLike
) -> FloatArray:
    """Least cross-section [mm2] that a fault does not overheat: S = sqrt(I^2 t) / k, any shape.

    Valid up to 5 s. ``k_factor`` in A s^1/2 / mm2, for copper 115 as a core of a cable with
    insulation for 70 degC, 143 separate, 176 separate with insulation for 90 degC.

    Source: iec-60364-5-54 543.1.2.
    """
    return _float(fault_current_a) * np.sqrt(_float(duration_s)) / _float(k_factor)


def least_bonding_mm2(*, lightning_protection: npt.ArrayLike) -> FloatArray:
    """Least cross-section [mm2] of copper that bonds exposed frames, any shape.

    6 mm2, and 16 mm2 where it is part of a lightning protection system or may carry its current.

    Source: iec-62548-1 earthing and bonding (values from memory).
    """
    table = standard_values("earthing")["bonding"]
    least, large = float(table["least_mm2"]), float(table["lightning_mm2"])
    return np.where(_float(lightning_protection) > 0.5, large, least)


def least_separate_mm2(*, protected: npt.ArrayLike, practice: Practice) -> FloatArray:
    """Least cross-section [mm2] of an earthing conductor by its exposure to damage, any shape.

    IEC: copper outside a cable 2.5 mm2 protected, 4 mm2 not. NEC: 14 AWG protected, and conductors
    smaller than 6 AWG are to be protected from damage.

    Source: iec-60364-5-54 543.1.3; nec-2023 690.45, 690.46 and 250.120(C).
    """
    shielded = _float(protected) > 0.5
    if practice is Practice.NEC:
        return np.where(shielded, nec_size_mm2("14"), nec_size_mm2(_EXPOSED_NEC))
    table = standard_values("earthing")["separate"]
    return np.where(shielded, float(table["protected_mm2"]), float(table["unprotected_mm2"]))


def bonding_path_ohm(
    conductor_length_m: Numbers,
    *,
    area_mm2: Numbers,
    joints: npt.ArrayLike,
    joint_ohm: Numbers,
    practice: Practice,
) -> FloatArray:
    """Resistance [ohm] to be expected from the furthest frame to the earth terminal at 20 degC.

    R = R_conductor + joints x R_joint, copper, any shape.

    Source: iec-60228; nec-2023 chapter 9 table 8; common-practice for the joints.
    """
    conductor = run_resistance_ohm(
        area_mm2,
        conductor_length_m=conductor_length_m,
        conductor_temp_c=20.0,
        practice=practice,
    )
    return conductor + _float(joints) * _float(joint_ohm)


def bonding_points(
    positions: pl.DataFrame,
    structures: pl.DataFrame,
    *,
    bonds_per_module: int,
    holes_per_module: int,
    connections_per_table: int = 1,
) -> pl.DataFrame:
    """Count the bonding points of every table from its modules' earthing holes.

    Gives a frame of ``structure``, ``modules``, ``module_bonds`` (modules x bonds each),
    ``table_connections`` (to the earthing conductor or the next table) and ``bonding_points``,
    their sum; structures without modules have no module bonds.

    Args:
        positions: frame of ``plant.tables.POSITIONS``.
        structures: frame of ``plant.tables.STRUCTURES``.
        bonds_per_module: bonding points on each frame.
        holes_per_module: marked or unused holes of a frame that may be used.
        connections_per_table: connections from each table to earth.

    Raises:
        CallError: a count is below 1, or more bonds are asked for than the frame has holes; no
            hole may be drilled.

    Source: common-practice.
    """
    if min(bonds_per_module, connections_per_table) < 1:
        raise CallError(
            "bonding-count", "A frame or table without a bond is not earthed.", "Count 1 or more."
        )
    if bonds_per_module > holes_per_module:
        raise CallError(
            "bonding-holes",
            f"{bonds_per_module} bonds on a frame with {holes_per_module} holes.",
            "Use the marked or unused holes only; never drill a frame.",
        )
    counted = positions.group_by("structure").agg(pl.len().cast(pl.Int64).alias("modules"))
    return (
        structures.select("structure")
        .join(counted, on="structure", how="left", maintain_order="left")
        .with_columns(pl.col("modules").fill_null(0))
        .with_columns(
            (pl.col("modules") * bonds_per_module).alias("module_bonds"),
            pl.lit(connections_per_table, dtype=pl.Int64).alias("table_connections"),
        )
        .with_columns(
            (pl.col("module_bonds") + pl.col("table_connections")).alias("bonding_points")
        )
    )


def _input(name: str, symbol: str, unit: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit=unit, meaning=meaning, key=key)


_CONDUCTOR: Final = _input(
    "earthing_mm2",
    "Se",
    "mm2",
    "cross-section of the array's earthing conductor",
    "earthing.conductor_mm2",
)
_PROTECTED: Final = _input(
    "earthing_protected",
    "prot",
    "1",
    "whether it is protected from damage, 1 or 0",
    "earthing.conductor_protected",
)
_THICKER: Final = "Take a thicker conductor; a licensed electrician and local codes decide."


def _assumed_device_a(values: Values) -> FloatArray:
    """Give the string fuse, or the assumed device of 690.45 by 690.9(B)."""
    lit = bifacial_current(
        values["isc_a"],
        bifaciality_ratio=values["bifaciality_ratio"],
        rear_irradiance_ratio=values["rear_irradiance_ratio"],
    )
    most = design_current(
        lit,
        strings=values["strings"],
        irradiance_correction_ratio=values["irradiance_correction_ratio"],
    )
    fuse = values["string_fuse_a"]
    return np.where(fuse > 0.0, fuse, nec_rated_current(most))


def _grounding_check() -> DesignCheck:
    return DesignCheck(
        key="equipment-grounding-size",
        family="earthing",
        title="equipment grounding conductor of the array",
        subject_kind="site",
        basis={Practice.NEC: "nec-2023 690.45 and table 250.122"},
        formula="Se >= A(250.122) at In, without one at 1.25 x 1.25 Ns Kcorr Isc (1 + phi r)",
        inputs=(
            _CONDUCTOR,
            _input(
                "earthing_aluminium",
                "al",
                "1",
                "1 for aluminium, 0 for copper",
                "earthing.conductor_aluminium",
            ),
            FUSE,
            ISC,
            BIFACIALITY,
            REAR,
            CORRECTION,
            STRINGS,
        ),
        unit="mm2",
        sense="at least",
        value=lambda values: nominal_mm2(values["earthing_mm2"], practice=Practice.NEC),
        limit=lambda values: equipment_grounding_mm2(
            _assumed_device_a(values), aluminium=values["earthing_aluminium"]
        ),
        passing="The earthing conductor has {value} {unit}, at least {limit} {unit} are asked for.",
        failing="The earthing conductor has {value} {unit}, less than the {limit} {unit} asked "
        "for; it may burn before the device trips.",
        remedy=_THICKER,
    )


def _mechanical_check(practice: Practice, clause: str) -> DesignCheck:
    return DesignCheck(
        key="earthing-conductor-mechanical",
        family="earthing",
        title="earthing conductor against damage",
        subject_kind="site",
        basis={practice: clause},
        formula="Se >= Smin(prot)",
        inputs=(_CONDUCTOR, _PROTECTED),
        unit="mm2",
        sense="at least",
        value=lambda values: nominal_mm2(values["earthing_mm2"], practice=practice),
        limit=lambda values: least_separate_mm2(
            protected=values["earthing_protected"], practice=practice
        ),
        passing="The earthing conductor has {value} {unit}, at least {limit} {unit} are asked for "
        "as it is laid.",
        failing="The earthing conductor has {value} {unit}; as it is laid at least {limit} {unit} "
        "are asked for.",
        remedy="Protect it from damage or take a thicker one; local codes decide.",
    )


def _continuity_check(practice: Practice) -> DesignCheck:
    return DesignCheck(
        key="bonding-continuity",
        family="earthing",
        title="resistance from the furthest frame to earth",
        subject_kind="site",
        basis={practice: "common-practice expected earth continuity"},
        formula="r(Se, 20 degC) l + nj Rj <= Rmax",
        inputs=(
            _CONDUCTOR,
            _input(
                "earth_path_m",
                "l",
                "m",
                "conductor from the furthest frame to the earth terminal",
                "earthing.longest_path_m",
            ),
            _input(
                "earth_path_joints", "nj", "1", "joints on that path", "earthing.joints_in_path"
            ),
            _input("joint_ohm", "Rj", "ohm", "resistance of one joint", "earthing.joint_ohm"),
            _input(
                "earth_continuity_max_ohm",
                "Rmax",
                "ohm",
                "greatest earth continuity resistance",
                "commissioning.earth_continuity_max_ohm",
            ),
        ),
        unit="ohm",
        sense="at most",
        value=lambda values: bonding_path_ohm(
            values["earth_path_m"],
            area_mm2=values["earthing_mm2"],
            joints=values["earth_path_joints"],
            joint_ohm=values["joint_ohm"],
            practice=practice,
        ),
        limit=lambda values: values["earth_continuity_max_ohm"],
        passing="The furthest frame should measure {value} {unit} to earth; the test allows "
        "{limit} {unit}.",
        failing="The furthest frame should measure {value} {unit} to earth, more than the {limit} "
        "{unit} the test allows.",
        remedy="Take a thicker conductor, fewer joints, or a connection to earth nearer by.",
    )


CHECKS: Final[tuple[DesignCheck, ...]] = (
    _grounding_check(),
    DesignCheck(
        key="bonding-conductor-size",
        family="earthing",
        title="bonding conductor of the frames",
        subject_kind="site",
        basis={Practice.IEC: "iec-62548-1 earthing and bonding of array frames"},
        formula="Se >= 6 mm2, with lightning protection 16 mm2",
        inputs=(
            _CONDUCTOR,
            _input(
                "lightning_protection",
                "lps",
                "1",
                "whether it belongs to lightning protection, 1 or 0",
                "earthing.lightning_protection",
            ),
        ),
        unit="mm2",
        sense="at least",
        value=lambda values: values["earthing_mm2"],
        limit=lambda values: least_bonding_mm2(lightning_protection=values["lightning_protection"]),
        passing="The bonding conductor has {value} {unit} of copper, at least {limit} {unit} are "
        "asked for.",
        failing="The bonding conductor has {value} {unit} of copper, less than the {limit} {unit} "
        "asked for.",
        remedy=_THICKER,
    ),
    DesignCheck(
        key="protective-conductor-size",
        family="earthing",
        title="protective conductor of the inverter",
        subject_kind="inverter",
        basis={Practice.IEC: "iec-60364-5-54 table 54.2"},
        formula="Spe >= S up to 16 mm2, 16 mm2 up to 35 mm2, S / 2 above",
        inputs=(
            _input(
                "protective_mm2",
                "Spe",
                "mm2",
                "protective conductor of the inverter",
                "earthing.inverter_protective_mm2",
            ),
            _input("line_mm2", "S", "mm2", "line conductor of the inverter", "cables.ac.area_mm2"),
        ),
        unit="mm2",
        sense="at least",
        value=lambda values: values["protective_mm2"],
        limit=lambda values: protective_conductor_mm2(values["line_mm2"]),
        passing="The protective conductor has {value} {unit}, at least {limit} {unit} are asked "
        "for.",
        failing="The protective conductor has {value} {unit}, less than the {limit} {unit} asked "
        "for.",
        remedy="Take a thicker one, or let a licensed electrician show by the fault current and "
        "its duration that it holds.",
    ),
    _mechanical_check(Practice.IEC, "iec-60364-5-54 543.1.3"),
    _mechanical_check(Practice.NEC, "nec-2023 690.46 and 250.120(C)"),
    DesignCheck(
        key="frame-earthing-holes",
        family="earthing",
        title="holes for earthing in the frame",
        subject_kind="site",
        basis=dict.fromkeys(Practice, "common-practice bonding at marked or unused holes only"),
        formula="nb <= nh",
        inputs=(
            _input(
                "bonds_per_module",
                "nb",
                "1",
                "bonding points on each frame",
                "earthing.bonds_per_module",
            ),
            _input(
                "earthing_holes",
                "nh",
                "1",
                "holes of the frame that may be used",
                "module_types.NAME.earthing_holes",
            ),
        ),
        unit="1",
        sense="at most",
        value=lambda values: values["bonds_per_module"],
        limit=lambda values: values["earthing_holes"],
        passing="{value} bonding points on a frame with {limit} holes for them.",
        failing="{value} bonding points are planned on a frame with {limit} holes for them.",
        remedy="Use the marked or unused holes only, or a bonding clamp the module's maker allows; "
        "never drill a frame.",
    ),
    *(_continuity_check(practice) for practice in Practice),
)
"""The checks of earthing and bonding."""
