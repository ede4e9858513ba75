"""How much one channel of a session scatters and drifts, found from the readings themselves."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
from scipy import special

from arraywright.arrays import FloatArray, FloatLike, IntArray
from arraywright.commissioning._session_kernels import weighted_score
from arraywright.commissioning.session_level import leave_one_out_level

__all__ = [
    "ChannelFit",
    "Noise",
    "fit_channel",
    "level_of",
    "log_density",
    "mirrored_weight",
]

_DEGREES: Final = (2.5, 3.0, 4.0, 6.0, 9.0, 15.0, 40.0, 300.0)
_DRIFTS: Final = 10.0 ** np.arange(-14.0, -5.4, 0.5)
_SCALE_PRIOR: Final = 0.7
"""Standard deviation of the logarithm of observed over assumed scatter, before the readings."""
_ROUNDS: Final = 3
_LEAST_WEIGHT: Final = 1e-6
_BULK_SIGMAS: Final = 1.0
_SLOPE_PRIOR: Final = 0.05
"""Standard deviation of a channel's error per e-fold of irradiance, before the readings."""
_PLAUSIBLE_STEPS: Final = np.linspace(-3.0, 3.0, 7)


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Scatter and drift of one channel.

    Attributes:
        scale: observed own scatter over the assumed one [1].
        degrees: degrees of freedom of Student's t of the scatter; few for heavy tails.
        drift_per_s: variance the shared level gains in a second [1/s].
        slopes: error of the expected value per unit of each of ``SessionReadings.light`` [1].
    """

    scale: float = 1.0
    degrees: float = 6.0
    drift_per_s: float = 1e-9
    slopes: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFit:
    """One channel against the level of the others, (n,).

    Attributes:
        residual: reading less the level all others show [1].
        variance: variance of a sound reading's residual, the level's own included [1].
        noise: scatter and drift.
        plausible: scale and degrees of freedom the readings leave open, with their
            probabilities, (k, 3); empty where they were given.
    """

    residual: FloatArray
    variance: FloatArray
    noise: Noise
    plausible: FloatArray = field(default_factory=lambda: np.zeros((0, 3)))


def log_density(
    residual_ratio: FloatArray, variance_ratio: FloatArray, *, degrees_of_freedom: FloatLike
) -> FloatArray:
    """Logarithm of Student's t density of residuals with this squared scale, any shape.

    Source: lange-1989 (robust modelling by the t distribution)
    """
    degrees = np.asarray(degrees_of_freedom, dtype=np.float64)
    constant = special.gammaln((degrees + 1.0) / 2.0) - special.gammaln(degrees / 2.0)
    constant = constant - 0.5 * np.log(degrees * np.pi)
    return np.asarray(
        constant
        - 0.5 * np.log(variance_ratio)
        - 0.5 * (degrees + 1.0) * np.log1p(residual_ratio**2 / (degrees * variance_ratio))
    )


def mirrored_weight(
    residual_ratio: FloatArray, variance_ratio: FloatArray, *, sound_ratio: FloatArray
) -> FloatArray:
    """Weight [1] of each residual for scatter and tails, (n,): the upper tail stands for both.

    Nearly every fault lowers a reading, so the lower tail is that of scatter and faults together;
    within one standard deviation both sides count, beyond it the upper side counts twice and
    the lower not at all. Right where the scatter itself is symmetric.

    Source: efron-2004 (the null from the readings themselves)
    """
    z = residual_ratio / np.sqrt(variance_ratio)
    return np.asarray(sound_ratio * np.where(z > _BULK_SIGMAS, 2.0, z >= -_BULK_SIGMAS))


def level_of(
    deviation_ratio: FloatArray,
    *,
    own_variance_ratio: FloatArray,
    weight_ratio: FloatArray,
    time_s: FloatArray,
    group: IntArray,
    noise: Noise,
) -> ChannelFit:
    """Residuals of a channel with given noise; readings of little weight shape no level.

    The error that goes with the irradiance is taken off before by the caller.
    """
    own = noise.scale**2 * own_variance_ratio
    told = weight_ratio > _LEAST_WEIGHT
    held = leave_one_out_level(
        deviation_ratio,
        time_s=time_s,
        variance_ratio=np.where(told, own / np.maximum(weight_ratio, _LEAST_WEIGHT), np.inf),
        group=group,
        drift_variance_ratio=noise.drift_per_s,
    )
    return ChannelFit(
        residual=deviation_ratio - held.level, variance=own + held.variance, noise=noise
    )


def _score(
    fit: ChannelFit, *, own_variance: FloatArray, sound: FloatArray, scale: float, degrees: float
) -> float:
    """Give the weighted likelihood of the residuals at another scale and other tails."""
    level_variance = fit.variance - fit.noise.scale**2 * own_variance
    return float(weighted_score(fit.residual, own_variance, level_variance, sound, scale, degrees))


def _log_posterior(
    fit: ChannelFit, *, own_variance: FloatArray, sound: FloatArray, scales: FloatArray
) -> FloatArray:
    """Log posterior of every scale and every degree of freedom, (scales, degrees)."""
    out = np.array(
        [
            [
                _score(fit, own_variance=own_variance, sound=sound, scale=scale, degrees=degrees)
                for degrees in _DEGREES
            ]
            for scale in scales.tolist()
        ]
    )
    prior = -0.5 * (np.log(scales) / _SCALE_PRIOR) ** 2
    return np.asarray(out + prior[:, None])


def _best_scatter(
    fit: ChannelFit, *, own_variance: FloatArray, sound: FloatArray
) -> tuple[float, float]:
    """Scale and degrees of freedom of the greatest posterior, by coarse to fine grids."""
    scales = np.geomspace(0.2, 12.0, 13)
    scale, degrees = 1.0, 6.0
    for _ in range(3):
        held = _log_posterior(fit, own_variance=own_variance, sound=sound, scales=scales)
        row, column = np.unravel_index(int(held.argmax()), held.shape)
        scale, degrees = float(scales[row]), _DEGREES[column]
        width = (scales[1] / scales[0]) ** 0.75
        scales = np.geomspace(scale / width, scale * width, 7)
    return scale, degrees


def _plausible(fit: ChannelFit, *, own_variance: FloatArray, sound: FloatArray) -> FloatArray:
    """Scales and degrees of freedom about the best with their probabilities, (k, 3)."""
    step = 1.0 / np.sqrt(2.0 * max(float(sound.sum()), 8.0))
    scales = fit.noise.scale * np.exp(_PLAUSIBLE_STEPS * step)
    held = _log_posterior(fit, own_variance=own_variance, sound=sound, scales=scales)
    share = np.exp(held - held.max())
    grid = np.stack(np.broadcast_arrays(scales[:, None], np.array(_DEGREES)[None, :], share))
    flat = grid.reshape(3, -1).T.copy()
    flat[:, 2] /= flat[:, 2].sum()
    return np.asarray(flat)


def sloped(noise: Noise, light: FloatArray) -> FloatArray:
    """Error that goes with the light, (n,)."""
    slopes = np.array(noise.slopes or np.zeros(len(light)))
    return np.asarray(slopes @ light)


def _slopes(
    fit: ChannelFit,
    light: FloatArray,
    *,
    weight: FloatArray,
    level: Callable[[FloatArray, FloatArray, Noise], ChannelFit],
) -> tuple[float, ...]:
    """Weighted least squares of what the levels leave on what they leave of the light."""
    if len(light) == 0:
        return ()
    before = np.array(fit.noise.slopes or np.zeros(len(light)))
    left = np.stack([level(one, weight, fit.noise).residual for one in light])
    told = left * (weight / fit.variance)
    square = told @ left.T + np.eye(len(left)) / _SLOPE_PRIOR**2
    change = np.linalg.solve(square, told @ fit.residual - before / _SLOPE_PRIOR**2)
    return tuple((before + change).tolist())


def fit_channel(
    deviation_ratio: FloatArray,
    *,
    own_variance_ratio: FloatArray,
    sound_ratio: FloatArray,
    time_s: FloatArray,
    group: IntArray,
    light_ratio: FloatArray,
    start: Noise,
) -> ChannelFit:
    """Find scatter, tails and drift of a channel, and the residuals they give.

    In turn: the drift by the predictive likelihood of each reading from all others; scale and
    degrees of freedom of Student's t by the likelihood of the residuals, with a prior on the scale
    so that a few readings do not decide it, tails from the side where faults are rare; the slope
    over the irradiance by weighted least squares of what the levels leave; robust weights.

    Args:
        deviation_ratio: readings, ``ln(measured / expected)``, (n,), sorted by group, then time.
        own_variance_ratio: assumed variance of each reading's own error, (n,).
        sound_ratio: probability that the reading carries no shift, (n,).
        time_s: moments [s], (n,).
        group: readings of one group share a level, (n,).
        light_ratio: what the expected value may err with, (k, n); see ``SessionReadings``.
        start: noise to begin with.
    """
    noise, weight = start, sound_ratio

    def level(value: FloatArray, weight: FloatArray, noise: Noise) -> ChannelFit:
        return level_of(
            value,
            own_variance_ratio=own_variance_ratio,
            weight_ratio=weight,
            time_s=time_s,
            group=group,
            noise=noise,
        )

    for _ in range(_ROUNDS):
        value = deviation_ratio - sloped(noise, light_ratio)
        fit = level(value, weight, noise)
        tails = mirrored_weight(fit.residual, fit.variance, sound_ratio=sound_ratio)
        tried = [level(value, weight, replace(noise, drift_per_s=one)) for one in _DRIFTS.tolist()]
        scores = [
            _score(
                one,
                own_variance=own_variance_ratio,
                sound=tails,
                scale=noise.scale,
                degrees=noise.degrees,
            )
            for one in tried
        ]
        fit = tried[int(np.argmax(scores))]
        tails = mirrored_weight(fit.residual, fit.variance, sound_ratio=sound_ratio)
        scale, degrees = _best_scatter(fit, own_variance=own_variance_ratio, sound=tails)
        noise = replace(fit.noise, scale=scale, degrees=degrees)
        fit = level(value, weight, noise)
        squared = fit.residual**2 / fit.variance
        weight = sound_ratio * (noise.degrees + 1.0) / (noise.degrees + squared)
        noise = replace(noise, slopes=_slopes(fit, light_ratio, weight=weight, level=level))
    fit = level(deviation_ratio - sloped(noise, light_ratio), weight, noise)
    tails = mirrored_weight(fit.residual, fit.variance, sound_ratio=sound_ratio)
    return replace(fit, plausible=_plausible(fit, own_variance=own_variance_ratio, sound=tails))
