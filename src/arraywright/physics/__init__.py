"""What modules, strings and arrays do in sun, weather and temperature."""

from arraywright.physics.desoto import (
    STC_CELL_TEMP_C,
    STC_IRRADIANCE_W_M2,
    ReferenceDiode,
    translate,
    voc_coefficient,
    with_voc_coefficient,
)
from arraywright.physics.fit import DiodeFit, FitStatus, fit_datasheet, fit_flash, ideality
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
    "DiodeFit",
    "FitStatus",
    "KeyPoints",
    "MaximumPower",
    "ReferenceDiode",
    "SingleDiode",
    "current_at_voltage",
    "fit_datasheet",
    "fit_flash",
    "ideality",
    "key_points",
    "maximum_power",
    "open_circuit_voltage",
    "short_circuit_current",
    "translate",
    "voc_coefficient",
    "voltage_at_current",
    "with_voc_coefficient",
]
