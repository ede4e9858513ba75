"""The tables a delivery comes with."""

from __future__ import annotations

from typing import Final

from arraywright.tables import Column, TableSpec

__all__ = ["DELIVERY_NOTE", "FLASH_LIST", "ORDER", "PALLET_SCANS"]

ORDER: Final = TableSpec(
    kind="order",
    title="order",
    columns=(
        Column(name="order_number", kind="text", meaning="number of the order"),
        Column(name="module_type", kind="text", required=True, meaning="module type ordered"),
        Column(name="power_class_w", kind="number", unit="W", meaning="power class ordered"),
        Column(name="current_class", kind="text", meaning="current class ordered, if named"),
        Column(name="pallets", kind="integer", meaning="pallets ordered"),
        Column(name="modules", kind="integer", required=True, meaning="modules ordered"),
        Column(name="deliver_on", kind="date", meaning="day the delivery is due"),
    ),
)

DELIVERY_NOTE: Final = TableSpec(
    kind="delivery_note",
    title="delivery note",
    columns=(
        Column(name="delivery_note", kind="text", meaning="number of the note"),
        Column(name="order_number", kind="text", meaning="number of the order it fulfils"),
        Column(name="delivered_on", kind="date", meaning="day of delivery"),
        Column(name="pallet", kind="text", required=True, meaning="pallet number or SSCC"),
        Column(name="module_type", kind="text", required=True, meaning="module type"),
        Column(name="power_class_w", kind="number", unit="W", meaning="power class"),
        Column(name="current_class", kind="text", meaning="current class"),
        Column(name="modules", kind="integer", required=True, meaning="modules on the pallet"),
    ),
    identity=("pallet",),
)

PALLET_SCANS: Final = TableSpec(
    kind="pallet_scans",
    title="pallet label scans",
    columns=(
        Column(name="pallet", kind="text", required=True, meaning="pallet number as scanned"),
        Column(name="scanned_at", kind="time", meaning="moment of the scan"),
        Column(name="module_type", kind="text", meaning="module type on the label"),
        Column(name="power_class_w", kind="number", unit="W", meaning="power class on the label"),
        Column(name="current_class", kind="text", meaning="current class on the label"),
        Column(name="modules", kind="integer", meaning="modules counted or on the label"),
        Column(name="condition", kind="text", meaning="condition seen, empty or 'ok' when sound"),
        Column(name="person", kind="text", meaning="who scanned"),
    ),
    identity=("pallet",),
)

FLASH_LIST: Final = TableSpec(
    kind="flash_list",
    title="flash list",
    columns=(
        Column(name="serial", kind="text", required=True, meaning="serial number of the module"),
        Column(name="pallet", kind="text", meaning="pallet the maker packed it on"),
        Column(name="stack_position", kind="integer", meaning="place on the pallet, 1 on top"),
        Column(name="module_type", kind="text", meaning="module type"),
        Column(name="power_class_w", kind="number", unit="W", meaning="power class on the label"),
        Column(name="current_class", kind="text", meaning="current class on the label"),
        Column(name="pmax_w", kind="number", unit="W", required=True, meaning="flashed power"),
        Column(name="voc_v", kind="number", unit="V", required=True, meaning="flashed Voc"),
        Column(name="isc_a", kind="number", unit="A", required=True, meaning="flashed Isc"),
        Column(name="vmp_v", kind="number", unit="V", required=True, meaning="flashed Vmp"),
        Column(name="imp_a", kind="number", unit="A", required=True, meaning="flashed Imp"),
        Column(name="fill_factor_ratio", kind="number", unit="1", meaning="flashed fill factor"),
        Column(name="flashed_at", kind="time", meaning="moment of the flash"),
    ),
    identity=("serial",),
)
