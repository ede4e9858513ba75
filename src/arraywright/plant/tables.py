"""The tables a site description comes with."""

from __future__ import annotations

from typing import Final

from arraywright.tables import Column, TableSpec

__all__ = ["PLACEMENTS", "POSITIONS", "STRINGS", "STRUCTURES"]

STRUCTURES: Final = TableSpec(
    kind="structures",
    title="structures (tables that carry modules)",
    columns=(
        Column(name="structure", kind="text", required=True, meaning="name of the structure"),
        Column(name="tilt_deg", kind="number", unit="deg", required=True, meaning="0 is level"),
        Column(
            name="azimuth_deg",
            kind="number",
            unit="deg",
            required=True,
            meaning="direction it faces, clockwise from north",
        ),
        Column(name="x_m", kind="number", unit="m", required=True, meaning="east of the origin"),
        Column(name="y_m", kind="number", unit="m", required=True, meaning="north of the origin"),
    ),
    identity=("structure",),
)

POSITIONS: Final = TableSpec(
    kind="positions",
    title="positions (one per module)",
    columns=(
        Column(name="position", kind="text", required=True, meaning="name of the position"),
        Column(name="structure", kind="text", required=True, meaning="structure it is on"),
        Column(name="row", kind="integer", required=True, meaning="row on it, 1 is the top"),
        Column(name="column", kind="integer", required=True, meaning="column, 1 is the west end"),
        Column(name="x_m", kind="number", unit="m", required=True, meaning="centre, east"),
        Column(name="y_m", kind="number", unit="m", required=True, meaning="centre, north"),
        Column(name="string", kind="text", required=True, meaning="string the module belongs to"),
        Column(
            name="place_in_string", kind="integer", required=True, meaning="1 at the positive end"
        ),
    ),
    identity=("position",),
)

STRINGS: Final = TableSpec(
    kind="strings",
    title="strings",
    columns=(
        Column(name="string", kind="text", required=True, meaning="name of the string"),
        Column(name="module_type", kind="text", required=True, meaning="key of the module type"),
        Column(name="modules", kind="integer", required=True, meaning="modules in series"),
        Column(name="inverter", kind="text", required=True, meaning="name of the inverter"),
        Column(
            name="inverter_type", kind="text", required=True, meaning="key of the inverter type"
        ),
        Column(name="mppt_input", kind="text", required=True, meaning="input, unique in the site"),
        Column(name="combiner_box", kind="text", meaning="combiner box, empty when direct"),
        Column(name="drop_point", kind="text", required=True, meaning="where pallets are set down"),
        Column(name="build_order", kind="integer", required=True, meaning="1 is built first"),
        Column(name="build_date", kind="date", meaning="day it is to be built, empty by the pace"),
    ),
    identity=("string",),
)

PLACEMENTS: Final = TableSpec(
    kind="placements",
    title="as-built list (which serial sits where)",
    columns=(
        Column(name="serial", kind="text", required=True, meaning="serial number of the module"),
        Column(name="string", kind="text", required=True, meaning="string it was connected in"),
        Column(
            name="place_in_string", kind="integer", required=True, meaning="1 at the positive end"
        ),
        Column(name="placed_at", kind="time", meaning="moment it was set down"),
        Column(name="person", kind="text", meaning="who set it down"),
    ),
    identity=("string", "place_in_string"),
)
