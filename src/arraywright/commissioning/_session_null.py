"""Evidence that sound strings show: drawn from the scatter found, and from turned residuals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from scipy import stats

from arraywright.arrays import FloatArray
from arraywright.commissioning._session_scene import Kind, Posterior, Scene, densities, posterior
from arraywright.commissioning.budget import family_evidence
from arraywright.commissioning.session_causes import Component
from arraywright.commissioning.session_noise import ChannelFit

_NULL_DRAWS: Final = 80_000
_NULL_TOGETHER: Final = 20_000
_SOUND_LEAST: Final = 0.5


def null_evidence(
    scene: Scene,
    fits: Sequence[ChannelFit],
    *,
    share: FloatArray,
    seed: int,
) -> FloatArray:
    """Evidence of sound strings drawn from the scatter found, with the same readings.

    Scale and tails are drawn anew for each reading among those the session leaves open.
    """
    rng = np.random.default_rng(seed)
    copies = max(1, _NULL_TOGETHER // max(scene.known.shape[1], 1))
    many = _copied(scene, copies)
    noise = [fit.noise for fit in fits]
    variance = np.tile(np.stack([fit.variance for fit in fits]), copies)
    wanted = int(np.clip(20 * len(scene.strings), _NULL_DRAWS // 4, _NULL_DRAWS))
    drawn: list[FloatArray] = []
    while sum(len(one) for one in drawn) < wanted:
        residual = np.stack(
            [_drawn_residual(rng, fit, variance[place]) for place, fit in enumerate(fits)]
        )
        told = densities(many, residual, variance, noise=noise, with_typed=False)
        drawn.append(family_evidence(posterior(many, told, share=share).named))
    return np.concatenate(drawn)


def _drawn_residual(rng: np.random.Generator, fit: ChannelFit, variance: FloatArray) -> FloatArray:
    """Residuals of sound readings of one channel, (n,)."""
    if len(fit.plausible) == 0:
        return np.asarray(
            stats.t.rvs(fit.noise.degrees, size=len(variance), random_state=rng) * np.sqrt(variance)
        )
    pick = rng.choice(len(fit.plausible), size=len(variance), p=fit.plausible[:, 2])
    scale, degrees = fit.plausible[pick, 0], fit.plausible[pick, 1]
    # Student's t: a normal deviate over the root of a chi-squared one per degree of freedom
    tails = np.sqrt(degrees / rng.chisquare(degrees))
    return np.asarray(
        rng.standard_normal(len(variance)) * tails * np.sqrt(variance) * scale / fit.noise.scale
    )


def mirrored_evidence(
    scene: Scene,
    fits: Sequence[ChannelFit],
    *,
    share: FloatArray,
    found: Posterior,
) -> FloatArray:
    """Evidence of the session's own strings with the sign of every residual turned.

    Strings likelier wrong than sound are left out: a surplus module turned is a missing one.
    """
    residual = -np.stack([fit.residual for fit in fits])
    variance = np.stack([fit.variance for fit in fits])
    told = densities(scene, residual, variance, noise=[fit.noise for fit in fits], with_typed=False)
    evidence = family_evidence(posterior(scene, told, share=share).named)
    return evidence[found.named[:, 0] > _SOUND_LEAST]


def _copied(scene: Scene, copies: int) -> Scene:
    """Put copies of a scene side by side, so that a small one is drawn many times at once."""
    readings, strings = scene.known.shape[1], len(scene.strings)
    shift = np.arange(copies)
    by_reading, by_string = shift * readings, shift * strings
    return Scene(
        readings=scene.readings,
        known=np.tile(scene.known, copies),
        string_of=(scene.string_of + by_string[:, None]).ravel(),
        strings=np.arange(strings * copies),
        share_of_information=np.tile(scene.share_of_information, copies),
        newest=(scene.newest + by_reading[:, None]).ravel(),
        kinds=tuple(
            Kind(rows=(kind.rows + by_reading[:, None]).ravel(), components=kind.components)
            for kind in scene.kinds
        ),
        of_reading=tuple(_repeated(one, copies) for one in scene.of_reading),
        priors=scene.priors,
        light=scene.light,
        reading_share=scene.reading_share,
    )


def _repeated(component: Component, copies: int) -> Component:
    if np.ndim(component.shift) == 1:
        return component
    return Component(
        cause=component.cause,
        share=component.share,
        shift=np.tile(component.shift, copies),
        spread=component.spread,
    )
