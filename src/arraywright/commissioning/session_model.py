"""All readings of a session explained together: shared drift, scatter, and a cause per string."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning._session_null import mirrored_evidence, null_evidence
from arraywright.commissioning._session_scene import (
    Posterior,
    Scene,
    SessionReadings,
    cause_shares,
    densities,
    posterior,
    reading_shares,
    scene_of,
    sorted_components,
    sorted_readings,
    sound_weight,
)
from arraywright.commissioning.budget import (
    FAMILIES,
    STRING_CAUSES,
    evidence_thresholds,
    family_evidence,
)
from arraywright.commissioning.session_causes import (
    CHANNELS,
    CausePriors,
    Component,
)
from arraywright.commissioning.session_noise import ChannelFit, Noise, fit_channel

__all__ = ["SessionReadings", "SessionResult", "explain_session"]

_ROUNDS: Final = 4
_SHARE_PASSES: Final = 6
_STRICT_SHARE: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionResult:
    """What each string is, with probabilities.

    Attributes:
        strings: numbers of the strings that have readings, rising, (strings,).
        probability: of each of ``STRING_CAUSES``, (strings, causes).
        evidence: log odds of each family of causes against everything else, (strings, families).
        threshold: evidence that sound strings exceed with the false alarms allowed, (families,).
        strict: the same with a tenth of them, (families,).
        flagged: evidence of any family beyond its threshold, (strings,).
        residual: readings less the shared level, (channels, n), in the order given.
        residual_u: standard uncertainty of a sound reading's residual, (channels, n).
        noise: scatter and drift of each channel.
        share: posterior shares of ``CAUSES`` among strings, (causes,).
        reading_share: posterior shares of ``READING_CAUSES`` among readings, (causes,).
    """

    strings: IntArray
    probability: FloatArray
    evidence: FloatArray
    threshold: FloatArray
    strict: FloatArray
    flagged: BoolArray
    residual: FloatArray
    residual_u: FloatArray
    noise: tuple[Noise, ...]
    share: FloatArray
    reading_share: FloatArray

    @property
    def sound_probability(self) -> FloatArray:
        """Probability that string and reading are sound, (strings,)."""
        return self.probability[:, 0]


def _reading_counts(scene: Scene, found: Posterior) -> FloatArray:
    """Expected number of readings with each cause; that of a faulty string counts as sound."""
    sound_string = found.cause[scene.string_of, 0]
    counts = sound_string @ found.reading
    counts[0] += float(np.sum(1.0 - sound_string))
    return np.asarray(counts)


def _fit(
    scene: Scene, found: Posterior | None, *, start: Sequence[Noise]
) -> tuple[ChannelFit, ...]:
    readings = scene.readings
    fits = []
    for channel in range(len(CHANNELS)):
        known = scene.known[channel]
        rows = np.flatnonzero(known)
        sound = np.ones(len(rows))
        if found is not None:
            sound = sound_weight(scene, found, channel)[rows]
        residual = np.full(len(known), np.nan)
        variance = np.full(len(known), 1.0)
        noise, plausible = start[channel], np.zeros((0, 3))
        if len(rows):
            held = fit_channel(
                readings.value[channel, rows],
                own_variance_ratio=readings.own_u[channel, rows] ** 2,
                sound_ratio=sound,
                time_s=readings.time_s[rows],
                group=readings.group[rows],
                light_ratio=scene.light[:, rows],
                start=noise,
            )
            residual[rows], variance[rows], noise = held.residual, held.variance, held.noise
            plausible = held.plausible
        fits.append(
            ChannelFit(residual=residual, variance=variance, noise=noise, plausible=plausible)
        )
    return tuple(fits)


def explain_session(
    readings: SessionReadings,
    *,
    kind_of: IntArray,
    components: Sequence[tuple[Component, ...]],
    of_reading: Sequence[Component],
    priors: CausePriors,
    false_alarm_ratio: float,
    seed: int,
) -> SessionResult:
    """Explain all readings of a session together; probabilities of causes per string.

    Each channel is ``level(t) + shift(cause) + error``: a level shared by the group that drifts as
    a random walk and carries the common errors of instruments, irradiance and temperature; a
    discrete cause per string and per reading; an error with Student's t tails whose scale and
    tails are found from the session. Level, scatter, causes and the shares of causes are found in
    turn until they settle (expectation and maximisation). The level at a reading is that of all
    others.

    A string is flagged when the evidence of a family of causes exceeds what sound strings exceed
    with the family's share of the false alarms (``evidence_thresholds``).

    Args:
        readings: the readings.
        kind_of: kind of string of each reading, (n,), a number into ``components``.
        components: forms of causes of each kind (``string_components``).
        of_reading: forms of causes in readings (``reading_components``), the readings' order.
        priors: shares of causes before the session.
        false_alarm_ratio: share of sound strings that may be flagged [1].
        seed: of the draws that set the threshold.

    Source: dempster-laird-rubin-1977; durbin-koopman-2012; lange-1989; efron-2004
    """
    count = len(readings.time_s)
    if count == 0:
        return _empty(priors)
    order = np.lexsort((readings.time_s, readings.group))
    scene = scene_of(
        sorted_readings(readings, order),
        kind_of=kind_of[order],
        components=components,
        of_reading=sorted_components(of_reading, order),
        priors=priors,
    )
    prior_share = cause_shares(priors)
    prior_reading = reading_shares(priors)
    share = prior_share
    noise = [Noise() for _ in CHANNELS]
    fits = _fit(scene, None, start=noise)
    found = None
    for _ in range(_ROUNDS):
        noise = [fit.noise for fit in fits]
        residual = np.stack([fit.residual for fit in fits])
        variance = np.stack([fit.variance for fit in fits])
        told = densities(scene, residual, variance, noise=noise, with_typed=True)
        for _ in range(_SHARE_PASSES):
            found = posterior(scene, told, share=share)
            share = priors.weight_strings * prior_share + found.cause.sum(axis=0)
            share = share / share.sum()
            told_of = priors.weight_strings * prior_reading + _reading_counts(scene, found)
            scene.reading_share = told_of / told_of.sum()
        fits = _fit(scene, found, start=noise)
    residual = np.stack([fit.residual for fit in fits])
    variance = np.stack([fit.variance for fit in fits])
    noise = [fit.noise for fit in fits]
    told = densities(scene, residual, variance, noise=noise, with_typed=True)
    found = posterior(scene, told, share=share)
    evidence = family_evidence(found.named)
    null = {
        "drawn_ratio": null_evidence(scene, fits, share=share, seed=seed),
        "mirrored_ratio": mirrored_evidence(scene, fits, share=share, found=found),
    }
    threshold, strict = (
        evidence_thresholds(**null, false_alarm_ratio=part * false_alarm_ratio)
        for part in (1.0, _STRICT_SHARE)
    )
    back = np.empty(count, dtype=np.int64)
    back[order] = np.arange(count)
    return SessionResult(
        strings=scene.strings,
        probability=found.named,
        evidence=evidence,
        threshold=threshold,
        strict=strict,
        flagged=np.asarray((evidence > threshold).any(axis=1)),
        residual=residual[:, back],
        residual_u=np.where(scene.known, np.sqrt(variance), np.nan)[:, back],
        noise=tuple(noise),
        share=share,
        reading_share=scene.reading_share,
    )


def _empty(priors: CausePriors) -> SessionResult:
    nothing = np.zeros((len(CHANNELS), 0))
    return SessionResult(
        strings=np.zeros(0, dtype=np.int64),
        probability=np.zeros((0, len(STRING_CAUSES))),
        evidence=np.zeros((0, len(FAMILIES))),
        threshold=np.full(len(FAMILIES), np.inf),
        strict=np.full(len(FAMILIES), np.inf),
        flagged=np.zeros(0, dtype=np.bool_),
        residual=nothing,
        residual_u=nothing,
        noise=tuple(Noise() for _ in CHANNELS),
        share=cause_shares(priors),
        reading_share=reading_shares(priors),
    )
