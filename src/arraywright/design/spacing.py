"""Rows of tables one behind the other: pitch, shade of a row on the next, and what it costs.

Rows are long, straight and alike, with pitch along the ground's fall. Shade at the ends of rows,
from trees and from hills is not in it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray, FloatLike
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.physics import SunPosition, sun_position, sun_times

__all__ = [
    "CHECKS",
    "ground_cover_ratio",
    "least_pitch",
    "masking_angle",
    "profile_angle",
    "row_aisle",
    "shaded_fraction",
    "shadow_across_rows",
    "shadow_length",
    "winter_profile_angle",
    "winter_sun",
]

_WINDOW_STEP_MIN: Final = 5.0
_LIGHT_RATIO: Final = 1e-9


def _float(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def ground_cover_ratio(slope_length_m: FloatLike, *, pitch_m: FloatLike) -> FloatArray:
    """Ground cover ratio [1], slope length of the table over the pitch of the rows.

    ``GCR = L / P``. Pitch not above 0 gives nan.

    Source: passias-kallback-1984 eq. 8, with GCR for B over the pitch.
    """
    pitch = _float(pitch_m)
    return np.asarray(_float(slope_length_m) / np.where(pitch > 0.0, pitch, np.nan))


def row_aisle(slope_length_m: FloatLike, *, pitch_m: FloatLike, tilt_deg: FloatLike) -> FloatArray:
    """Clear level width [m] between the back of a row and the front of the next.

    ``a = P - L cos(tilt)``.

    Source: common-practice
    """
    return np.asarray(
        _float(pitch_m) - _float(slope_length_m) * np.cos(np.radians(_float(tilt_deg)))
    )


def shadow_length(height_m: FloatLike, *, sun_elevation_deg: FloatLike) -> FloatArray:
    """Length [m] of the shadow of an edge on level ground, ``D' = h / tan(elevation)``.

    Sun at or below the horizon gives nan.

    Source: row-spacing-examples
    """
    elevation = _float(sun_elevation_deg)
    elevation = np.where((elevation > 0.0) & (elevation <= 90.0), elevation, np.nan)
    return np.asarray(_float(height_m) / np.tan(np.radians(elevation)))


def shadow_across_rows(
    height_m: FloatLike,
    *,
    sun_elevation_deg: FloatLike,
    sun_azimuth_deg: FloatLike,
    azimuth_deg: FloatLike,
) -> FloatArray:
    """Reach [m] of the shadow of a row's upper edge towards the row behind it.

    ``D = h cos(sun azimuth - row azimuth) / tan(elevation)``; negative when the sun stands
    behind the rows.

    Args:
        height_m: height of the upper edge above the lower edge of the row behind.
        sun_elevation_deg: height of the sun; at or below the horizon gives nan.
        sun_azimuth_deg: direction of the sun, clockwise from north.
        azimuth_deg: direction the rows face, clockwise from north.

    Source: row-spacing-examples
    """
    aside = np.radians(_float(sun_azimuth_deg) - _float(azimuth_deg))
    return shadow_length(height_m, sun_elevation_deg=sun_elevation_deg) * np.cos(aside)


def profile_angle(
    sun_elevation_deg: FloatLike, *, sun_azimuth_deg: FloatLike, azimuth_deg: FloatLike
) -> FloatArray:
    """Height of the sun as seen along the rows [deg], -180 to 180.

    ``tan(e) = tan(elevation) / cos(sun azimuth - row azimuth)``. From 0 to 90 deg the sun stands
    before the rows, from 90 to 180 behind them; negative below the horizon.

    Source: anderson-jensen-2024 (projected solar zenith, 90 deg less this angle).
    """
    elevation = np.radians(_float(sun_elevation_deg))
    aside = np.radians(_float(sun_azimuth_deg) - _float(azimuth_deg))
    return np.asarray(np.degrees(np.arctan2(np.sin(elevation), np.cos(elevation) * np.cos(aside))))


def least_pitch(
    slope_length_m: FloatLike, *, tilt_deg: FloatLike, profile_deg: FloatLike
) -> FloatArray:
    """Least pitch of the rows [m] without shade while the sun stands at a profile angle.

    ``P = L (cos(tilt) + sin(tilt) / tan(e))`` on level ground. A profile angle outside 0 to
    90 deg gives nan.

    Source: passias-kallback-1984 eq. 8, solved for the pitch; row-spacing-examples
    """
    profile = _float(profile_deg)
    profile = np.radians(np.where((profile > 0.0) & (profile <= 90.0), profile, np.nan))
    tilt = np.radians(_float(tilt_deg))
    return np.asarray(_float(slope_length_m) * (np.cos(tilt) + np.sin(tilt) / np.tan(profile)))


def masking_angle(
    tilt_deg: FloatLike, *, cover_ratio: FloatLike, slant_ratio: FloatLike = 0.0
) -> FloatArray:
    """Height [deg] to which the row before covers the sky, seen from a point of the slope.

    ``tan(psi) = GCR (1 - x) sin(tilt) / (1 - GCR (1 - x) cos(tilt))`` with ``x`` = 0 at the lower
    and 1 at the upper edge (``slant_ratio``).

    Source: passias-kallback-1984 eq. 8.
    """
    tilt = np.radians(_float(tilt_deg))
    rest = _float(cover_ratio) * (1.0 - _float(slant_ratio))
    return np.asarray(np.degrees(np.arctan2(rest * np.sin(tilt), 1.0 - rest * np.cos(tilt))))


def shaded_fraction(
    sun_elevation_deg: FloatLike,
    *,
    sun_azimuth_deg: FloatLike,
    azimuth_deg: FloatLike,
    tilt_deg: FloatLike,
    slope_length_m: FloatLike,
    pitch_m: FloatLike,
    ground_slope_deg: FloatLike = 0.0,
) -> FloatArray:
    """Fraction of the slope [1], from its lower edge, that the row before keeps the sun from.

    ``f = 1 - (P / L) cos(z - g) / (cos(z - tilt) cos(g))``, cut to 0 to 1, with ``z`` the zenith
    angle of the sun as seen along the rows and ``g`` the fall of the ground towards the side
    the rows face (negative where it rises before them). All arguments broadcast. 0 where the
    sun does not light the plane at all.

    Args:
        sun_elevation_deg: height of the sun.
        sun_azimuth_deg: direction of the sun, clockwise from north.
        azimuth_deg: direction the rows face.
        tilt_deg: tilt of the tables from the horizontal.
        slope_length_m: length of the table up its slope.
        pitch_m: level distance from row to row.
        ground_slope_deg: fall of the ground across the rows, see above.

    Source: anderson-jensen-2024 eq. 12, both rows alike and without offset.
    """
    elevation = np.radians(_float(sun_elevation_deg))
    aside = np.radians(_float(sun_azimuth_deg) - _float(azimuth_deg))
    tilt, ground = np.radians(_float(tilt_deg)), np.radians(_float(ground_slope_deg))
    # the sun's vector in the plane across the rows; its length cancels in the ratio
    up, toward = np.sin(elevation), np.cos(elevation) * np.cos(aside)
    meeting = up * np.cos(tilt) + toward * np.sin(tilt)
    lit = (meeting > _LIGHT_RATIO) & (elevation > 0.0)
    ratio = _float(pitch_m) / _float(slope_length_m)
    fraction = 1.0 - ratio * (up + toward * np.tan(ground)) / np.where(lit, meeting, 1.0)
    return np.asarray(np.where(lit, np.clip(fraction, 0.0, 1.0), 0.0))


def winter_sun(
    *,
    year: int,
    latitude_deg: float,
    longitude_deg: float,
    from_noon_min: npt.ArrayLike = 0.0,
) -> SunPosition:
    """Where the sun stands [deg] on the day of the lowest noon, (times,).

    21 December north of the equator, 21 June south of it. ``from_noon_min`` is the time before
    (negative) or after solar noon; three hours are 180.

    Raises:
        CallError: ``value-out-of-range``.

    Source: spa-2004, through pvlib.
    """
    month = 12 if latitude_deg >= 0.0 else 6
    day = np.array([f"{year:04d}-{month:02d}-21T12:00"], dtype="datetime64[us]")
    # solar noon is that of the meridian; at the equator the sun rises on every day
    noon = sun_times(day, latitude_deg=0.0, longitude_deg=longitude_deg).transit[0]
    steps = (np.atleast_1d(_float(from_noon_min)) * 60e6).astype("timedelta64[us]")
    return sun_position(noon + steps, latitude_deg=latitude_deg, longitude_deg=longitude_deg)


def winter_profile_angle(
    *,
    year: int,
    latitude_deg: float,
    longitude_deg: float,
    azimuth_deg: float,
    tilt_deg: float,
    window_min: float = 180.0,
) -> float:
    """Least profile angle [deg] of the lit moments of a window about solar noon in winter.

    With it ``least_pitch`` gives the pitch that keeps the whole window free of shade. The window
    reaches ``window_min`` to both sides of noon; 180 is 9 to 15 h solar time, common practice.
    Moments count in which the sun is up and before the plane; nan when there is none.

    Raises:
        CallError: ``value-out-of-range``.

    Source: spa-2004; common-practice (21 December, 9 to 15 h)
    """
    steps = int(np.ceil(max(window_min, 0.0) / _WINDOW_STEP_MIN))
    sun = winter_sun(
        year=year,
        latitude_deg=latitude_deg,
        longitude_deg=longitude_deg,
        from_noon_min=np.linspace(-window_min, window_min, 2 * steps + 1),
    )
    elevation = 90.0 - sun.zenith_deg
    profile = profile_angle(elevation, sun_azimuth_deg=sun.azimuth_deg, azimuth_deg=azimuth_deg)
    lit = (elevation > 0.0) & (np.abs(90.0 - profile - tilt_deg) < 90.0)
    return float(np.min(profile[lit], initial=np.inf)) if lit.any() else float("nan")


def _input(name: str, symbol: str, unit: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit=unit, meaning=meaning, key=key)


_BOTH: Final = (Practice.IEC, Practice.NEC)
_PITCH: Final = _input("pitch_m", "P", "m", "pitch of the rows", "layout.block[].pitch_m")
_SLOPE: Final = _input(
    "slope_length_m",
    "L",
    "m",
    "length of a table up its slope",
    "layout.block[].rows, module_types.NAME.length_mm and width_mm",
)
_TILT: Final = _input("tilt_deg", "tilt", "deg", "tilt of the tables", "layout.block[].tilt_deg")


def _least_pitch(values: Values) -> FloatArray:
    return least_pitch(
        values["slope_length_m"], tilt_deg=values["tilt_deg"], profile_deg=values["profile_deg"]
    )


def _aisle(values: Values) -> FloatArray:
    return row_aisle(
        values["slope_length_m"], pitch_m=values["pitch_m"], tilt_deg=values["tilt_deg"]
    )


CHECKS: Final[tuple[DesignCheck, ...]] = (
    DesignCheck(
        key="row-pitch",
        family="spacing",
        title="Pitch of the rows against the winter sun",
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, "passias-kallback-1984 eq. 8"),
        formula="P >= L (cos(tilt) + sin(tilt) / tan(e))",
        inputs=(
            _PITCH,
            _SLOPE,
            _TILT,
            _input(
                "profile_deg",
                "e",
                "deg",
                "least height of the winter sun as seen along the rows in the window kept free",
                "spacing.free_window_min (with site.latitude_deg and layout.block[].azimuth_deg)",
            ),
        ),
        unit="m",
        sense="at least",
        value=lambda values: values["pitch_m"],
        limit=_least_pitch,
        passing="In {subject} the rows stand {value} {unit} apart; the winter sun needs {limit} "
        "{unit} for the window without shade, {margin} {unit} are spare.",
        failing="In {subject} the rows stand {value} {unit} apart; the winter sun needs {limit} "
        "{unit}, so each row shades the next inside the window: {margin} {unit} are missing.",
        remedy="Widen the pitch to {limit} {unit}, lower the tilt or the table, or shorten the "
        "window and accept the loss that the check shade-loss gives.",
    ),
    DesignCheck(
        key="row-aisle",
        family="spacing",
        title="Clear width between rows",
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, "common-practice"),
        formula="P - L cos(tilt) >= a",
        inputs=(
            _PITCH,
            _SLOPE,
            _TILT,
            _input("aisle_m", "a", "m", "clear width wanted between rows", "spacing.aisle_min_m"),
        ),
        unit="m",
        sense="at least",
        value=_aisle,
        limit=lambda values: values["aisle_m"],
        passing="In {subject} {value} {unit} are clear between the rows, {limit} {unit} are wanted "
        "for carrying, cleaning and escape.",
        failing="In {subject} only {value} {unit} are clear between the rows; {limit} {unit} are "
        "wanted for carrying, cleaning and escape.",
        remedy="Widen the pitch by {margin} {unit}.",
    ),
    DesignCheck(
        key="shade-loss",
        family="spacing",
        title="Energy lost to shade of the row before",
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, "common-practice"),
        formula="E_shade / E <= x",
        inputs=(
            _input(
                "shade_loss_ratio",
                "E_shade / E",
                "1",
                "energy lost to row shade in a year, by the strings' orientation (an estimate)",
                "layout.block[].string_pattern and the weather file",
            ),
            _input(
                "shade_loss_max_ratio",
                "x",
                "1",
                "greatest loss accepted",
                "spacing.shade_loss_max_ratio",
            ),
        ),
        unit="1",
        sense="at most",
        value=lambda values: values["shade_loss_ratio"],
        limit=lambda values: values["shade_loss_max_ratio"],
        passing="In {subject} shade of the row before takes about {value} of the year's energy, "
        "{limit} is accepted.",
        failing="In {subject} shade of the row before takes about {value} of the year's energy; "
        "{limit} is accepted.",
        remedy="Run the strings along the rows, so that only the lowest string is shaded, or widen "
        "the pitch, or lower the tilt.",
        review_margin_ratio=0.1,
    ),
)
"""Checks of the rows; the same in both practices."""
