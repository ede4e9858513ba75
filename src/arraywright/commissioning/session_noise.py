"""How much one channel of a session scatters and drifts, found from the readings themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning._session_kernels import weighted_score
from arraywright.commissioning.session_level import leave_one_out_level

__all__ = ["ChannelFit", "Noise", "fit_channel", "level_of", "log_density"]

_DEGREES: Final = (2.5, 3.0, 4.0, 6.0, 9.0, 15.0, 40.0, 300.0)
_DRIFTS: Final = 10.0 ** np.arange(-14.0, -5.4, 0.5)
_SCALE_PRIOR: Final = 0.7
"""Standard deviation of the logarithm of observed over assumed scatter, before the readings."""
_ROUNDS: Final = 3
_LEAST_WEIGHT: Final = 1e-6


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Scatter and drift of one channel.

    Attributes:
        scale: observed own scatter over the assumed one [1].
        degrees: degrees of freedom of Student's t of the scatter; few for heavy tails.
        drift_per_s: variance the shared level gains in a second [1/s].
    """

    scale: float = 1.0
    degrees: float = 6.0
    drift_per_s: float = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelFit:
    """One channel against the level of the others, (n,).

    Attributes:
        residual: reading less the level all others show [1].
        variance: variance of a sound reading's residual, the level's own included [1].
        noise: scatter and drift.
    """

    residual: FloatArray
    variance: FloatArray
    noise: Noise


def log_density(
    residual_ratio: FloatArray, variance_ratio: FloatArray, *, degrees_of_freedom: float
) -> FloatArray:
    """Logarithm of Student's t density of residuals with this squared scale, any shape.

    Source: lange-1989 (robust modelling by the t distribution)
    """
    constant = special.gammaln((degrees_of_freedom + 1.0) / 2.0) - special.gammaln(
        degrees_of_freedom / 2.0
    )
    constant -= 0.5 * np.log(degrees_of_freedom * np.pi)
    return np.asarray(
        constant
        - 0.5 * np.log(variance_ratio)
        - 0.5
        * (degrees_of_freedom + 1.0)
        * np.log1p(residual_ratio**2 / (degrees_of_freedom * variance_ratio))
    )


def level_of(
    deviation_ratio: FloatArray,
    *,
    own_variance_ratio: FloatArray,
    weight_ratio: FloatArray,
    time_s: FloatArray,
    group: IntArray,
    noise: Noise,
) -> ChannelFit:
    """Residuals of a channel with given noise; readings of little weight shape no level."""
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


def _best_scatter(
    fit: ChannelFit, *, own_variance: FloatArray, sound: FloatArray
) -> tuple[float, float]:
    """Scale and degrees of freedom of the greatest weighted likelihood, by coarse to fine grids."""
    scales = np.geomspace(0.2, 12.0, 13)
    best = (-np.inf, 1.0, 6.0)
    for _ in range(3):
        for degrees in _DEGREES:
            for scale in scales.tolist():
                score = _score(
                    fit, own_variance=own_variance, sound=sound, scale=scale, degrees=degrees
                )
                score -= 0.5 * (np.log(scale) / _SCALE_PRIOR) ** 2
                best = max(best, (score, scale, degrees))
        width = (scales[1] / scales[0]) ** 0.75
        scales = np.geomspace(best[1] / width, best[1] * width, 7)
    return best[1], best[2]


def fit_channel(
    deviation_ratio: FloatArray,
    *,
    own_variance_ratio: FloatArray,
    sound_ratio: FloatArray,
    time_s: FloatArray,
    group: IntArray,
    start: Noise,
) -> ChannelFit:
    """Find scatter, tails and drift of a channel, and the residuals they give.

    In turn: the drift by the predictive likelihood of each reading from all others; scale and
    degrees of freedom of Student's t by the likelihood of the residuals, with a prior on the scale
    so that a few readings do not decide it; robust weights from them.

    Args:
        deviation_ratio: readings, ``ln(measured / expected)``, (n,), sorted by group, then time.
        own_variance_ratio: assumed variance of each reading's own error, (n,).
        sound_ratio: probability that the reading carries no shift, (n,).
        time_s: moments [s], (n,).
        group: readings of one group share a level, (n,).
        start: noise to begin with.
    """
    noise, weight = start, sound_ratio

    def level(weight: FloatArray, noise: Noise) -> ChannelFit:
        return level_of(
            deviation_ratio,
            own_variance_ratio=own_variance_ratio,
            weight_ratio=weight,
            time_s=time_s,
            group=group,
            noise=noise,
        )

    for _ in range(_ROUNDS):
        tried = [level(weight, replace(noise, drift_per_s=float(drift))) for drift in _DRIFTS]
        scores = [
            _score(
                one,
                own_variance=own_variance_ratio,
                sound=sound_ratio,
                scale=noise.scale,
                degrees=noise.degrees,
            )
            for one in tried
        ]
        fit = tried[int(np.argmax(scores))]
        scale, degrees = _best_scatter(fit, own_variance=own_variance_ratio, sound=sound_ratio)
        noise = replace(fit.noise, scale=scale, degrees=degrees)
        fit = level(weight, noise)
        squared = fit.residual**2 / fit.variance
        weight = sound_ratio * (noise.degrees + 1.0) / (noise.degrees + squared)
    return level(weight, noise)
