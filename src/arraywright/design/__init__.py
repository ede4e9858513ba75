"""Checks before steel goes up."""

from arraywright.design.check import (
    CheckedDesign,
    DesignCheck,
    Input,
    Practice,
    check_design,
    evaluate_check,
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
from arraywright.design.tables import WEATHER
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
    "WEATHER",
    "AirTemperatureExtremes",
    "CellTemperatureExtremes",
    "CheckedDesign",
    "Contribution",
    "DesignCheck",
    "DiffuseModifiers",
    "FirstYear",
    "Input",
    "LossStep",
    "PlaneConditions",
    "PlaneLight",
    "Practice",
    "Weather",
    "YieldInverter",
    "YieldLosses",
    "YieldPlane",
    "YieldUncertainty",
    "air_temperature_extremes",
    "beam_and_diffuse",
    "cell_temp_from_nominal",
    "cell_temperature_extremes",
    "check_design",
    "clock_offset",
    "diffuse_modifiers",
    "evaluate_check",
    "exceeded_energy",
    "extraterrestrial",
    "first_year",
    "glass_modifier",
    "hours_of_mean_year",
    "in_daylight",
    "inverter_output",
    "local_calendar",
    "plane_conditions",
    "plane_light",
    "return_period_extreme",
]
