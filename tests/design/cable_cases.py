"""An invented string with its cables that passes every check, and one change that breaks each."""

from __future__ import annotations

from arraywright.design.cable_checks import CHECKS as CABLE_CHECKS
from arraywright.design.check import DesignCheck, Practice
from arraywright.design.earthing import CHECKS as EARTHING_CHECKS

__all__ = ["BREAKS", "CASES", "SOUND"]

SOUND: dict[str, float] = {
    "isc_a": 13.9,
    "imp_a": 13.0,
    "vmp_v": 41.8,
    "modules": 26.0,
    "bifaciality_ratio": 0.7,
    "rear_irradiance_ratio": 0.1,
    "irradiance_correction_ratio": 1.0,
    "strings": 2.0,
    "strings_in_box": 12.0,
    "string_fuse_a": 25.0,
    "array_device_a": 250.0,
    "insulation_temp_c": 90.0,
    "terminal_temp_c": 75.0,
    "conductor_temp_c": 70.0,
    "string_area_mm2": 6.0,
    "string_material": 1.0,
    "string_laying": 2.0,
    "string_ambient_temp_c": 45.0,
    "string_circuits": 1.0,
    "string_length_m": 120.0,
    "array_area_mm2": 152.0,
    "array_material": 0.0,
    "array_laying": 0.0,
    "array_ambient_temp_c": 40.0,
    "array_circuits": 1.0,
    "array_length_m": 160.0,
    "drop_limit_percent": 3.0,
    "loss_limit_percent": 1.5,
    "loss_equivalent_h": 1100.0,
    "charge_equivalent_h": 2000.0,
    "earthing_mm2": 16.0,
    "earthing_aluminium": 0.0,
    "earthing_protected": 0.0,
    "lightning_protection": 1.0,
    "protective_mm2": 50.0,
    "line_mm2": 95.0,
    "earth_path_m": 180.0,
    "earth_path_joints": 12.0,
    "joint_ohm": 0.02,
    "earth_continuity_max_ohm": 1.0,
    "bonds_per_module": 1.0,
    "earthing_holes": 4.0,
}

BREAKS: dict[str, dict[str, float]] = {
    "string-cable-ampacity": {"string_ambient_temp_c": 85.0, "string_area_mm2": 1.5},
    "string-cable-continuous": {"string_area_mm2": 2.1},
    "string-cable-protection": {"string_circuits": 10.0},
    "array-cable-ampacity": {"array_area_mm2": 35.0},
    "array-cable-continuous": {"array_area_mm2": 70.0},
    "array-cable-protection": {"array_device_a": 600.0},
    "dc-voltage-drop": {"string_length_m": 900.0},
    "dc-cable-loss": {"string_length_m": 900.0},
    "equipment-grounding-size": {"earthing_mm2": 3.31},
    "bonding-conductor-size": {"earthing_mm2": 10.0},
    "protective-conductor-size": {"protective_mm2": 35.0},
    "earthing-conductor-mechanical": {"earthing_mm2": 2.5},
    "frame-earthing-holes": {"bonds_per_module": 5.0},
    "bonding-continuity": {"earth_path_joints": 60.0},
}

CASES: list[tuple[DesignCheck, Practice]] = [
    (check, practice) for check in (*CABLE_CHECKS, *EARTHING_CHECKS) for practice in check.basis
]
