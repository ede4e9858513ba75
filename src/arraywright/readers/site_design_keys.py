"""Keys a site description may have for the checks before steel goes up, as data."""

from __future__ import annotations

from typing import Final

from arraywright.readers.site_cable_keys import (
    CABLE_SECTIONS,
    EARTHING_SECTION,
    FRAME_BONDING_WORDS,
    LAYING_WORDS,
    MATERIAL_WORDS,
)
from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.site_key_makers import (
    number_key,
    option_key,
    optional_key,
    text_key,
    usual_key,
    yes_no_key,
)

__all__ = [
    "DESIGN_SECTIONS",
    "FRAME_BONDING_WORDS",
    "INVERTER_TYPE_KEYS",
    "LAYING_WORDS",
    "MATERIAL_WORDS",
    "MODULE_TYPE_KEYS",
    "PLACE_KEYS",
]

_TERRAIN: Final = ("0", "I", "II", "III", "IV")
_EXPOSURE: Final = ("B", "C", "D")
_PUBLISHED: Final = "thevenard-pelland-2013"


def _neutral(
    name: str, minimum: float, maximum: float, meaning: str, default: float = 1.0
) -> SiteKey:
    """Give a ratio whose default changes nothing, or is the standard's own."""
    return number_key(name, "1", minimum, maximum, meaning, default)


PLACE_KEYS: Final = (
    SiteKey(
        name="ground_flash_density",
        unit="1/(km2 a)",
        optional=True,
        minimum=0.0,
        maximum=100.0,
        meaning="lightning flashes to ground per square kilometre and year",
    ),
)
"""Keys of ``[site]``."""

MODULE_TYPE_KEYS: Final = (
    SiteKey(
        name="beta_vmp_per_k",
        kind="coefficient",
        unit="1/K",
        optional=True,
        minimum=-0.01,
        maximum=-0.0005,
        meaning="temperature coefficient of Vmp; missing: `gamma_pmax_per_k` is taken for the "
        "checks of a described design",
    ),
    SiteKey(
        name="least_gap_mm",
        unit="mm",
        optional=True,
        default=10.0,
        noted=True,
        basis="common-practice",
        minimum=0.0,
        maximum=100.0,
        meaning="least gap between modules the maker asks for",
        with_design=True,
    ),
    SiteKey(
        name="earthing_holes",
        kind="integer",
        optional=True,
        minimum=0,
        maximum=16,
        meaning="holes of the frame that may be used for earthing",
    ),
    yes_no_key(
        "half_cut",
        "whether two halves lie in parallel, one above the other when the long side is upright; "
        "missing: row shade counts as on a module without halves",
    ),
)
"""Keys of ``[module_types.NAME]``."""

INVERTER_TYPE_KEYS: Final = (
    optional_key("backfeed_a", "A", 0.0, 5000.0, "current it can feed back into the array"),
    optional_key(
        "impulse_withstand_v", "V", 12.0, 20000.0, "impulse withstand voltage of its d.c. side"
    ),
    optional_key("efficiency_ratio", "1", 0.5, 1.0, "efficiency at rated power, for the yield"),
)
"""Keys of ``[inverter_types.NAME]``."""

_DESIGN: Final = SiteSection(
    path="design",
    title="what the checks before steel goes up ask of the design; may be missing",
    keys=(
        option_key(
            "practice", ("iec", "nec"), "family of standards; without it no design check is made"
        ),
        option_key(
            "installation",
            ("dwelling", "plant", "other_building"),
            "kind of installation: on a dwelling, a plant on open ground, another building",
        ),
        optional_key(
            "max_cell_temp_c",
            "degC",
            20.0,
            110.0,
            "greatest design cell temperature; missing: from the greatest air temperature and "
            "`nmot_c`",
        ),
        usual_key(
            "dawn_irradiance_w_m2",
            "W/m2",
            10.0,
            1000.0,
            "irradiance at which the coldest cells are met",
            200.0,
        ),
        usual_key(
            "end_of_life_voltage_ratio", "1", 0.7, 1.0, "voltage left at the end of life", 0.95
        ),
        optional_key(
            "system_voltage_limit_v",
            "V",
            50.0,
            3000.0,
            "greatest d.c. voltage the code allows at this place",
        ),
        optional_key(
            "rear_irradiance_ratio",
            "1",
            0.0,
            1.0,
            "irradiance on the rear over that on the front; 0 for one-sided modules",
        ),
        _neutral(
            "irradiance_correction_ratio",
            1.0,
            1.5,
            "correction of the short-circuit current for the site",
        ),
        optional_key("string_fuse_a", "A", 0.0, 630.0, "string fuses, 0 when none are fitted"),
        optional_key("string_fuse_voltage_v", "V", 12.0, 3000.0, "voltage of the string fuses"),
        optional_key("combiner_current_a", "A", 1.0, 6000.0, "rated current of a combiner box"),
        optional_key("combiner_voltage_v", "V", 12.0, 3000.0, "rated voltage of a combiner box"),
        optional_key(
            "array_device_a",
            "A",
            0.0,
            5000.0,
            "overcurrent device behind a combiner box, 0 when there is none",
        ),
        optional_key("disconnector_current_a", "A", 1.0, 6000.0, "rated current of disconnectors"),
        optional_key("disconnector_voltage_v", "V", 12.0, 3000.0, "rated voltage of disconnectors"),
        optional_key(
            "dc_route_length_m",
            "m",
            0.0,
            20000.0,
            "greatest route between inverter and modules; missing: the longest of the layout",
        ),
        yes_no_key("surge_devices_fitted", "whether the d.c. side has surge protective devices"),
        optional_key(
            "surge_voltage_v", "V", 12.0, 20000.0, "greatest continuous voltage of the device"
        ),
        optional_key(
            "surge_protection_level_v", "V", 12.0, 20000.0, "voltage protection level of the device"
        ),
        optional_key(
            "surge_discharge_current_a",
            "A",
            100.0,
            100_000.0,
            "nominal discharge current of the device (8/20)",
        ),
        usual_key(
            "stroke_distance_m",
            "m",
            10.0,
            10_000.0,
            "from a lightning stroke to the array, for comparing loops of strings",
            100.0,
        ),
        usual_key(
            "stroke_current_a",
            "A",
            1000.0,
            300_000.0,
            "current of that stroke",
            25_000.0,
            "iec-62305-1",
        ),
        usual_key(
            "stroke_rise_s",
            "s",
            1e-7,
            1e-4,
            "time in which that current rises",
            2.5e-7,
            "iec-62305-1",
        ),
    ),
)


_LOADS: Final = SiteSection(
    path="loads",
    title="wind and snow, from the national documents; may be missing",
    keys=(
        optional_key(
            "basic_wind_m_s",
            "m/s",
            0.0,
            100.0,
            "basic wind speed: mean of 10 min (iec) or gust of 3 s (nec)",
        ),
        optional_key("height_m", "m", 0.0, 200.0, "height of the upper edge above ground"),
        option_key("terrain_category", _TERRAIN, "terrain category (iec)"),
        option_key("exposure_category", _EXPOSURE, "exposure category (nec)"),
        _neutral("orography_ratio", 1.0, 3.0, "orography factor (iec)"),
        _neutral("topography_ratio", 1.0, 3.0, "topographic factor (nec)"),
        _neutral("directionality_ratio", 0.5, 1.0, "directionality factor of wind (nec)", 0.85),
        optional_key(
            "press_coefficient_ratio", "1", 0.0, 4.0, "net pressure coefficient, wind pressing down"
        ),
        optional_key(
            "lift_coefficient_ratio", "1", -4.0, 0.0, "net pressure coefficient, wind lifting"
        ),
        optional_key("ground_snow_pa", "Pa", 0.0, 30000.0, "snow load on the ground"),
        _neutral("snow_exposure_ratio", 0.5, 1.5, "exposure factor of snow"),
        optional_key(
            "snow_thermal_ratio",
            "1",
            0.5,
            1.5,
            "thermal factor of snow; missing: 1 (iec) or 1.2 (nec)",
        ),
        yes_no_key("snow_sliding_hindered", "whether snow is kept from sliding off (iec)"),
        _neutral("snow_importance_ratio", 0.8, 1.2, "importance factor of snow (nec)"),
        _neutral("snow_slope_ratio", 0.0, 1.0, "slope factor of snow (nec)"),
        optional_key(
            "snow_with_wind_ratio",
            "1",
            0.0,
            1.0,
            "part of snow beside full wind (iec); missing: by the height above sea level",
        ),
        _neutral("wind_with_snow_ratio", 0.0, 1.0, "part of wind beside full snow (iec)", 0.6),
    ),
)

_MOUNTING: Final = SiteSection(
    path="mounting",
    title="clamps, rails and tables; may be missing",
    keys=(
        SiteKey(
            name="clamping",
            kind="text",
            optional=True,
            meaning="name of the clamping that is built, below `module_types.NAME.clampings`",
        ),
        optional_key(
            "clamp_position_mm",
            "mm",
            0.0,
            7000.0,
            "middle of the clamp from the module's corner, along the gripped side",
        ),
        optional_key("torque_nm", "N.m", 0.5, 200.0, "torque set for the clamp bolts"),
        usual_key("sun_heating_k", "K", 0.0, 60.0, "warming of metal in the sun", 30.0),
        usual_key(
            "module_expansion_per_k",
            "1/K",
            5e-6,
            30e-6,
            "expansion of the modules' frame, aluminium when missing",
            23e-6,
        ),
        usual_key(
            "rail_expansion_per_k",
            "1/K",
            5e-6,
            30e-6,
            "expansion of the rails, aluminium when missing; steel has 12e-6",
            23e-6,
        ),
        optional_key("rail_length_m", "m", 0.1, 200.0, "rail between two expansion gaps"),
        optional_key("rail_gap_mm", "mm", 0.0, 200.0, "expansion gap of the rails"),
        yes_no_key("drainage_free", "whether rails and clamps leave the drainage holes free"),
        yes_no_key("module_over_joint", "whether a module is clamped across an expansion gap"),
        optional_key("structure_mass_kg", "kg", 0.0, 1e6, "mass of a table's structure"),
        optional_key(
            "table_mass_max_kg", "kg", 0.0, 1e6, "greatest mass of a table with its modules"
        ),
        optional_key("table_area_m2", "m2", 0.1, 1e5, "level area of a table"),
        optional_key(
            "weight_max_pa", "Pa", 0.0, 20000.0, "weight the roof or carport may still take"
        ),
    ),
)

_CLAMPINGS: Final = SiteSection(
    path="module_types.NAME.clampings[]",
    title="a way of clamping the type, as its maker tested it",
    keys=(
        text_key("name", "name in the maker's instructions, or one of your own"),
        SiteKey(
            name="side",
            kind="text",
            choices=("long", "short"),
            meaning="side of the module the clamps grip",
        ),
        number_key("from_mm", "mm", 0.0, 7000.0, "beginning of the zone, from the corner"),
        number_key("to_mm", "mm", 0.0, 7000.0, "end of the zone"),
        number_key("test_down_pa", "Pa", 0.0, 20000.0, "test load on the front"),
        number_key("test_up_pa", "Pa", 0.0, 20000.0, "test load on the back"),
    ),
)

_YIELD: Final = (
    SiteSection(
        path="yield",
        title="what the first year's yield is worked out with and held against; may be missing",
        sections=("uncertainty",),
        keys=(
            optional_key("clipping_max_ratio", "1", 0.0, 1.0, "energy the inverters may cut"),
            usual_key("albedo_ratio", "1", 0.0, 0.95, "light the ground sends back", 0.2),
            optional_key(
                "promised_kwh_per_kw",
                "kWh/kW",
                1.0,
                4000.0,
                "yield of the first year that was promised",
            ),
            optional_key(
                "shading_ratio", "1", -0.5, 0.99, "light kept off by horizon, rows and objects"
            ),
            optional_key("soiling_ratio", "1", 0.0, 0.99, "light kept off by dirt and snow"),
            optional_key(
                "light_induced_ratio",
                "1",
                -0.1,
                0.5,
                "power lost in the first hours of light and to a label above truth",
            ),
            optional_key("mismatch_ratio", "1", 0.0, 0.5, "power lost to unlike modules"),
            optional_key(
                "dc_cable_stc_ratio", "1", 0.0, 0.5, "power lost in d.c. cables at STC current"
            ),
            optional_key(
                "ac_cable_ratio",
                "1",
                0.0,
                0.5,
                "energy lost between inverter and meter, transformer included",
            ),
            optional_key(
                "unavailable_ratio", "1", 0.0, 0.99, "energy lost while plant or grid is down"
            ),
        ),
    ),
    SiteSection(
        path="yield.uncertainty",
        title="standard uncertainties the yield's rests on",
        keys=tuple(
            usual_key(name, unit, 0.0, maximum, meaning, default, _PUBLISHED)
            for name, unit, maximum, meaning, default in (
                ("irradiation_ratio", "1", 0.5, "long-term irradiation on the horizontal", 0.05),
                ("year_to_year_ratio", "1", 0.5, "one year about the mean of many", 0.039),
                ("transposition_ratio", "1", 0.5, "from the horizontal into the plane", 0.03),
                ("module_power_ratio", "1", 0.5, "power of the modules", 0.03),
                ("soiling_ratio", "1", 0.5, "dirt, as a fraction of the yield", 0.02),
                ("snow_ratio", "1", 0.5, "snow, as a fraction of the yield", 0.015),
                ("other_ratio", "1", 0.5, "everything else in the model", 0.05),
                ("cell_temp_k", "K", 20.0, "cell temperature, as a lasting offset", 2.5),
            )
        ),
    ),
)

DESIGN_SECTIONS: Final = (
    _DESIGN,
    *CABLE_SECTIONS,
    EARTHING_SECTION,
    _LOADS,
    _CLAMPINGS,
    _MOUNTING,
    SiteSection(
        path="surroundings",
        title="what is near the array; may be missing",
        keys=(
            yes_no_key("corrosive_near", "whether sea spray, ammonia or the like reaches the site"),
            yes_no_key(
                "corrosion_confirmed",
                "whether the makers of module and structure confirm it for that air",
                default=False,
            ),
            yes_no_key(
                "flammable_near", "whether flammable gas, vapour, dust or stored goods are near"
            ),
        ),
    ),
    SiteSection(
        path="spacing",
        title="what is wanted between rows; may be missing",
        keys=(
            usual_key(
                "free_window_min",
                "min",
                0.0,
                360.0,
                "time before and after solar noon kept free of shade in midwinter",
                180.0,
            ),
            usual_key("aisle_min_m", "m", 0.0, 20.0, "clear width wanted between rows", 1.0),
            usual_key(
                "shade_loss_max_ratio",
                "1",
                0.0,
                0.5,
                "greatest energy lost to shade of the row before",
                0.02,
            ),
        ),
    ),
    SiteSection(
        path="weather",
        title="hourly weather of the place; may be missing",
        keys=(
            SiteKey(
                name="files",
                kind="texts",
                default="",
                meaning="names of weather files in the site folder",
            ),
            SiteKey(
                name="stamp",
                kind="text",
                default="",
                choices=("start", "middle", "end"),
                meaning="what the times of a table mark of their interval; taken as the end, and "
                "said, when missing",
            ),
        ),
    ),
    *_YIELD,
)
"""Sections of the checks before steel goes up; a site without them is a site all the same."""
