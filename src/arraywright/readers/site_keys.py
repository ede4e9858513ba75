"""Every key a site description may have, with unit, range, default and meaning, as data."""

from __future__ import annotations

from typing import Final

from arraywright.plant.layout_block import (
    DROP_PATTERNS,
    ORIENTATIONS,
    STRING_PATTERNS,
    STRING_SPANS,
)
from arraywright.readers.site_allocation_keys import ALLOCATION_SECTIONS
from arraywright.readers.site_building_keys import BUILDING_SECTIONS
from arraywright.readers.site_design_keys import (
    DESIGN_SECTIONS,
    INVERTER_TYPE_KEYS,
    MODULE_TYPE_KEYS,
    PLACE_KEYS,
)
from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.site_key_makers import (
    choice_key,
    coefficient_key,
    count_key,
    number_key,
    optional_key,
    text_key,
    usual_key,
)
from arraywright.readers.site_waivers import WAIVER_SECTION

__all__ = ["SECTIONS", "section"]


_STC: Final = (
    number_key("voc_v", "V", 0.1, 500.0, "open-circuit voltage at STC"),
    number_key("isc_a", "A", 0.05, 50.0, "short-circuit current at STC"),
    number_key("vmp_v", "V", 0.1, 500.0, "voltage at maximum power at STC"),
    number_key("imp_a", "A", 0.05, 50.0, "current at maximum power at STC"),
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
                "waivers",
                "commissioning",
                "building",
                "yard",
                "allocation",
                *(
                    entry.path
                    for entry in DESIGN_SECTIONS
                    if "." not in entry.path and "[" not in entry.path
                ),
            ),
        ),
        SiteSection(
            path="site",
            title="the place",
            keys=(
                text_key("name", "name of the site"),
                number_key("latitude_deg", "deg", -90.0, 90.0, "latitude, north positive"),
                number_key("longitude_deg", "deg", -180.0, 180.0, "longitude, east positive"),
                number_key("elevation_m", "m", -450.0, 6000.0, "height above sea level"),
                text_key("time_zone", "IANA name of the time zone, for example `Etc/GMT-3`"),
                number_key(
                    "design_min_air_temp_c",
                    "degC",
                    -70.0,
                    50.0,
                    "least air temperature the design reckons with",
                ),
                number_key(
                    "design_max_air_temp_c",
                    "degC",
                    -20.0,
                    65.0,
                    "greatest air temperature the design reckons with",
                ),
                text_key(
                    "design_temp_basis", "where the two design temperatures come from, in words"
                ),
                *PLACE_KEYS,
            ),
        ),
        SiteSection(
            path="module_types.NAME",
            title="a module type, from its data sheet",
            sections=("power_classes", "current_classes", "clampings"),
            keys=(
                text_key("description", "words for people", ""),
                SiteKey(
                    name="names",
                    kind="texts",
                    default="",
                    meaning="other spellings of the type on labels and lists",
                ),
                count_key(
                    "cells_in_series",
                    "cells in series; a half-cut module of 2 x 72 has 72",
                    maximum=500,
                ),
                count_key(
                    "bypass_substrings",
                    "sub-strings with a bypass diode each, in series",
                    maximum=100,
                ),
                usual_key(
                    "voc_tolerance_ratio", "1", 0.0, 0.2, "tolerance of Voc, both ways", 0.03
                ),
                usual_key(
                    "isc_tolerance_ratio", "1", 0.0, 0.2, "tolerance of Isc, both ways", 0.04
                ),
                usual_key(
                    "pmax_tolerance_ratio",
                    "1",
                    0.0,
                    0.2,
                    "measurement tolerance of Pmax, both ways",
                    0.03,
                ),
                coefficient_key("alpha_isc_per_k", -0.001, 0.003, "temperature coefficient of Isc"),
                coefficient_key(
                    "beta_voc_per_k", -0.008, -0.0005, "temperature coefficient of Voc"
                ),
                coefficient_key(
                    "gamma_pmax_per_k", -0.01, -0.0005, "temperature coefficient of Pmax"
                ),
                number_key("nmot_c", "degC", 30.0, 70.0, "nominal module operating temperature"),
                number_key("max_system_voltage_v", "V", 12.0, 3000.0, "greatest system voltage"),
                number_key("series_fuse_a", "A", 0.5, 100.0, "greatest series fuse"),
                number_key("length_mm", "mm", 100.0, 7000.0, "long side"),
                number_key("width_mm", "mm", 100.0, 3000.0, "short side"),
                number_key("thickness_mm", "mm", 0.5, 150.0, "height of the frame"),
                number_key("mass_kg", "kg", 0.2, 120.0, "mass of one module"),
                number_key(
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
                usual_key("torque_min_nm", "N.m", 0.5, 200.0, "least clamp bolt torque", 18.0),
                usual_key("torque_max_nm", "N.m", 0.5, 200.0, "greatest clamp bolt torque", 24.0),
                count_key("pallet_modules", "modules on a full pallet", maximum=200),
                usual_key("pallet_stack_max", "", 1, 10, "pallets in one stack at most", 2),
                usual_key("loose_stack_max", "", 1, 100, "loose modules in one stack at most", 20),
                usual_key(
                    "operating_min_c", "degC", -100.0, 20.0, "least operating temperature", -40.0
                ),
                usual_key(
                    "operating_max_c", "degC", 40.0, 150.0, "greatest operating temperature", 85.0
                ),
                text_key(
                    "serial_pattern",
                    "regular expression a serial must match in full; empty when none is known",
                    "",
                ),
                *MODULE_TYPE_KEYS,
            ),
        ),
        SiteSection(
            path="module_types.NAME.power_classes[]",
            title="a power class of the type, in rising order",
            keys=(
                number_key("power_w", "W", 0.5, 2000.0, "power on the label"),
                *_POWER_RANGE,
                *_STC,
            ),
        ),
        SiteSection(
            path="module_types.NAME.current_classes[]",
            title="a current class of the type, in rising order; none when sorted by power alone",
            keys=(
                text_key("name", "name on the label"),
                number_key("imp_min_a", "A", 0.0, 50.0, "least current of the class, inclusive"),
                number_key(
                    "imp_max_a", "A", 0.05, 50.0, "greatest current of the class, exclusive"
                ),
            ),
        ),
        SiteSection(
            path="inverter_types.NAME",
            title="an inverter type, from its data sheet",
            keys=(
                text_key("description", "words for people", ""),
                number_key("max_voltage_v", "V", 12.0, 3000.0, "greatest voltage at the input"),
                number_key("start_voltage_v", "V", 1.0, 3000.0, "voltage from which it starts"),
                number_key("mppt_min_v", "V", 1.0, 3000.0, "lower edge of the MPPT window"),
                number_key("mppt_max_v", "V", 1.0, 3000.0, "upper edge of the MPPT window"),
                count_key("mppt_inputs", "number of MPPT inputs", maximum=1000),
                number_key(
                    "input_max_current_a",
                    "A",
                    0.1,
                    20000.0,
                    "greatest operating current of one MPPT input",
                ),
                number_key(
                    "input_max_isc_a",
                    "A",
                    0.1,
                    20000.0,
                    "greatest short-circuit current of one MPPT input",
                ),
                count_key("strings_per_input", "strings on one MPPT input at most", maximum=2000),
                number_key("ac_power_w", "W", 50.0, 20e6, "rated AC power"),
                *INVERTER_TYPE_KEYS,
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
                text_key("name", "name of the block, the first part of every name in it"),
                text_key("module_type", "key of the module type"),
                text_key("inverter_type", "key of the inverter type"),
                count_key(
                    "rows_of_tables", "rows of tables, one behind the other", maximum=100_000
                ),
                count_key("tables_per_row", "tables side by side in a row", maximum=100_000),
                count_key("columns", "modules along a table", maximum=10_000),
                count_key("rows", "modules up a table", maximum=1000),
                number_key(
                    "pitch_m", "m", 0.0, 1000.0, "from one row of tables to the next, level", 0.0
                ),
                number_key("table_gap_m", "m", 0.0, 1000.0, "between tables of a row", 0.5),
                number_key("module_gap_mm", "mm", 0.0, 1000.0, "between modules, both ways", 20.0),
                number_key("tilt_deg", "deg", 0.0, 89.0, "tilt, 0 is level"),
                number_key(
                    "azimuth_deg",
                    "deg",
                    0.0,
                    360.0,
                    "direction the tables face, clockwise from north",
                ),
                number_key(
                    "x_m",
                    "m",
                    -1e6,
                    1e6,
                    "upper corner at module column 1, east of the site's origin",
                    0.0,
                ),
                number_key(
                    "y_m",
                    "m",
                    -1e6,
                    1e6,
                    "upper corner at module column 1, north of the site's origin",
                    0.0,
                ),
                choice_key(
                    "orientation", ORIENTATIONS, "portrait", "long side up the slope or along"
                ),
                count_key("modules_per_string", "modules in series", maximum=200),
                choice_key(
                    "string_pattern", STRING_PATTERNS, "along_row", "how a string runs, see Blocks"
                ),
                choice_key("string_span", STRING_SPANS, "row", "what one string may run through"),
                count_key(
                    "strings_per_input", "strings in parallel on one MPPT input", maximum=2000
                ),
                count_key("inputs_per_inverter", "MPPT inputs used on one inverter", maximum=1000),
                count_key(
                    "strings_per_combiner_box",
                    "strings in one combiner box, 0 when they go to the inverter",
                    default=0,
                    minimum=0,
                    maximum=1000,
                ),
                choice_key("drop_point", DROP_PATTERNS, "per_row", "where pallets are set down"),
            ),
        ),
        SiteSection(
            path="spares[]",
            title="spares the owner wants to keep",
            keys=(
                text_key("module_type", "key of the module type"),
                SiteKey(
                    name="power_class_w",
                    unit="W",
                    optional=True,
                    minimum=0.5,
                    maximum=2000.0,
                    meaning="power class; missing: any class",
                ),
                text_key("current_class", "current class; empty for any", ""),
                count_key("modules", "modules wanted", minimum=0),
            ),
        ),
        WAIVER_SECTION,
        SiteSection(
            path="commissioning",
            title="what is asked of the tests",
            keys=(
                usual_key(
                    "irradiance_min_w_m2",
                    "W/m2",
                    50.0,
                    1200.0,
                    "least plane irradiance of a valid reading",
                    400.0,
                ),
                usual_key(
                    "irradiance_change_ratio",
                    "1",
                    0.001,
                    0.5,
                    "greatest change of irradiance between readings close in time",
                    0.05,
                ),
                usual_key(
                    "tolerance_ratio",
                    "1",
                    0.001,
                    0.5,
                    "allowed deviation of Voc and Isc in the standard's verdict",
                    0.05,
                    "iec-62446-1",
                ),
                usual_key(
                    "false_alarm_ratio",
                    "1",
                    1e-9,
                    0.2,
                    "false alarms allowed per string in the second verdict",
                    0.001,
                ),
                usual_key(
                    "earth_continuity_max_ohm",
                    "ohm",
                    0.001,
                    1000.0,
                    "greatest earth continuity resistance",
                    1.0,
                ),
                usual_key(
                    "cell_temp_uncertainty_k",
                    "K",
                    0.01,
                    20.0,
                    "standard uncertainty of one string's cell temperature",
                    1.5,
                ),
                usual_key(
                    "neighbour_window_min",
                    "min",
                    0.1,
                    1440.0,
                    "readings closer in time than this are neighbours",
                    20.0,
                ),
                optional_key(
                    "site_false_alarms",
                    "",
                    1e-3,
                    1e4,
                    "sound strings of the whole site that the joint explanation of all readings "
                    "may call; missing: false_alarm_ratio of them",
                ),
            ),
        ),
        *BUILDING_SECTIONS,
        *ALLOCATION_SECTIONS,
        *DESIGN_SECTIONS,
    )
}
"""Every section by its path."""


def section(path: str) -> SiteSection:
    """Give the section of a path as the documentation writes it."""
    return SECTIONS[path]
