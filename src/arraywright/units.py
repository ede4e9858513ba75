"""Unit suffixes of names, and conversions for the edges."""

from __future__ import annotations

from typing import Final

import numpy as np

from arraywright.arrays import FloatArray

__all__ = [
    "KELVIN_AT_0_C",
    "SUFFIXES",
    "area_mm2_to_awg",
    "awg_to_area_mm2",
    "awg_to_diameter_mm",
    "celsius_to_kelvin",
    "degc_to_degf",
    "degf_to_degc",
    "diameter_mm_to_awg",
    "foot_pound_to_newton_metre",
    "kelvin_to_celsius",
    "newton_metre_to_foot_pound",
]

KELVIN_AT_0_C: Final = 273.15

SUFFIXES: Final[dict[str, str]] = {
    "_v": "V",
    "_a": "A",
    "_w": "W",
    "_kw": "kW",
    "_wh": "Wh",
    "_kwh": "kWh",
    "_ohm": "ohm",
    "_megohm": "Mohm",
    "_w_m2": "W/m2",
    "_wh_m2": "Wh/m2",
    "_c": "degC",
    "_k": "K",
    "_per_k": "1/K",
    "_a_per_k": "A/K",
    "_v_per_k": "V/K",
    "_w_per_k": "W/K",
    "_ev": "eV",
    "_m_s": "m/s",
    "_mm": "mm",
    "_mm2": "mm2",
    "_m": "m",
    "_m2": "m2",
    "_kg": "kg",
    "_nm": "N.m",
    "_pa": "Pa",
    "_psf": "lbf/ft2",
    "_mph": "mph",
    "_deg": "deg",
    "_s": "s",
    "_min": "min",
    "_h": "h",
    "_days": "d",
    "_ratio": "1",
    "_percent": "%",
    "_kwh_per_kw": "kWh/kW",
    "_per_kwh": "1/kWh",
    "_per_m": "1/m",
    "_per_w": "1/W",
    "_flash_density": "1/(km2 a)",
}
"""Suffix of a name and the unit it stands for; the longest matching suffix counts."""


def celsius_to_kelvin(temp_c: FloatArray) -> FloatArray:
    """Absolute temperature [K] of a temperature in degC, any shape."""
    return np.asarray(temp_c, dtype=np.float64) + KELVIN_AT_0_C


def kelvin_to_celsius(temp_k: FloatArray) -> FloatArray:
    """Temperature [degC] of an absolute temperature in kelvin, any shape."""
    return np.asarray(temp_k, dtype=np.float64) - KELVIN_AT_0_C


def degf_to_degc(temp_degf: float) -> float:
    """Temperature [degC] of a temperature in degrees Fahrenheit."""
    return (temp_degf - 32.0) / 1.8


def degc_to_degf(temp_c: float) -> float:
    """Temperature [degF] of a temperature in degrees Celsius."""
    return temp_c * 1.8 + 32.0


def foot_pound_to_newton_metre(torque_lbf_ft: float) -> float:
    """Torque [N.m] of a torque in pound-force feet (exact: 4.4482216152605 N x 0.3048 m)."""
    return torque_lbf_ft * 4.4482216152605 * 0.3048


def newton_metre_to_foot_pound(torque_nm: float) -> float:
    """Torque [lbf.ft] of a torque in newton metres (exact: 4.4482216152605 N x 0.3048 m)."""
    return torque_nm / (4.4482216152605 * 0.3048)


def awg_to_diameter_mm(gauge: float) -> float:
    """Diameter [mm] of a solid wire of an American wire gauge, d = 0.127 x 92^((36 - n)/39).

    Source: astm-b258. Sizes 1/0 to 4/0 are the gauges 0 to -3.
    """
    return float(0.127 * 92.0 ** ((36.0 - gauge) / 39.0))


def awg_to_area_mm2(gauge: float) -> float:
    """Cross-section [mm2] of a solid wire of an American wire gauge, pi d^2 / 4.

    Source: astm-b258.
    """
    return float(np.pi / 4.0 * awg_to_diameter_mm(gauge) ** 2)


def diameter_mm_to_awg(diameter_mm: float) -> float:
    """American wire gauge [1] of a solid wire's diameter, n = 36 - 39 ln(d / 0.127) / ln 92.

    Between two gauges it is no whole number; 1/0 to 4/0 are 0 to -3.

    Source: astm-b258.
    """
    return float(36.0 - 39.0 * np.log(diameter_mm / 0.127) / np.log(92.0))


def area_mm2_to_awg(area_mm2: float) -> float:
    """American wire gauge [1] of a solid wire's cross-section; see ``diameter_mm_to_awg``.

    Source: astm-b258.
    """
    return diameter_mm_to_awg(float(np.sqrt(4.0 * area_mm2 / np.pi)))
