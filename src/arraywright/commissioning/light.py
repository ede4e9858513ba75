"""Sun and cell temperature at each reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.gates import Gate
from arraywright.physics.cell_temperature import from_air, from_back_surface
from arraywright.physics.sun import plausible_irradiance_limit, sun_behind_plane, sun_position
from arraywright.plant import Site

__all__ = ["CellTemperature", "cell_temperature", "sun_gates"]

_AIR_OWN_U_K: Final = 1.0
_ASSUMED_WIND_M_S: Final = 1.0
_UNKNOWN_WIND_U_RATIO: Final = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class CellTemperature:
    """Cell temperature of each reading, all (readings,).

    Attributes:
        cell_temp_c: cell temperature [degC], NaN where no temperature is given.
        measured_c: the temperature it comes from [degC].
        from_module: it comes from the back surface, not from the air.
        common_u_k: standard uncertainty shared by readings close in time [K].
        own_u_k: standard uncertainty of one string's cells against that [K].
    """

    cell_temp_c: FloatArray
    measured_c: FloatArray
    from_module: BoolArray
    common_u_k: FloatArray
    own_u_k: FloatArray


def cell_temperature(
    *,
    irradiance_w_m2: FloatArray,
    module_temp_c: FloatArray,
    air_temp_c: FloatArray,
    wind_m_s: FloatArray,
    thermometer_u_k: FloatArray,
    own_u_k: float,
) -> CellTemperature:
    """Cell temperature [degC] from the back surface, else from the air, all (readings,).

    From the back surface: T = T_back + 3 K x G / 1000 W/m2. From the air, where no back-surface
    temperature is given: the Faiman model with its published coefficients; a missing wind speed
    is taken as 1 m/s. Standard uncertainties are those of ``physics.cell_temperature`` with the
    thermometer's; without wind a quarter of the rise above air more; and from the air 1 K more
    between strings.

    Source: pvlib-sapm-temperature for the back surface, faiman-2008 for the air, common-practice
    for the uncertainties
    """
    light = np.nan_to_num(np.clip(irradiance_w_m2, 0.0, None), nan=0.0)
    from_module = np.isfinite(module_temp_c)
    no_wind = ~np.isfinite(wind_m_s)
    wind = np.where(no_wind, _ASSUMED_WIND_M_S, np.clip(wind_m_s, 0.0, None))
    back = from_back_surface(module_temp_c, light, sensor_uncertainty_k=thermometer_u_k)
    air = from_air(
        "faiman",
        irradiance_w_m2=light,
        air_temp_c=air_temp_c,
        wind_m_s=wind,
        air_temp_uncertainty_k=thermometer_u_k,
    )
    windless_u = _UNKNOWN_WIND_U_RATIO * np.abs(air.cell_temp_c - air_temp_c)
    air_u = np.hypot(air.standard_uncertainty_k, np.where(no_wind, windless_u, 0.0))
    return CellTemperature(
        cell_temp_c=np.where(from_module, back.cell_temp_c, air.cell_temp_c),
        measured_c=np.where(from_module, module_temp_c, air_temp_c),
        from_module=from_module,
        common_u_k=np.where(from_module, back.standard_uncertainty_k, air_u),
        own_u_k=np.where(from_module, own_u_k, np.hypot(own_u_k, _AIR_OWN_U_K)),
    )


def sun_gates(
    site: Site, *, string_index: IntArray, time_s: FloatArray, irradiance_w_m2: FloatArray
) -> dict[Gate, BoolArray]:
    """Say which readings were made with the sun down, behind the plane, or with too much light.

    A string on several planes counts as dark when the sun is behind any of them. Too much light is
    more than a very clear sky with bright cloud edges can give in the plane: then clock, time zone
    or sensor are wrong.

    Args:
        site: the site, with positions and structures.
        string_index: string of each reading, -1 for none, (readings,).
        time_s: moments since 1970 UTC [s], NaN where missing, (readings,).
        irradiance_w_m2: plane irradiance, NaN where missing, (readings,).

    Source: spa-2004, ineichen-perez-2002, common-practice
    """
    rows = len(time_s)
    down, behind, above = (np.zeros(rows, dtype=np.bool_) for _ in range(3))
    placed = np.zeros(rows, dtype=np.bool_)
    held = np.flatnonzero((string_index >= 0) & np.isfinite(time_s))
    if len(held) == 0:
        return {
            Gate.SUN_DOWN: down,
            Gate.SUN_BEHIND: behind,
            Gate.PLANE_UNKNOWN: string_index >= 0,
            Gate.IRRADIANCE_ABOVE_SKY: above,
        }
    moments, inverse = np.unique(time_s[held], return_inverse=True)
    times = (moments * 1e6).round().astype("datetime64[us]")
    sun = sun_position(
        times,
        latitude_deg=site.latitude_deg,
        longitude_deg=site.longitude_deg,
        elevation_m=site.elevation_m,
    )
    down[held] = sun.zenith_deg[inverse] > 90.0
    planes = _planes(site)
    light = irradiance_w_m2[held]
    most = np.full(len(held), -np.inf)
    for (tilt, facing), group in planes.group_by(["tilt_deg", "azimuth_deg"]):
        member = np.zeros(len(site.strings) + 1, dtype=np.bool_)
        member[group["place"].to_numpy()] = True
        on_it = member[string_index[held]]
        plane = {"tilt_deg": float(str(tilt)), "azimuth_deg": float(str(facing))}
        placed[held] |= on_it
        behind[held] |= on_it & sun_behind_plane(sun, **plane)[inverse]
        limit = plausible_irradiance_limit(
            times,
            latitude_deg=site.latitude_deg,
            longitude_deg=site.longitude_deg,
            elevation_m=site.elevation_m,
            **plane,
        )[inverse]
        most = np.where(on_it, np.maximum(most, limit), most)
    above[held] = np.isfinite(most) & (light > most)
    return {
        Gate.SUN_DOWN: down,
        Gate.SUN_BEHIND: behind & ~down,
        Gate.PLANE_UNKNOWN: (string_index >= 0) & np.isfinite(time_s) & ~placed,
        Gate.IRRADIANCE_ABOVE_SKY: above & ~down & ~behind,
    }


def _planes(site: Site) -> pl.DataFrame:
    """Planes of each string: place among the strings, tilt and azimuth, one row per plane."""
    return (
        site.positions.lazy()
        .select("string", "structure")
        .unique()
        .join(
            site.structures.lazy().select("structure", "tilt_deg", "azimuth_deg"),
            on="structure",
            how="inner",
        )
        .select("string", "tilt_deg", "azimuth_deg")
        .unique()
        .join(
            site.strings.lazy().select("string").with_row_index("place"), on="string", how="inner"
        )
        .sort("place", "tilt_deg", "azimuth_deg")
        .collect()
    )
