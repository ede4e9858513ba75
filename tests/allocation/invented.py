"""Invented sites and stocks for the tests and the benchmark of the allocation room."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from arraywright.plant import (
    STRUCTURES,
    CurrentClass,
    InverterType,
    ModuleType,
    PowerClass,
    Site,
    SpareWish,
)
from arraywright.plant.tables import POSITIONS

__all__ = ["Pallet", "StringRow", "make_module_type", "make_site", "make_stock", "strings_frame"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pallet:
    """A pallet of one class."""

    name: str
    size: int
    arrival: int
    module_type: str = "north"
    power_class_w: float = 550.0
    current_class: str = "H"


@dataclass(frozen=True, slots=True, kw_only=True)
class StringRow:
    """One string of a site."""

    name: str
    modules: int
    mppt_input: str
    drop_point: str = "D1"
    module_type: str = "north"


def make_module_type(key: str = "north") -> ModuleType:
    """Give an invented module type of three power classes and three current classes."""
    return ModuleType(
        key=key,
        description="invented",
        names=(f"{key} 144",),
        cells_in_series=72,
        bypass_substrings=3,
        voc_tolerance_ratio=0.03,
        isc_tolerance_ratio=0.04,
        pmax_tolerance_ratio=0.03,
        alpha_isc_per_k=0.00048,
        beta_voc_per_k=-0.0027,
        gamma_pmax_per_k=-0.0034,
        nmot_c=43.0,
        max_system_voltage_v=1500.0,
        series_fuse_a=25.0,
        length_mm=2279.0,
        width_mm=1134.0,
        thickness_mm=35.0,
        mass_kg=28.0,
        bifaciality_ratio=0.0,
        power_classes=tuple(
            PowerClass(
                power_w=power_w,
                pmax_min_w=power_w,
                pmax_max_w=power_w + 5.0,
                voc_v=49.8,
                isc_a=13.98 * power_w / 550.0,
                vmp_v=41.95,
                imp_a=13.12 * power_w / 550.0,
            )
            for power_w in (545.0, 550.0, 555.0)
        ),
        current_classes=(
            CurrentClass(name="L", imp_min_a=0.0, imp_max_a=13.0),
            CurrentClass(name="M", imp_min_a=13.0, imp_max_a=13.1),
            CurrentClass(name="H", imp_min_a=13.1, imp_max_a=20.0),
        ),
        torque_min_nm=18.0,
        torque_max_nm=24.0,
        pallet_modules=31,
        pallet_stack_max=2,
        loose_stack_max=20,
        operating_min_c=-40.0,
        operating_max_c=85.0,
        serial_pattern="",
    )


def strings_frame(rows: Sequence[StringRow]) -> pl.DataFrame:
    """Give a frame of strings in the order given."""
    return pl.DataFrame(
        {
            "string": [row.name for row in rows],
            "module_type": [row.module_type for row in rows],
            "modules": [row.modules for row in rows],
            "inverter": ["I1"] * len(rows),
            "inverter_type": ["inv"] * len(rows),
            "mppt_input": [row.mppt_input for row in rows],
            "combiner_box": [""] * len(rows),
            "drop_point": [row.drop_point for row in rows],
            "build_order": list(range(1, len(rows) + 1)),
        },
        schema={
            "string": pl.String,
            "module_type": pl.String,
            "modules": pl.Int64,
            "inverter": pl.String,
            "inverter_type": pl.String,
            "mppt_input": pl.String,
            "combiner_box": pl.String,
            "drop_point": pl.String,
            "build_order": pl.Int64,
        },
    )


def make_site(
    strings: pl.DataFrame,
    *,
    spares: tuple[SpareWish, ...] = (),
    types: Sequence[str] = ("north", "south"),
) -> Site:
    """Give an invented site with these strings."""
    return Site(
        name="Invented field",
        latitude_deg=48.0,
        longitude_deg=11.0,
        elevation_m=500.0,
        time_zone="Europe/Berlin",
        design_min_air_temp_c=-18.0,
        design_max_air_temp_c=36.0,
        design_temp_basis="invented",
        module_types={key: make_module_type(key) for key in types},
        inverter_types={
            "inv": InverterType(
                key="inv",
                description="invented",
                max_voltage_v=1500.0,
                start_voltage_v=200.0,
                mppt_min_v=500.0,
                mppt_max_v=1450.0,
                mppt_inputs=12,
                input_max_current_a=45.0,
                input_max_isc_a=60.0,
                strings_per_input=3,
                ac_power_w=250_000.0,
            )
        },
        structures=STRUCTURES.empty(),
        positions=POSITIONS.empty(),
        strings=strings,
        spares=spares,
    )


def make_stock(
    pallets: Sequence[Pallet], *, seed: int, lot_sd_ratio: float = 0.002, sd_ratio: float = 0.003
) -> pl.DataFrame:
    """Give a stock of these pallets; currents scatter between pallets and within them."""
    rng = np.random.default_rng(seed)
    sizes = np.array([pallet.size for pallet in pallets], dtype=np.int64)
    of = np.repeat(np.arange(len(pallets)), sizes)
    place = np.arange(len(of)) - np.repeat(np.cumsum(sizes) - sizes, sizes) + 1
    power = np.array([pallet.power_class_w for pallet in pallets])[of]
    lot = rng.normal(0.0, lot_sd_ratio, len(pallets))[of]
    ratio = 1.0 + lot + rng.normal(0.0, sd_ratio, len(of))
    imp_a = 13.12 * power / 550.0 * ratio
    vmp_v = 41.95 * (1.0 + rng.normal(0.0, 0.002, len(of)))
    isc_a = imp_a * (13.98 / 13.12) * (1.0 + rng.normal(0.0, 0.0005, len(of)))
    voc_v = vmp_v * (49.8 / 41.95) * (1.0 + rng.normal(0.0, 0.0005, len(of)))
    frame = pl.DataFrame(
        {
            "name": [pallet.name for pallet in pallets],
            "arrival": [pallet.arrival for pallet in pallets],
            "module_type": [pallet.module_type for pallet in pallets],
            "power_class_w": [pallet.power_class_w for pallet in pallets],
            "current_class": [pallet.current_class for pallet in pallets],
        },
        schema={
            "name": pl.String,
            "arrival": pl.Int64,
            "module_type": pl.String,
            "power_class_w": pl.Float64,
            "current_class": pl.String,
        },
    )[of]
    return frame.rename({"name": "pallet"}).with_columns(
        serial=pl.col("pallet") + "-" + pl.Series(place).cast(pl.String).str.zfill(4),
        stack_position=pl.Series(place),
        pmax_w=pl.Series(imp_a * vmp_v),
        voc_v=pl.Series(voc_v),
        isc_a=pl.Series(isc_a),
        vmp_v=pl.Series(vmp_v),
        imp_a=pl.Series(imp_a),
    )
