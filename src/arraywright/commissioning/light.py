"""Sun and cell temperature at each reading."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
import polars as pl
import pvlib

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.gates import Gate
from arraywright.plant import Site

__all__ = ["CellTemperature", "cell_temperature", "sun_gates"]

_BACK_TO_CELL_K: Final = 3.0
_BACK_TO_CELL_U_K: Final = 1.5
_AIR_MODEL_U_RATIO: Final = 0.15
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
    is taken as 1 m/s. Standard uncertainties: of the 3 K difference 1.5 K at 1000 W/m2; of the
    air model 15 % of the rise above air, 25 % more without wind; and 1 K more between strings.

    Source: pvlib-sapm-temperature for the back surface, faiman-2008 for the air, common-practice
    for the uncertainties
    """
    suns = np.nan_to_num(np.clip(irradiance_w_m2, 0.0, None), nan=0.0) / 1000.0
    from_module = np.isfinite(module_temp_c)
    no_wind = ~np.isfinite(wind_m_s)
    wind = np.where(no_wind, _ASSUMED_WIND_M_S, np.clip(wind_m_s, 0.0, None))
    from_air = np.asarray(pvlib.temperature.faiman(1000.0 * suns, air_temp_c, wind))
    rise = np.abs(from_air - air_temp_c)
    model_u = rise * (_AIR_MODEL_U_RATIO + np.where(no_wind, _UNKNOWN_WIND_U_RATIO, 0.0))
    return CellTemperature(
        cell_temp_c=np.where(from_module, module_temp_c + _BACK_TO_CELL_K * suns, from_air),
        measured_c=np.where(from_module, module_temp_c, air_temp_c),
        from_module=from_module,
        common_u_k=np.hypot(
            thermometer_u_k, np.where(from_module, _BACK_TO_CELL_U_K * suns, model_u)
        ),
        own_u_k=np.where(from_module, own_u_k, np.hypot(own_u_k, _AIR_OWN_U_K)),
    )


def sun_gates(
    site: Site, *, string_index: IntArray, time_s: FloatArray, irradiance_w_m2: FloatArray
) -> dict[Gate, BoolArray]:
    """Say which readings were made with the sun down, behind the plane, or with too much light.

    A string on several planes counts as dark when the sun is behind any of them. More than 1.5
    times the irradiance outside the atmosphere on the plane, plus 150 W/m2 of scattered light, no
    sky gives: then clock, time zone or sensor are wrong.

    Args:
        site: the site, with positions and structures.
        string_index: string of each reading, -1 for none, (readings,).
        time_s: moments since 1970 UTC [s], NaN where missing, (readings,).
        irradiance_w_m2: plane irradiance, NaN where missing, (readings,).

    Source: common-practice
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
    times = pd.DatetimeIndex((moments * 1e9).astype("datetime64[ns]"), tz="UTC")
    sun = pvlib.solarposition.get_solarposition(
        times, site.latitude_deg, site.longitude_deg, altitude=site.elevation_m
    )
    zenith = sun["apparent_zenith"].to_numpy()[inverse]
    azimuth = sun["azimuth"].to_numpy()[inverse]
    extra = np.asarray(pvlib.irradiance.get_extra_radiation(times))[inverse]
    down[held] = zenith > 90.0
    planes = _planes(site)
    light = irradiance_w_m2[held]
    most = np.full(len(held), -np.inf)
    for (tilt, facing), group in planes.group_by(["tilt_deg", "azimuth_deg"]):
        member = np.zeros(len(site.strings) + 1, dtype=np.bool_)
        member[group["place"].to_numpy()] = True
        on_it = member[string_index[held]]
        cosine = np.asarray(pvlib.irradiance.aoi_projection(tilt, facing, zenith, azimuth))
        placed[held] |= on_it
        behind[held] |= on_it & (cosine <= 0.0)
        limit = 1.5 * extra * np.clip(cosine, 0.0, None) + 150.0
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
