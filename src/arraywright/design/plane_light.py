"""Light in the plane of the modules, and how much of it passes the glass."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from pvlib import iam

from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics import SunPosition, incidence_angle

__all__ = [
    "DiffuseModifiers",
    "PlaneLight",
    "by_month",
    "diffuse_modifiers",
    "extraterrestrial",
    "glass_modifier",
    "plane_light",
]

SOLAR_CONSTANT_W_M2: Final = 1366.1
LEAST_COSINE: Final = 0.01745
"""Cosine of the zenith below which the beam's ratio is no longer divided: the sun at 1 deg."""
GLASS_INDEX_RATIO: Final = 1.526
GLASS_EXTINCTION_PER_M: Final = 4.0
GLASS_THICKNESS_M: Final = 0.002


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaneLight:
    """Irradiance in a plane by where it comes from, each of shape (hours,) [W/m2].

    Attributes:
        beam_w_m2: straight from the sun.
        circumsolar_w_m2: diffuse light from around the sun, taken as from the sun itself.
        sky_w_m2: diffuse light of the rest of the sky, even over the sky.
        ground_w_m2: light reflected by the ground.
        incidence_deg: angle between the sun and the normal of the plane [deg].
    """

    beam_w_m2: FloatArray
    circumsolar_w_m2: FloatArray
    sky_w_m2: FloatArray
    ground_w_m2: FloatArray
    incidence_deg: FloatArray

    @property
    def total_w_m2(self) -> FloatArray:
        """Sum of the four [W/m2]."""
        return self.beam_w_m2 + self.circumsolar_w_m2 + self.sky_w_m2 + self.ground_w_m2


@dataclass(frozen=True, slots=True, kw_only=True)
class DiffuseModifiers:
    """Share of diffuse light that passes the glass, over that at normal incidence [1].

    Attributes:
        sky_ratio: of light that is even over the sky.
        ground_ratio: of light from the ground.
    """

    sky_ratio: float
    ground_ratio: float


def extraterrestrial(day_of_year: npt.ArrayLike) -> FloatArray:
    """Irradiance facing the sun above the air [W/m2] on a day of the year.

    ``1366.1 (1.00011 + 0.034221 cos b + 0.00128 sin b + 0.000719 cos 2b + 7.7e-5 sin 2b)`` with
    ``b = 2 pi (day - 1)/365``.

    Source: spencer-1971, with the solar constant of ASTM E490.
    """
    b = 2.0 * np.pi * (np.asarray(day_of_year, dtype=np.float64) - 1.0) / 365.0
    share: FloatArray = 1.00011 + 0.034221 * np.cos(b) + 0.00128 * np.sin(b)
    share += 0.000719 * np.cos(2.0 * b) + 7.7e-5 * np.sin(2.0 * b)
    return SOLAR_CONSTANT_W_M2 * share


def plane_light(
    sun: SunPosition,
    *,
    ghi_w_m2: FloatArray,
    dni_w_m2: FloatArray,
    dhi_w_m2: FloatArray,
    extra_w_m2: npt.ArrayLike,
    tilt_deg: float,
    azimuth_deg: float,
    albedo_ratio: npt.ArrayLike,
) -> PlaneLight:
    """Irradiance in a tilted plane [W/m2] from that on the horizontal.

    With A = DNI/extraterrestrial and Rb = max(cos(incidence), 0)/max(cos(zenith), 0.01745)::

        beam        = DNI max(cos(incidence), 0)
        circumsolar = DHI A Rb
        sky         = DHI (1 - A) (1 + cos(tilt))/2
        ground      = GHI albedo (1 - cos(tilt))/2

    Args:
        sun: position of the sun, shape (hours,).
        ghi_w_m2: global irradiance on the horizontal, shape (hours,).
        dni_w_m2: beam irradiance facing the sun.
        dhi_w_m2: diffuse irradiance on the horizontal.
        extra_w_m2: irradiance above the air, facing the sun.
        tilt_deg: tilt of the plane, 0 lying, 90 upright.
        azimuth_deg: direction the plane faces, clockwise from north.
        albedo_ratio: reflectance of the ground, scalar or (hours,).

    Source: hay-davies-1980.
    """
    incidence = incidence_angle(sun, tilt_deg=tilt_deg, azimuth_deg=azimuth_deg)
    towards = np.maximum(np.cos(np.radians(incidence)), 0.0)
    height = np.maximum(np.cos(np.radians(sun.zenith_deg)), LEAST_COSINE)
    clear = dni_w_m2 / np.asarray(extra_w_m2, dtype=np.float64)
    lean = np.cos(np.radians(tilt_deg))
    return PlaneLight(
        beam_w_m2=dni_w_m2 * towards,
        circumsolar_w_m2=dhi_w_m2 * clear * towards / height,
        sky_w_m2=dhi_w_m2 * (1.0 - clear) * 0.5 * (1.0 + lean),
        ground_w_m2=ghi_w_m2 * np.asarray(albedo_ratio, dtype=np.float64) * 0.5 * (1.0 - lean),
        incidence_deg=incidence,
    )


def glass_modifier(incidence_deg: npt.ArrayLike) -> FloatArray:
    """Share of light that passes a module's glass, over that at normal incidence [1].

    Snell's refraction into glass of index n = 1.526, Fresnel's reflection at its surface and
    absorption K L = 4 1/m x 0.002 m along the bent path::

        tau(t) = exp(-K L/cos r) (1 - (sin2(r - t)/sin2(r + t) + tan2(r - t)/tan2(r + t))/2)

    with sin t = n sin r, over tau(0). Zero from 90 deg on.

    Args:
        incidence_deg: angle between the light and the normal, any shape.

    Source: de-soto-2006-iam eq. 17 to 19.
    """
    angle = np.abs(np.asarray(incidence_deg, dtype=np.float64))
    slant = np.radians(np.clip(angle, 1e-6, 90.0))
    bent = np.arcsin(np.sin(slant) / GLASS_INDEX_RATIO)
    depth = GLASS_EXTINCTION_PER_M * GLASS_THICKNESS_M
    across = np.sin(bent - slant) ** 2 / np.sin(bent + slant) ** 2
    along = np.tan(bent - slant) ** 2 / np.tan(bent + slant) ** 2
    passed = np.exp(-depth / np.cos(bent)) * (1.0 - 0.5 * (across + along))
    straight = np.exp(-depth) * (1.0 - ((GLASS_INDEX_RATIO - 1.0) / (GLASS_INDEX_RATIO + 1.0)) ** 2)
    share = np.where(angle < 90.0, passed / straight, 0.0)
    return np.where(np.isnan(angle), np.nan, share)


def diffuse_modifiers(tilt_deg: float) -> DiffuseModifiers:
    """Share of sky and ground light that passes the glass of a tilted plane [1].

    The glass's modifier is integrated over the part of the sky and of the ground that the plane
    sees. A lying plane sees no ground; its ratio is then one, of nothing.

    Raises:
        CallError: ``value-out-of-range`` for a tilt outside 0 to 90 deg.

    Source: marion-2017, through pvlib, with the modifier of de-soto-2006-iam.
    """
    if not 0.0 <= tilt_deg <= 90.0:
        raise CallError(
            "value-out-of-range",
            f"Found a tilt of {tilt_deg:g} deg; required: 0 to 90.",
            "Give the tilt from the horizontal.",
        )
    found = iam.marion_diffuse("physical", tilt_deg)
    return DiffuseModifiers(
        sky_ratio=float(found["sky"]),
        ground_ratio=float(found["ground"]) if tilt_deg > 0.0 else 1.0,
    )


def by_month(values: npt.ArrayLike, month: IntArray, *, name: str) -> FloatArray:
    """Spread a scalar, twelve monthly values or hourly values over the hours, shape (hours,)."""
    held = np.asarray(values, dtype=np.float64)
    if held.ndim == 0:
        return np.full(len(month), float(held))
    if held.shape == month.shape and held.shape != (12,):
        return held
    if held.shape == (12,):
        spread: FloatArray = held[month - 1]
        return spread
    raise CallError(
        "shapes-differ",
        f"Found {name} of shape {held.shape}; required: one value, twelve, or one per interval.",
        "Give one of the three.",
    )
