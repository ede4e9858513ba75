"""A partly cloudy afternoon, second by second: irradiance in the plane and cell temperature."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.demo.scenario import Scenario
from arraywright.physics.sun import clear_sky_plane_irradiance

__all__ = ["Afternoon", "make_afternoon"]

_START = time(11, 30)
_SECONDS = 6 * 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Afternoon:
    """Weather of the test day, one value a second from ``start``.

    Attributes:
        start: first second, with zone.
        irradiance_w_m2: (seconds,) in the plane of the modules.
        cell_temp_c: (seconds,) mean of the site.
        air_temp_c: (seconds,).
        wind_m_s: (seconds,).
    """

    start: datetime
    irradiance_w_m2: FloatArray
    cell_temp_c: FloatArray
    air_temp_c: FloatArray
    wind_m_s: FloatArray


def _clouds(rng: np.random.Generator) -> FloatArray:
    """Give the part of the clear sky that comes through: fair-weather clouds with soft edges."""
    through = np.ones(_SECONDS)
    moment = 0.0
    while True:
        moment += rng.exponential(17.0 * 60.0)
        if moment >= _SECONDS:
            break
        length = rng.uniform(60.0, 330.0)
        begin, end = int(moment), min(_SECONDS, int(moment + length))
        through[begin:end] = rng.uniform(0.30, 0.65)
        moment += length
    edge = np.hanning(25)
    return np.convolve(np.pad(through, 12, mode="edge"), edge / edge.sum(), mode="valid")


def make_afternoon(scenario: Scenario, rng: np.random.Generator) -> Afternoon:
    """Give the afternoon of the test day: clear sky of that place and hour, with clouds."""
    zone = ZoneInfo(scenario.time_zone)
    start = datetime.combine(scenario.test_day, _START, tzinfo=zone)
    first = np.datetime64(start.astimezone(UTC).replace(tzinfo=None), "s")
    minutes = first + 60 * np.arange(_SECONDS // 60 + 1)
    plane = clear_sky_plane_irradiance(
        minutes,
        latitude_deg=scenario.latitude_deg,
        longitude_deg=scenario.longitude_deg,
        elevation_m=scenario.elevation_m,
        tilt_deg=scenario.tilt_deg,
        azimuth_deg=180.0,
        linke_turbidity_ratio=3.5,
    )
    seconds = np.arange(_SECONDS)
    irradiance = np.interp(seconds, 60.0 * np.arange(len(plane)), plane) * _clouds(rng)
    irradiance *= 1.0 + 0.002 * np.sin(seconds / 97.0)
    air = 23.5 + 3.0 * np.sin(np.pi * seconds / (1.6 * _SECONDS)) + 0.3 * np.sin(seconds / 411.0)
    wind = np.clip(2.2 + 0.8 * np.sin(seconds / 530.0) + 0.4 * np.sin(seconds / 77.0), 0.5, None)
    settled = air + irradiance * 0.030 / (1.0 + 0.06 * (wind - 2.0))
    cell = np.empty(_SECONDS)
    cell[0] = settled[0]
    for second in range(1, _SECONDS):
        cell[second] = cell[second - 1] + (settled[second] - cell[second - 1]) / 280.0
    return Afternoon(
        start=start,
        irradiance_w_m2=irradiance,
        cell_temp_c=cell,
        air_temp_c=air,
        wind_m_s=wind,
    )
