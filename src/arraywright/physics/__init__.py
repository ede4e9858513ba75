"""What modules, strings and arrays do in sun, weather and temperature."""

from arraywright.physics.desoto import (
    STC_CELL_TEMP_C,
    STC_IRRADIANCE_W_M2,
    ReferenceDiode,
    translate,
)
from arraywright.physics.single_diode import (
    KeyPoints,
    MaximumPower,
    SingleDiode,
    current_at_voltage,
    key_points,
    maximum_power,
    open_circuit_voltage,
    short_circuit_current,
    voltage_at_current,
)

__all__ = [
    "STC_CELL_TEMP_C",
    "STC_IRRADIANCE_W_M2",
    "KeyPoints",
    "MaximumPower",
    "ReferenceDiode",
    "SingleDiode",
    "current_at_voltage",
    "key_points",
    "maximum_power",
    "open_circuit_voltage",
    "short_circuit_current",
    "translate",
    "voltage_at_current",
]
