"""Checks before steel goes up."""

from arraywright.design.check import (
    CheckedDesign,
    DesignCheck,
    Input,
    Practice,
    check_design,
    evaluate_check,
)
from arraywright.design.currents import CHECKS as CURRENT_CHECKS
from arraywright.design.currents import (
    NEEDS_STRING_FUSES,
    bifacial_current,
    design_current,
    most_unfused_strings,
    nec_rated_current,
    next_fuse_rating,
    reverse_current,
    string_fuse_least,
    string_fuse_most,
    string_fuses_needed,
)
from arraywright.design.extremes import (
    AirTemperatureExtremes,
    CellTemperatureExtremes,
    air_temperature_extremes,
    cell_temp_from_nominal,
    cell_temperature_extremes,
    return_period_extreme,
)
from arraywright.design.first_year import (
    Contribution,
    FirstYear,
    LossStep,
    exceeded_energy,
    first_year,
)
from arraywright.design.plane_light import (
    DiffuseModifiers,
    PlaneLight,
    diffuse_modifiers,
    extraterrestrial,
    glass_modifier,
    plane_light,
)
from arraywright.design.string_window import (
    HoursOutsideWindow,
    StringLengthRange,
    hours_outside_window,
    string_length_range,
)
from arraywright.design.surge import CHECKS as SURGE_CHECKS
from arraywright.design.surge import (
    NEEDS_SURGE_DEVICES,
    critical_length,
    installation_constant,
    surge_protection_needed,
    surge_voltage_least,
)
from arraywright.design.tables import WEATHER
from arraywright.design.voltage import CHECKS as VOLTAGE_CHECKS
from arraywright.design.voltage import (
    module_diode,
    module_voc_by_model,
    table_voltage_factor,
    voltage_at_temperature,
)
from arraywright.design.weather import (
    Weather,
    beam_and_diffuse,
    clock_offset,
    hours_of_mean_year,
    in_daylight,
    local_calendar,
)
from arraywright.design.yield_chain import PlaneConditions, plane_conditions
from arraywright.design.yield_model import (
    YieldInverter,
    YieldLosses,
    YieldPlane,
    YieldUncertainty,
    inverter_output,
)

__all__ = [
    "CURRENT_CHECKS",
    "NEEDS_STRING_FUSES",
    "NEEDS_SURGE_DEVICES",
    "SURGE_CHECKS",
    "VOLTAGE_CHECKS",
    "WEATHER",
    "AirTemperatureExtremes",
    "CellTemperatureExtremes",
    "CheckedDesign",
    "Contribution",
    "DesignCheck",
    "DiffuseModifiers",
    "FirstYear",
    "HoursOutsideWindow",
    "Input",
    "LossStep",
    "PlaneConditions",
    "PlaneLight",
    "Practice",
    "StringLengthRange",
    "Weather",
    "YieldInverter",
    "YieldLosses",
    "YieldPlane",
    "YieldUncertainty",
    "air_temperature_extremes",
    "beam_and_diffuse",
    "bifacial_current",
    "cell_temp_from_nominal",
    "cell_temperature_extremes",
    "check_design",
    "clock_offset",
    "critical_length",
    "design_current",
    "diffuse_modifiers",
    "evaluate_check",
    "exceeded_energy",
    "extraterrestrial",
    "first_year",
    "glass_modifier",
    "hours_of_mean_year",
    "hours_outside_window",
    "in_daylight",
    "installation_constant",
    "inverter_output",
    "local_calendar",
    "module_diode",
    "module_voc_by_model",
    "most_unfused_strings",
    "nec_rated_current",
    "next_fuse_rating",
    "plane_conditions",
    "plane_light",
    "return_period_extreme",
    "reverse_current",
    "string_fuse_least",
    "string_fuse_most",
    "string_fuses_needed",
    "string_length_range",
    "surge_protection_needed",
    "surge_voltage_least",
    "table_voltage_factor",
    "voltage_at_temperature",
]
