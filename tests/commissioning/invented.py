"""An invented site and simulated readings for the tests of commissioning."""

from __future__ import annotations

import datetime as dt

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.commissioning.expected import type_template
from arraywright.commissioning.string_modules import StringModules, string_modules
from arraywright.commissioning.tables import INSTRUMENTS, IV_POINTS, STRING_READINGS
from arraywright.physics import fit_flash, string_curve, translate
from arraywright.plant import (
    POSITIONS,
    STRINGS,
    STRUCTURES,
    Commissioning,
    ModuleType,
    PowerClass,
    Site,
)

NOON = dt.datetime(2026, 6, 15, 10, 30, tzinfo=dt.UTC)
NOW = dt.datetime(2026, 6, 20, 12, 0, tzinfo=dt.UTC)
BETA = -0.0027
ALPHA = 0.0005


def make_type() -> ModuleType:
    """Give an invented module type of 72 cells with three bypass sub-strings."""

    def power_class(power_w: float, isc_a: float) -> PowerClass:
        return PowerClass(
            power_w=power_w,
            pmax_min_w=power_w,
            pmax_max_w=power_w + 5.0,
            voc_v=49.6,
            isc_a=isc_a,
            vmp_v=41.7,
            imp_a=power_w / 41.7,
        )

    return ModuleType(
        key="north",
        description="invented 72-cell module",
        names=(),
        cells_in_series=72,
        bypass_substrings=3,
        voc_tolerance_ratio=0.03,
        isc_tolerance_ratio=0.03,
        pmax_tolerance_ratio=0.03,
        alpha_isc_per_k=ALPHA,
        beta_voc_per_k=BETA,
        gamma_pmax_per_k=-0.0034,
        nmot_c=43.0,
        max_system_voltage_v=1500.0,
        series_fuse_a=25.0,
        length_mm=2278.0,
        width_mm=1134.0,
        thickness_mm=35.0,
        mass_kg=28.0,
        bifaciality_ratio=0.0,
        power_classes=(
            power_class(540.0, 13.80),
            power_class(545.0, 13.87),
            power_class(550.0, 13.94),
        ),
        current_classes=(),
        torque_min_nm=18.0,
        torque_max_nm=24.0,
        pallet_modules=31,
        pallet_stack_max=2,
        loose_stack_max=20,
        operating_min_c=-40.0,
        operating_max_c=85.0,
        serial_pattern="",
    )


def make_site(
    strings: int = 40,
    *,
    modules: int = 28,
    commissioning: Commissioning | None = None,
    time_zone: str = "Europe/Madrid",
    tilt_deg: float = 25.0,
    azimuth_deg: float = 180.0,
) -> Site:
    """Give an invented site near 40 degrees north, all strings on one plane."""
    names = [f"S{i + 1:05d}" for i in range(strings)]
    return Site(
        name="Invented Field",
        latitude_deg=40.0,
        longitude_deg=-4.0,
        elevation_m=650.0,
        time_zone=time_zone,
        design_min_air_temp_c=-8.0,
        design_max_air_temp_c=42.0,
        design_temp_basis="invented",
        module_types={"north": make_type()},
        inverter_types={},
        structures=pl.DataFrame(
            {
                "structure": ["T1"],
                "tilt_deg": [tilt_deg],
                "azimuth_deg": [azimuth_deg],
                "x_m": [0.0],
                "y_m": [0.0],
            }
        ).match_to_schema(STRUCTURES.schema, missing_columns="insert"),
        positions=pl.DataFrame(
            {
                "position": names,
                "structure": ["T1"] * strings,
                "string": names,
                "place_in_string": [1] * strings,
            }
        ).match_to_schema(POSITIONS.schema, missing_columns="insert"),
        strings=pl.DataFrame(
            {
                "string": names,
                "module_type": ["north"] * strings,
                "modules": [modules] * strings,
                "inverter": ["I1"] * strings,
                "build_order": list(range(1, strings + 1)),
            }
        ).match_to_schema(STRINGS.schema, missing_columns="insert"),
        commissioning=commissioning or Commissioning(),
    )


def make_modules(site: Site, *, spread: float = 0.0, seed: int = 7) -> StringModules:
    """Give flashed modules for every place, with a relative spread of Voc and Isc."""
    rng = np.random.default_rng(seed)
    lengths = site.strings["modules"].to_numpy()
    count = int(lengths.sum())
    names = np.repeat(site.strings["string"].to_numpy(), lengths)
    voc = 49.6 * (1.0 + spread * rng.standard_normal(count))
    isc = 13.87 * (1.0 + spread * rng.standard_normal(count))
    imp = isc * 13.07 / 13.87
    placed = pl.DataFrame(
        {
            "string": names,
            "place_in_string": np.arange(count) + 1,
            "serial": [f"N{i:08d}" for i in range(count)],
            "isc_a": isc,
            "voc_v": voc,
            "imp_a": imp,
            "vmp_v": np.full(count, 41.7),
            "pmax_w": imp * 41.7,
            "power_class_w": np.full(count, 545.0),
        }
    )
    return string_modules(site, placed=placed)


def make_instruments(**changes: object) -> pl.DataFrame:
    """Give a meter, a sensor, a thermometer and an insulation tester, all in calibration."""
    rows = {
        "instrument": ["M1", "G1", "T1", "R1"],
        "calibrated_on": [dt.date(2026, 1, 10)] * 4,
        "calibration_due_on": [dt.date(2027, 1, 9)] * 4,
        "voltage_uncertainty_ratio": [0.003, None, None, None],
        "current_uncertainty_ratio": [0.006, None, None, None],
        "irradiance_uncertainty_ratio": [None, 0.02, None, None],
        "temperature_uncertainty_k": [None, None, 1.0, None],
        "resistance_uncertainty_ratio": [None, None, None, 0.05],
    } | changes
    return pl.DataFrame(rows, schema_overrides=INSTRUMENTS.schema).match_to_schema(
        INSTRUMENTS.schema, missing_columns="insert"
    )


def make_readings(
    site: Site,
    *,
    expected_voc_v: FloatArray,
    expected_isc_a: FloatArray,
    irradiance_w_m2: float = 800.0,
    cell_temp_c: float = 45.0,
    start: dt.datetime = NOON,
    step_s: float = 60.0,
    **changes: object,
) -> pl.DataFrame:
    """Give one complete sound reading per string, one after the other."""
    count = len(site.strings)
    columns: dict[str, object] = {
        "string": site.strings["string"],
        "measured_at": [start + dt.timedelta(seconds=step_s * i) for i in range(count)],
        "voc_v": expected_voc_v,
        "isc_a": expected_isc_a,
        "irradiance_w_m2": [irradiance_w_m2] * count,
        "module_temp_c": [cell_temp_c - 3.0 * irradiance_w_m2 / 1000.0] * count,
        "riso_pos_megohm": [60.0] * count,
        "riso_neg_megohm": [55.0] * count,
        "riso_test_voltage_v": [1500.0] * count,
        "earth_continuity_ohm": [0.12] * count,
        "meter": ["M1"] * count,
        "irradiance_sensor": ["G1"] * count,
        "thermometer": ["T1"] * count,
        "insulation_tester": ["R1"] * count,
    } | changes
    return pl.DataFrame(columns).match_to_schema(
        STRING_READINGS.schema, missing_columns="insert", integer_cast="upcast"
    )


def make_curves(
    site: Site,
    modules: StringModules,
    *,
    irradiance_w_m2: float,
    cell_temp_c: float,
    noise_ratio: float = 0.0,
    points: int = 120,
    power_ratio: float = 1.0,
    substring_photocurrent_ratio: FloatArray | None = None,
    lead_resistance_ohm: float = 0.0,
) -> pl.DataFrame:
    """Give simulated curves of every string, each module fitted to its own flash values."""
    fit = fit_flash(
        type_template(make_type()),
        isc_a=modules.isc_a,
        voc_v=modules.voc_v,
        imp_a=modules.imp_a,
        vmp_v=modules.vmp_v,
    )
    count = len(modules.isc_a)
    curve = string_curve(
        translate(
            fit.reference,
            irradiance_w_m2=np.full(count, irradiance_w_m2 * power_ratio),
            cell_temp_c=np.full(count, cell_temp_c),
        ),
        offsets=modules.offsets,
        points=points,
        substring_photocurrent_ratio=substring_photocurrent_ratio,
        lead_resistance_ohm=lead_resistance_ohm,
    )
    rng = np.random.default_rng(17)
    size = curve.current_a.shape
    times = [NOON + dt.timedelta(minutes=m) for m in range(len(modules.strings))]
    return (
        pl.DataFrame(
            {
                "string": modules.strings,
                "measured_at": times,
                "voltage_v": curve.voltage_v * (1 + noise_ratio * rng.standard_normal(size)),
                "current_a": curve.current_a * (1 + noise_ratio * rng.standard_normal(size)),
                "irradiance_w_m2": [irradiance_w_m2] * len(times),
                "module_temp_c": [cell_temp_c - 3.0 * irradiance_w_m2 / 1000.0] * len(times),
                "meter": ["M1"] * len(times),
                "irradiance_sensor": ["G1"] * len(times),
                "thermometer": ["T1"] * len(times),
            }
        )
        .with_columns(pl.col("voltage_v", "current_a").arr.to_list())
        .explode("voltage_v", "current_a")
        .match_to_schema(IV_POINTS.schema, missing_columns="insert")
    )
