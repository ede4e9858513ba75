"""Every key a site description may have, with unit, range, default and meaning, as data."""

from __future__ import annotations

from typing import Final

from arraywright.plant.layout_block import (
    DROP_PATTERNS,
    ORIENTATIONS,
    STRING_PATTERNS,
    STRING_SPANS,
)
from arraywright.readers.site_key import SiteKey, SiteSection

__all__ = ["SECTIONS", "section"]


def _text(name: str, meaning: str, default: str | None = None) -> SiteKey:
    return SiteKey(name=name, kind="text", default=default, meaning=meaning)


def _choice(name: str, choices: tuple[str, ...], default: str, meaning: str) -> SiteKey:
    return SiteKey(name=name, kind="text", default=default, choices=choices, meaning=meaning)


def _count(
    name: str, meaning: str, *, default: int | None = None, minimum: int = 1, maximum: int = 10**6
) -> SiteKey:
    return SiteKey(
        name=name,
        kind="integer",
        default=default,
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
    )


def _number(
    name: str,
    unit: str,
    minimum: float,
    maximum: float,
    meaning: str,
    default: float | None = None,
) -> SiteKey:
    return SiteKey(
        name=name,
        unit=unit,
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
        default=default,
    )


def _usual(
    name: str,
    unit: str,
    minimum: float,
    maximum: float,
    meaning: str,
    default: float,
    basis: str = "common-practice",
) -> SiteKey:
    """Give a key whose default is noted when it is applied."""
    return SiteKey(
        name=name,
        kind="integer" if isinstance(default, int) else "number",
        unit=unit,
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
        default=default,
        noted=True,
        basis=basis,
    )


def _coefficient(name: str, minimum: float, maximum: float, meaning: str) -> SiteKey:
    return SiteKey(
        name=name,
        kind="coefficient",
        unit="1/K",
        minimum=minimum,
        maximum=maximum,
        meaning=meaning,
    )


_STC: Final = (
    _number("voc_v", "V", 0.1, 500.0, "open-circuit voltage at STC"),
    _number("isc_a", "A", 0.05, 50.0, "short-circuit current at STC"),
    _number("vmp_v", "V", 0.1, 500.0, "voltage at maximum power at STC"),
    _number("imp_a", "A", 0.05, 50.0, "current at maximum power at STC"),
)
_POWER_RANGE: Final = (
    SiteKey(
        name="pmax_min_w",
        unit="W",
        optional=True,
        minimum=0.1,
        maximum=2000.0,
        meaning="least flashed power of the class; missing: `power_w`",
    ),
    SiteKey(
        name="pmax_max_w",
        unit="W",
        optional=True,
        minimum=0.1,
        maximum=2000.0,
        meaning="flashed power from which the next class begins; missing: that class's "
        "`pmax_min_w`, or 5 W above this class's own when it is the last",
    ),
)

SECTIONS: Final[dict[str, SiteSection]] = {
    entry.path: entry
    for entry in (
        SiteSection(
            path="",
            title="the whole description",
            sections=(
                "site",
                "module_types",
                "inverter_types",
                "layout",
                "spares",
                "commissioning",
            ),
        ),
        SiteSection(
            path="site",
            title="the place",
            keys=(
                _text("name", "name of the site"),
                _number("latitude_deg", "deg", -90.0, 90.0, "latitude, north positive"),
                _number("longitude_deg", "deg", -180.0, 180.0, "longitude, east positive"),
                _number("elevation_m", "m", -450.0, 6000.0, "height above sea level"),
                _text("time_zone", "IANA name of the time zone, for example `Etc/GMT-3`"),
                _number(
                    "design_min_air_temp_c",
                    "degC",
                    -70.0,
                    50.0,
                    "least air temperature the design reckons with",
                ),
                _number(
                    "design_max_air_temp_c",
                    "degC",
                    -20.0,
                    65.0,
                    "greatest air temperature the design reckons with",
                ),
                _text("design_temp_basis", "where the two design temperatures come from, in words"),
            ),
        ),
        SiteSection(
            path="module_types.NAME",
            title="a module type, from its data sheet",
            sections=("power_classes", "current_classes"),
            keys=(
                _text("description", "words for people", ""),
                SiteKey(
                    name="names",
                    kind="texts",
                    default="",
                    meaning="other spellings of the type on labels and lists",
                ),
                _count(
                    "cells_in_series",
                    "cells in series; a half-cut module of 2 x 72 has 72",
                    maximum=500,
                ),
                _count(
                    "bypass_substrings",
                    "sub-strings with a bypass diode each, in series",
                    maximum=100,
                ),
                _usual("voc_tolerance_ratio", "1", 0.0, 0.2, "tolerance of Voc, both ways", 0.03),
                _usual("isc_tolerance_ratio", "1", 0.0, 0.2, "tolerance of Isc, both ways", 0.04),
                _usual(
                    "pmax_tolerance_ratio",
                    "1",
                    0.0,
                    0.2,
                    "measurement tolerance of Pmax, both ways",
                    0.03,
                ),
                _coefficient("alpha_isc_per_k", -0.001, 0.003, "temperature coefficient of Isc"),
                _coefficient("beta_voc_per_k", -0.008, -0.0005, "temperature coefficient of Voc"),
                _coefficient("gamma_pmax_per_k", -0.01, -0.0005, "temperature coefficient of Pmax"),
                _number("nmot_c", "degC", 30.0, 70.0, "nominal module operating temperature"),
                _number("max_system_voltage_v", "V", 12.0, 3000.0, "greatest system voltage"),
                _number("series_fuse_a", "A", 0.5, 100.0, "greatest series fuse"),
                _number("length_mm", "mm", 100.0, 7000.0, "long side"),
                _number("width_mm", "mm", 100.0, 3000.0, "short side"),
                _number("thickness_mm", "mm", 0.5, 150.0, "height of the frame"),
                _number("mass_kg", "kg", 0.2, 120.0, "mass of one module"),
                _number(
                    "bifaciality_ratio", "1", 0.0, 1.0, "rear to front power, 0 when one-sided", 0.0
                ),
                SiteKey(
                    name="power_w",
                    unit="W",
                    optional=True,
                    minimum=0.5,
                    maximum=2000.0,
                    meaning="power on the label of the only class; with `voc_v`, `isc_a`, `vmp_v`, "
                    "`imp_a` it stands for `power_classes` when there is one class",
                ),
                *(
                    SiteKey(
                        name=key.name,
                        unit=key.unit,
                        optional=True,
                        minimum=key.minimum,
                        maximum=key.maximum,
                        meaning=f"{key.meaning}, of the only class",
                    )
                    for key in (*_STC, *_POWER_RANGE)
                ),
                _usual("torque_min_nm", "N.m", 0.5, 200.0, "least clamp bolt torque", 18.0),
                _usual("torque_max_nm", "N.m", 0.5, 200.0, "greatest clamp bolt torque", 24.0),
                _count("pallet_modules", "modules on a full pallet", maximum=200),
                _usual("pallet_stack_max", "", 1, 10, "pallets in one stack at most", 2),
                _usual("loose_stack_max", "", 1, 100, "loose modules in one stack at most", 20),
                _usual(
                    "operating_min_c", "degC", -100.0, 20.0, "least operating temperature", -40.0
                ),
                _usual(
                    "operating_max_c", "degC", 40.0, 150.0, "greatest operating temperature", 85.0
                ),
                _text(
                    "serial_pattern",
                    "regular expression a serial must match in full; empty when none is known",
                    "",
                ),
            ),
        ),
        SiteSection(
            path="module_types.NAME.power_classes[]",
            title="a power class of the type, in rising order",
            keys=(
                _number("power_w", "W", 0.5, 2000.0, "power on the label"),
                *_POWER_RANGE,
                *_STC,
            ),
        ),
        SiteSection(
            path="module_types.NAME.current_classes[]",
            title="a current class of the type, in rising order; none when sorted by power alone",
            keys=(
                _text("name", "name on the label"),
                _number("imp_min_a", "A", 0.0, 50.0, "least current of the class, inclusive"),
                _number("imp_max_a", "A", 0.05, 50.0, "greatest current of the class, exclusive"),
            ),
        ),
        SiteSection(
            path="inverter_types.NAME",
            title="an inverter type, from its data sheet",
            keys=(
                _text("description", "words for people", ""),
                _number("max_voltage_v", "V", 12.0, 3000.0, "greatest voltage at the input"),
                _number("start_voltage_v", "V", 1.0, 3000.0, "voltage from which it starts"),
                _number("mppt_min_v", "V", 1.0, 3000.0, "lower edge of the MPPT window"),
                _number("mppt_max_v", "V", 1.0, 3000.0, "upper edge of the MPPT window"),
                _count("mppt_inputs", "number of MPPT inputs", maximum=1000),
                _number(
                    "input_max_current_a",
                    "A",
                    0.1,
                    20000.0,
                    "greatest operating current of one MPPT input",
                ),
                _number(
                    "input_max_isc_a",
                    "A",
                    0.1,
                    20000.0,
                    "greatest short-circuit current of one MPPT input",
                ),
                _count("strings_per_input", "strings on one MPPT input at most", maximum=2000),
                _number("ac_power_w", "W", 50.0, 20e6, "rated AC power"),
            ),
        ),
        SiteSection(
            path="layout",
            title="where modules sit and strings run: three CSV tables, blocks, or both",
            sections=("block",),
            keys=(
                SiteKey(
                    name="structures",
                    kind="text",
                    optional=True,
                    meaning="file of the structures, beside `site.toml`",
                ),
                SiteKey(
                    name="positions",
                    kind="text",
                    optional=True,
                    meaning="file of the positions, beside `site.toml`",
                ),
                SiteKey(
                    name="strings",
                    kind="text",
                    optional=True,
                    meaning="file of the strings, beside `site.toml`",
                ),
            ),
        ),
        SiteSection(
            path="layout.block[]",
            title="a regular block of tables",
            keys=(
                _text("name", "name of the block, the first part of every name in it"),
                _text("module_type", "key of the module type"),
                _text("inverter_type", "key of the inverter type"),
                _count("rows_of_tables", "rows of tables, one behind the other", maximum=100_000),
                _count("tables_per_row", "tables side by side in a row", maximum=100_000),
                _count("columns", "modules along a table", maximum=10_000),
                _count("rows", "modules up a table", maximum=1000),
                _number(
                    "pitch_m", "m", 0.0, 1000.0, "from one row of tables to the next, level", 0.0
                ),
                _number("table_gap_m", "m", 0.0, 1000.0, "between tables of a row", 0.5),
                _number("module_gap_mm", "mm", 0.0, 1000.0, "between modules, both ways", 20.0),
                _number("tilt_deg", "deg", 0.0, 89.0, "tilt, 0 is level"),
                _number(
                    "azimuth_deg",
                    "deg",
                    0.0,
                    360.0,
                    "direction the tables face, clockwise from north",
                ),
                _number(
                    "x_m",
                    "m",
                    -1e6,
                    1e6,
                    "upper corner at module column 1, east of the site's origin",
                    0.0,
                ),
                _number(
                    "y_m",
                    "m",
                    -1e6,
                    1e6,
                    "upper corner at module column 1, north of the site's origin",
                    0.0,
                ),
                _choice("orientation", ORIENTATIONS, "portrait", "long side up the slope or along"),
                _count("modules_per_string", "modules in series", maximum=200),
                _choice(
                    "string_pattern", STRING_PATTERNS, "along_row", "how a string runs, see Blocks"
                ),
                _choice("string_span", STRING_SPANS, "row", "what one string may run through"),
                _count("strings_per_input", "strings in parallel on one MPPT input", maximum=2000),
                _count("inputs_per_inverter", "MPPT inputs used on one inverter", maximum=1000),
                _count(
                    "strings_per_combiner_box",
                    "strings in one combiner box, 0 when they go to the inverter",
                    default=0,
                    minimum=0,
                    maximum=1000,
                ),
                _choice("drop_point", DROP_PATTERNS, "per_row", "where pallets are set down"),
            ),
        ),
        SiteSection(
            path="spares[]",
            title="spares the owner wants to keep",
            keys=(
                _text("module_type", "key of the module type"),
                SiteKey(
                    name="power_class_w",
                    unit="W",
                    optional=True,
                    minimum=0.5,
                    maximum=2000.0,
                    meaning="power class; missing: any class",
                ),
                _text("current_class", "current class; empty for any", ""),
                _count("modules", "modules wanted", minimum=0),
            ),
        ),
        SiteSection(
            path="commissioning",
            title="what is asked of the tests",
            keys=(
                _usual(
                    "irradiance_min_w_m2",
                    "W/m2",
                    50.0,
                    1200.0,
                    "least plane irradiance of a valid reading",
                    400.0,
                ),
                _usual(
                    "irradiance_change_ratio",
                    "1",
                    0.001,
                    0.5,
                    "greatest change of irradiance between readings close in time",
                    0.05,
                ),
                _usual(
                    "tolerance_ratio",
                    "1",
                    0.001,
                    0.5,
                    "allowed deviation of Voc and Isc in the standard's verdict",
                    0.05,
                    "iec-62446-1",
                ),
                _usual(
                    "false_alarm_ratio",
                    "1",
                    1e-9,
                    0.2,
                    "false alarms allowed per string in the second verdict",
                    0.001,
                ),
                _usual(
                    "earth_continuity_max_ohm",
                    "ohm",
                    0.001,
                    1000.0,
                    "greatest earth continuity resistance",
                    1.0,
                ),
                _usual(
                    "cell_temp_uncertainty_k",
                    "K",
                    0.01,
                    20.0,
                    "standard uncertainty of one string's cell temperature",
                    1.5,
                ),
                _usual(
                    "neighbour_window_min",
                    "min",
                    0.1,
                    1440.0,
                    "readings closer in time than this are neighbours",
                    20.0,
                ),
            ),
        ),
    )
}
"""Every section by its path."""


def section(path: str) -> SiteSection:
    """Give the section of a path as the documentation writes it."""
    return SECTIONS[path]
