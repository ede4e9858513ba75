"""The tables a design is checked with."""

from __future__ import annotations

from typing import Final

from arraywright.tables import Column, TableSpec

__all__ = ["WEATHER"]

WEATHER: Final = TableSpec(
    kind="weather",
    title="hourly weather",
    columns=(
        Column(name="measured_at", kind="time", required=True, meaning="time of the interval"),
        Column(
            name="ghi_w_m2", kind="number", unit="W/m2", meaning="global irradiance, horizontal"
        ),
        Column(name="dni_w_m2", kind="number", unit="W/m2", meaning="beam irradiance, normal"),
        Column(
            name="dhi_w_m2", kind="number", unit="W/m2", meaning="diffuse irradiance, horizontal"
        ),
        Column(
            name="air_temp_c", kind="number", unit="degC", required=True, meaning="air temperature"
        ),
        Column(name="wind_m_s", kind="number", unit="m/s", meaning="wind speed"),
    ),
    identity=("measured_at",),
)
