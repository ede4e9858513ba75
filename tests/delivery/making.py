"""An invented site and a clean delivery to it, which the tests then spoil one thing at a time."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, replace
from typing import Any

import polars as pl

from arraywright.delivery import ReceivingLimits, Reconciliation, reconcile
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.plant import CurrentClass, ModuleType, PowerClass, Site
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from arraywright.tables import TableSpec

MODULES = 31
"""Modules on a pallet of the invented delivery."""

CLASSES: tuple[tuple[float, str], ...] = ((600.0, "L"), (600.0, "H"), (605.0, "L"), (605.0, "H"))


def module_type(key: str = "heron", *, with_currents: bool = True) -> ModuleType:
    """Give an invented module type of two power and two current classes."""
    powers = tuple(
        PowerClass(
            power_w=power,
            pmax_min_w=power,
            pmax_max_w=power + 5.0,
            voc_v=52.0,
            isc_a=14.60,
            vmp_v=43.6,
            imp_a=13.80,
        )
        for power in (600.0, 605.0)
    )
    currents = (
        CurrentClass(name="L", imp_min_a=13.50, imp_max_a=13.80),
        CurrentClass(name="H", imp_min_a=13.80, imp_max_a=14.20),
    )
    return ModuleType(
        key=key,
        description="invented",
        names=(f"{key} 72", f"{key.upper()}-72/600"),
        cells_in_series=72,
        bypass_substrings=3,
        voc_tolerance_ratio=0.03,
        isc_tolerance_ratio=0.05,
        pmax_tolerance_ratio=0.03,
        alpha_isc_per_k=0.0005,
        beta_voc_per_k=-0.0025,
        gamma_pmax_per_k=-0.0030,
        nmot_c=44.0,
        max_system_voltage_v=1500.0,
        series_fuse_a=30.0,
        length_mm=2278.0,
        width_mm=1134.0,
        thickness_mm=30.0,
        mass_kg=32.0,
        bifaciality_ratio=0.7,
        power_classes=powers,
        current_classes=currents if with_currents else (),
        torque_min_nm=18.0,
        torque_max_nm=24.0,
        pallet_modules=MODULES,
        pallet_stack_max=2,
        loose_stack_max=20,
        operating_min_c=-40.0,
        operating_max_c=85.0,
        serial_pattern=r"HR[0-9]{8}",
    )


def site(*types: ModuleType) -> Site:
    """Give an invented site with the given module types."""
    held = types or (module_type(),)
    return Site(
        name="Invented Moor",
        latitude_deg=52.0,
        longitude_deg=10.0,
        elevation_m=80.0,
        time_zone="Europe/Berlin",
        design_min_air_temp_c=-18.0,
        design_max_air_temp_c=38.0,
        design_temp_basis="invented",
        module_types={held_type.key: held_type for held_type in held},
        inverter_types={},
        structures=STRUCTURES.empty(),
        positions=POSITIONS.empty(),
        strings=STRINGS.empty(),
    )


def sscc(number: int) -> str:
    """Give an SSCC made of an invented prefix and a number, its check digit by plain loop."""
    body = f"39999990{number:09d}"
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(body))
    return body + str(-total % 10)


def frame(spec: TableSpec, rows: list[dict[str, Any]]) -> pl.DataFrame:
    """Give a canonical frame of rows, missing columns null, typed by the table."""
    full = [{name: row.get(name) for name in spec.schema} for row in rows]
    typed = {
        name: pl.String if name == "source_file" else kind for name, kind in spec.schema.items()
    }
    return pl.DataFrame(full, schema=typed).with_columns(
        pl.col("source_file").cast(pl.Categorical())
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivery:
    """The four tables of one delivery as rows."""

    order: list[dict[str, Any]]
    notes: list[dict[str, Any]]
    scans: list[dict[str, Any]]
    flash: list[dict[str, Any]]

    def but(self, **tables: list[dict[str, Any]]) -> Delivery:
        """Give the same delivery with some of its tables replaced."""
        return replace(self, **tables)

    def frames(self) -> dict[str, pl.DataFrame]:
        """Give the four canonical frames as ``reconcile`` takes them."""
        return {
            "order": frame(ORDER, self.order),
            "delivery_notes": frame(DELIVERY_NOTE, self.notes),
            "pallet_scans": frame(PALLET_SCANS, self.scans),
            "flash_list": frame(FLASH_LIST, self.flash),
        }


def flash_row(number: int, *, pallet: str, power: float, current: str, row: int) -> dict[str, Any]:
    """Give a sound flash row of a class; the values differ a little from module to module."""
    step = number % 7
    imp = (13.60 if current == "L" else 13.95) + 0.01 * step
    pmax = power + 1.0 + 0.3 * step
    voc, isc = 52.0 + 0.02 * step, imp + 0.75
    return {
        "serial": f"HR{number:08d}",
        "pallet": pallet,
        "stack_position": number % MODULES + 1,
        "module_type": "Heron 72",
        "power_class_w": power,
        "current_class": current,
        "pmax_w": pmax,
        "voc_v": voc,
        "isc_a": isc,
        "vmp_v": pmax / imp,
        "imp_a": imp,
        "fill_factor_ratio": round(pmax / (voc * isc), 4),
        "source_file": f"flash-{pallet[-3]}.csv",
        "source_row": row,
    }


def clean(pallets: int = 4) -> Delivery:
    """Give a delivery in which everything agrees: one class after the other, a note per two."""
    start = dt.datetime(2031, 4, 2, 6, 0, tzinfo=dt.UTC)
    notes, scans, flash = [], [], []
    for number in range(pallets):
        power, current = CLASSES[number % len(CLASSES)]
        pallet = sscc(number + 1)
        label = {
            "pallet": pallet,
            "module_type": "heron",
            "power_class_w": power,
            "current_class": current,
            "modules": MODULES,
        }
        notes.append(
            label
            | {
                "delivery_note": f"N-{number // 2 + 1}",
                "order_number": "O-1",
                "source_file": f"note-{number // 2 + 1}.csv",
                "source_row": number % 2 + 2,
            }
        )
        scans.append(
            label
            | {
                "scanned_at": start + dt.timedelta(minutes=number),
                "condition": "ok",
                "person": "P",
                "source_file": "scans.csv",
                "source_row": number + 2,
            }
        )
        flash += [
            flash_row(
                number * MODULES + place,
                pallet=pallet,
                power=power,
                current=current,
                row=number * MODULES + place + 2,
            )
            for place in range(MODULES)
        ]
    order = [
        {
            "order_number": "O-1",
            "module_type": "heron",
            "power_class_w": power,
            "current_class": current,
            "modules": MODULES
            * sum((n["power_class_w"], n["current_class"]) == (power, current) for n in notes),
            "source_file": "order.csv",
            "source_row": place + 2,
        }
        for place, (power, current) in enumerate(CLASSES)
    ]  # fmt: skip
    return Delivery(order=order, notes=notes, scans=scans, flash=flash)


def receive(
    delivery: Delivery,
    at: Site | None = None,
    *,
    earlier_serials: pl.Series | None = None,
    limits: ReceivingLimits | None = None,
) -> Reconciliation:
    """Reconcile a delivery at the invented site."""
    return reconcile_frames(
        at or site(), delivery.frames(), earlier_serials=earlier_serials, limits=limits
    )


def reconcile_frames(
    at: Site,
    frames: dict[str, pl.DataFrame],
    *,
    earlier_serials: pl.Series | None = None,
    limits: ReceivingLimits | None = None,
) -> Reconciliation:
    """Reconcile the four frames of ``Delivery.frames``."""
    return reconcile(
        at,
        order=frames["order"],
        delivery_notes=frames["delivery_notes"],
        pallet_scans=frames["pallet_scans"],
        flash_list=frames["flash_list"],
        earlier_serials=earlier_serials,
        limits=limits,
    )


def verdicts(result: Reconciliation) -> dict[str, str]:
    """Give the verdict of each pallet."""
    return dict(zip(result.pallets["pallet"], result.pallets["verdict"], strict=True))


def reasons(result: Reconciliation) -> dict[str, list[str]]:
    """Give the reasons of each pallet that has any."""
    return {
        pallet: held
        for pallet, held in zip(
            result.pallets["pallet"], result.pallets["reasons"].to_list(), strict=True
        )
        if held
    }


def changed(rows: list[dict[str, Any]], place: int, **values: Any) -> list[dict[str, Any]]:
    """Give rows with some values of one of them replaced."""
    return [row | values if at == place else row for at, row in enumerate(rows)]
