"""Shade of a row on the next through a year, and what strings make of it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.design.spacing import shaded_fraction
from arraywright.errors import CallError
from arraywright.physics import sun_position

__all__ = ["ShadeOfYear", "output_across_rows", "output_along_rows", "shade_of_year"]

_CHUNK: Final = 250_000
"""Variants times hours worked out at once, about 2 MB per array."""
_LIGHT_RATIO: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class ShadeOfYear:
    """Shade of a row on the next through a year, each of shape (variants,).

    Attributes:
        lit_hours: hours with the sun above the horizon and before the plane.
        shaded_hours: hours of these in which the row before throws shade on the slope.
        mean_shaded_ratio: shaded fraction of the slope, mean over the lit hours [1].
        direct_loss_ratio: beam energy kept off the slope by shade, of all plane energy [1].
        loss_along_ratio: energy lost when strings run along the rows, of all plane energy [1].
        loss_across_ratio: energy lost when every string runs up the slope [1].
    """

    lit_hours: FloatArray
    shaded_hours: FloatArray
    mean_shaded_ratio: FloatArray
    direct_loss_ratio: FloatArray
    loss_along_ratio: FloatArray
    loss_across_ratio: FloatArray


def _float(value: npt.ArrayLike) -> FloatArray:
    return np.asarray(value, dtype=np.float64)


def _blocks(
    shaded_ratio: FloatArray, module_rows: int, blocks_per_module: int
) -> tuple[FloatArray, FloatArray]:
    """Give the module rows wholly shaded, and the shaded blocks of the row partly shaded."""
    height = shaded_ratio * module_rows
    whole = np.minimum(np.floor(height + _LIGHT_RATIO), module_rows)
    part = np.ceil(np.maximum(height - whole, 0.0) * blocks_per_module - _LIGHT_RATIO)
    return whole, np.clip(part, 0.0, blocks_per_module)


def _check_counts(module_rows: int, blocks_per_module: int) -> None:
    if module_rows < 1 or blocks_per_module < 1:
        raise CallError(
            "value-out-of-range",
            f"Found {module_rows} module rows of {blocks_per_module} blocks; required: 1 or more.",
            "Count the modules up the slope, and the blocks of each that bypass diodes part.",
        )


def output_along_rows(
    shaded_ratio: npt.ArrayLike,
    *,
    diffuse_ratio: npt.ArrayLike,
    module_rows: int,
    blocks_per_module: int = 1,
) -> FloatArray:
    """Output under row shade when strings run along the rows, of that without shade [1].

    An estimate: a string wholly in shade lives on diffuse light; of the string at the edge of the
    shade each module gives either what its unshaded blocks give with the others bypassed, or the
    diffuse output, whichever is more; strings above give all. Every string has its own
    operating point or sits with alike ones.

    Args:
        shaded_ratio: shaded fraction of the slope.
        diffuse_ratio: diffuse part of the plane irradiance.
        module_rows: modules up the slope, one string (or more) per module row.
        blocks_per_module: blocks of a module that shade rising from below takes one after the
            other: sub-strings when the long side lies level, halves of a half-cut module upright.

    Raises:
        CallError: ``value-out-of-range``.

    Source: common-practice
    """
    _check_counts(module_rows, blocks_per_module)
    diffuse = _float(diffuse_ratio)
    whole, part = _blocks(_float(shaded_ratio), module_rows, blocks_per_module)
    edge = np.where(part > 0.0, 1.0, 0.0)
    at_edge = np.maximum(1.0 - part / blocks_per_module, diffuse)
    return np.asarray((module_rows - whole - edge + edge * at_edge + whole * diffuse) / module_rows)


def output_across_rows(
    shaded_ratio: npt.ArrayLike,
    *,
    diffuse_ratio: npt.ArrayLike,
    module_rows: int,
    blocks_per_module: int = 1,
) -> FloatArray:
    """Output under row shade when every string runs through all module rows [1].

    An estimate: all strings suffer alike; each gives either what its unshaded blocks give with
    the others bypassed, or the diffuse output, whichever is more. That the lower voltage stays
    inside the inverter's window is taken for granted. Arguments as ``output_along_rows``.

    Raises:
        CallError: ``value-out-of-range``.

    Source: common-practice
    """
    _check_counts(module_rows, blocks_per_module)
    whole, part = _blocks(_float(shaded_ratio), module_rows, blocks_per_module)
    shaded = (whole + part / blocks_per_module) / module_rows
    return np.asarray(np.maximum(1.0 - shaded, _float(diffuse_ratio)))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Light:
    """The hours of the year with the sun up, each (hours,)."""

    elevation_deg: FloatArray
    azimuth_deg: FloatArray
    beam_w_m2: FloatArray
    diffuse_w_m2: FloatArray


def _sums(
    light: _Light,
    *,
    plane: tuple[FloatArray, ...],
    module_rows: int,
    blocks_per_module: int,
) -> FloatArray:
    """Add up the year of some variants (7, variants), planes given as (variants,)."""
    tilt, azimuth, slope, pitch, ground = (held[:, None] for held in plane)
    if np.all(azimuth == azimuth[0]):
        azimuth = azimuth[:1]  # one direction: the sun across the rows is the same for all
    fraction = shaded_fraction(
        light.elevation_deg,
        sun_azimuth_deg=light.azimuth_deg,
        azimuth_deg=azimuth,
        tilt_deg=tilt,
        slope_length_m=slope,
        pitch_m=pitch,
        ground_slope_deg=ground,
    )
    elevation, lean = np.radians(light.elevation_deg), np.radians(tilt)
    toward = np.cos(elevation) * np.cos(np.radians(light.azimuth_deg - azimuth))
    incidence = np.sin(elevation) * np.cos(lean) + toward * np.sin(lean)
    beam = light.beam_w_m2 * np.maximum(incidence, 0.0)
    total = beam + light.diffuse_w_m2 * (1.0 + np.cos(lean)) / 2.0
    out = np.zeros((7, tilt.size))
    out[0] = np.sum(incidence > 0.0, axis=1)
    out[6] = np.sum(total, axis=1)
    rows, columns = np.nonzero(fraction)
    shaded, energy = fraction[rows, columns], total[rows, columns]
    direct = beam[rows, columns]
    diffuse = np.divide(energy - direct, energy, out=np.ones_like(energy), where=energy > 0.0)
    lost = [
        energy
        * (
            1.0
            - output(
                shaded,
                diffuse_ratio=diffuse,
                module_rows=module_rows,
                blocks_per_module=blocks_per_module,
            )
        )
        for output in (output_along_rows, output_across_rows)
    ]
    for place, weights in enumerate(
        (np.ones_like(shaded), shaded, direct * shaded, *lost), start=1
    ):
        out[place] = np.bincount(rows, weights=weights, minlength=tilt.size)
    return out


def shade_of_year(
    times: Any,
    *,
    step_min: float,
    latitude_deg: float,
    longitude_deg: float,
    beam_normal_w_m2: npt.ArrayLike,
    diffuse_level_w_m2: npt.ArrayLike,
    tilt_deg: npt.ArrayLike,
    azimuth_deg: npt.ArrayLike,
    slope_length_m: npt.ArrayLike,
    pitch_m: npt.ArrayLike,
    ground_slope_deg: npt.ArrayLike = 0.0,
    module_rows: int = 1,
    blocks_per_module: int = 1,
) -> ShadeOfYear:
    """Hours of row-to-row shade and the energy it takes [1], for all variants at once.

    The sun is taken at the given times, each standing for ``step_min`` (give the middle of the
    interval of the weather file). The plane's light is the beam by its angle of incidence and
    the diffuse light of an even sky, ``DHI (1 + cos(tilt)) / 2``; light from the ground and the
    sky covered by the row before are left out. See the two output functions for what the
    orientation of strings is taken to do. Nan irradiance counts as none.

    Args:
        times: times in UTC through the year, (times,).
        step_min: time each stands for.
        latitude_deg: latitude, north positive.
        longitude_deg: longitude, east positive.
        beam_normal_w_m2: beam irradiance across the ray (DNI), (times,).
        diffuse_level_w_m2: diffuse irradiance on the level (DHI), (times,).
        tilt_deg: tilt of the tables, scalar or (variants,), as all that follow.
        azimuth_deg: direction the rows face.
        slope_length_m: length of a table up its slope.
        pitch_m: level distance from row to row.
        ground_slope_deg: fall of the ground towards the side the rows face.
        module_rows: modules up the slope.
        blocks_per_module: see ``output_along_rows``.

    Raises:
        CallError: ``not-a-time``, ``value-out-of-range``, ``shape-mismatch``.

    Source: anderson-jensen-2024 eq. 12; spa-2004; common-practice
    """
    _check_counts(module_rows, blocks_per_module)
    sun = sun_position(times, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    beam, diffuse = (np.nan_to_num(_float(held)) for held in (beam_normal_w_m2, diffuse_level_w_m2))
    if not (beam.shape == diffuse.shape == sun.zenith_deg.shape):
        raise CallError(
            "shape-mismatch",
            f"Found {sun.zenith_deg.size} times, {beam.size} beam and {diffuse.size} diffuse "
            "values; required: as many of each.",
            "Give one irradiance of each kind per time.",
        )
    up = sun.zenith_deg < 90.0
    elevation, facing = 90.0 - sun.zenith_deg[up], sun.azimuth_deg[up]
    tilt, azimuth, slope, pitch, ground = np.broadcast_arrays(
        *(
            np.atleast_1d(_float(held))
            for held in (tilt_deg, azimuth_deg, slope_length_m, pitch_m, ground_slope_deg)
        )
    )
    out = np.zeros((7, tilt.size))
    size = max(1, _CHUNK // max(1, elevation.size))
    for start in range(0, tilt.size, size):
        part = slice(start, start + size)
        out[:, part] = _sums(
            _Light(
                elevation_deg=elevation,
                azimuth_deg=facing,
                beam_w_m2=beam[up],
                diffuse_w_m2=diffuse[up],
            ),
            plane=(tilt[part], azimuth[part], slope[part], pitch[part], ground[part]),
            module_rows=module_rows,
            blocks_per_module=blocks_per_module,
        )
    lit, energy = (np.where(held > 0.0, held, np.nan) for held in (out[0], out[6]))
    return ShadeOfYear(
        lit_hours=out[0] * (step_min / 60.0),
        shaded_hours=out[1] * (step_min / 60.0),
        mean_shaded_ratio=np.asarray(out[2] / lit),
        direct_loss_ratio=np.asarray(out[3] / energy),
        loss_along_ratio=np.asarray(out[4] / energy),
        loss_across_ratio=np.asarray(out[5] / energy),
    )
