"""An invented sound string, and what breaks each of its checks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from arraywright.design import currents, surge, voltage
from arraywright.design.check import DesignCheck, Practice

__all__ = ["ALL", "BROKEN", "SOUND", "cases", "given"]

ALL: Final[tuple[DesignCheck, ...]] = voltage.CHECKS + currents.CHECKS + surge.CHECKS

SOUND: Final[Mapping[str, float]] = {
    "modules": 24,
    "voc_v": 49.8,
    "isc_a": 13.98,
    "vmp_v": 41.95,
    "imp_a": 13.12,
    "alpha_isc_per_k": 0.00048,
    "beta_voc_per_k": -0.00265,
    "beta_vmp_per_k": -0.0034,
    "min_air_temp_c": -9.0,
    "max_cell_temp_c": 72.0,
    "dawn_irradiance_w_m2": 200.0,
    "end_of_life_voltage_ratio": 0.95,
    "max_system_voltage_v": 1500.0,
    "max_voltage_v": 1500.0,
    "system_voltage_limit_v": 1500.0,
    "start_voltage_v": 550.0,
    "mppt_min_v": 500.0,
    "mppt_max_v": 1500.0,
    "bifaciality_ratio": 0.7,
    "rear_irradiance_ratio": 0.1,
    "irradiance_correction_ratio": 1.0,
    "strings": 2,
    "strings_in_box": 12,
    "series_fuse_a": 30.0,
    "backfeed_a": 0.0,
    "string_fuse_a": 25.0,
    "string_fuse_voltage_v": 1500.0,
    "input_max_current_a": 65.0,
    "input_max_isc_a": 115.0,
    "combiner_current_a": 320.0,
    "combiner_voltage_v": 1500.0,
    "disconnector_current_a": 63.0,
    "disconnector_voltage_v": 1500.0,
    "dc_route_length_m": 60.0,
    "surge_devices_fitted": 0.0,
    "installation_constant": 200.0,
    "ground_flash_density": 2.0,
    "surge_voltage_v": 1500.0,
    "surge_protection_level_v": 4500.0,
    "impulse_withstand_v": 6000.0,
    "surge_discharge_current_a": 20000.0,
}

BROKEN: Final[Mapping[str, Mapping[str, float]]] = {
    "string-voc-cold-module": {"modules": 28},
    "string-voc-cold-inverter": {"max_voltage_v": 1100.0},
    "string-voc-cold-place": {"system_voltage_limit_v": 1000.0},
    "string-voc-cold-table": {"modules": 27},
    "string-voc-cold-model": {"modules": 28},
    "string-voc-dawn-model": {"modules": 30},
    "string-vmp-hot": {"modules": 12},
    "string-vmp-cold": {"mppt_max_v": 1000.0},
    "string-voc-start": {"start_voltage_v": 1050.0},
    "input-operating-current": {"strings": 5},
    "input-short-circuit-current": {"strings": 7},
    "string-reverse-current": {"strings": 3, "string_fuse_a": 0.0},
    "string-fuse-least": {"string_fuse_a": 20.0},
    "string-fuse-most": {"string_fuse_a": 40.0},
    "string-fuse-voltage": {"string_fuse_voltage_v": 1000.0},
    "combiner-current": {"combiner_current_a": 200.0},
    "combiner-voltage": {"combiner_voltage_v": 1000.0},
    "disconnector-current": {"disconnector_current_a": 32.0},
    "disconnector-voltage": {"disconnector_voltage_v": 1000.0},
    "surge-route-length": {"dc_route_length_m": 100.0},
    "surge-voltage": {"modules": 26, "min_air_temp_c": 20.0},
    "surge-protection-level": {"impulse_withstand_v": 5000.0},
    "surge-discharge-current": {"surge_discharge_current_a": 3000.0},
}


def cases() -> list[tuple[DesignCheck, Practice]]:
    """Give every check with every practice it belongs to."""
    return [(check, practice) for check in ALL for practice in check.basis]


def given(check: DesignCheck, changed: Mapping[str, float]) -> dict[str, float | None]:
    """Give the sound inputs of a check with some of them changed."""
    held = {**SOUND, **changed}
    return {one.name: held[one.name] for one in check.inputs}
