"""All readings of a session explained together: shared drift, scatter, and a cause per string."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special, stats

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning._session_kernels import add_forms
from arraywright.commissioning.session_causes import (
    CAUSES,
    CHANNELS,
    READING_CAUSES,
    CausePriors,
    Component,
)
from arraywright.commissioning.session_noise import ChannelFit, Noise, fit_channel

__all__ = ["STRING_CAUSES", "SessionReadings", "SessionResult", "explain_session"]

STRING_CAUSES: Final = (*CAUSES, *READING_CAUSES[1:])
"""What a string can be called: sound, a cause in it, or a cause in its newest reading."""

_ROUNDS: Final = 4
_NULL_DRAWS: Final = 80_000
_NULL_TOGETHER: Final = 20_000
_PERSISTENT: Final = 0.5
"""Share of a reading's own variance that stays when the string is read again; assumption."""
_UNSHIFTED: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionReadings:
    """Readings to be explained together, (n,) or (channels, n), in any order.

    Attributes:
        value: ``ln(measured / expected)`` of ``CHANNELS``, nan where missing, (channels, n).
        own_u: assumed standard uncertainty of each reading's own error, (channels, n).
        time_s: moments [s], (n,).
        string: number of the string, (n,).
        group: readings of one group share instruments and a level, (n,).
    """

    value: FloatArray
    own_u: FloatArray
    time_s: FloatArray
    string: IntArray
    group: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SessionResult:
    """What each string is, with probabilities.

    Attributes:
        strings: numbers of the strings that have readings, rising, (strings,).
        probability: of each of ``STRING_CAUSES``, (strings, causes).
        evidence: logarithm of the odds that something is wrong, (strings,).
        threshold: evidence that a sound string exceeds with the false-alarm ratio allowed.
        flagged: evidence beyond the threshold, (strings,).
        residual: readings less the shared level, (channels, n), in the order given.
        residual_u: standard uncertainty of a sound reading's residual, (channels, n).
        noise: scatter and drift of each channel.
        share: posterior shares of ``CAUSES`` among strings, (causes,).
    """

    strings: IntArray
    probability: FloatArray
    evidence: FloatArray
    threshold: float
    flagged: BoolArray
    residual: FloatArray
    residual_u: FloatArray
    noise: tuple[Noise, ...]
    share: FloatArray

    @property
    def sound_probability(self) -> FloatArray:
        """Probability that string and reading are sound, (strings,)."""
        return self.probability[:, 0]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """Strings of one kind with the forms of their causes."""

    rows: IntArray
    components: tuple[Component, ...]


@dataclass(slots=True, kw_only=True)
class _Scene:
    """Sorted readings and everything that stays the same from round to round."""

    readings: SessionReadings
    known: BoolArray
    string_of: IntArray
    strings: IntArray
    share_of_information: FloatArray
    newest: IntArray
    kinds: tuple[_Kind, ...]
    of_reading: tuple[Component, ...]
    priors: CausePriors


def _cause_shares(priors: CausePriors) -> FloatArray:
    shares = np.array([0.0, *(priors.strings.get(name, 0.0) for name in CAUSES[1:])])
    shares[0] = 1.0 - shares.sum()
    return shares


def _reading_shares(priors: CausePriors) -> FloatArray:
    shares = np.array([0.0, *(priors.readings.get(name, 0.0) for name in READING_CAUSES[1:])])
    shares[0] = 1.0 - shares.sum()
    return shares


def _add(
    out: FloatArray,
    components: Sequence[Component],
    *,
    names: Sequence[str],
    rows: IntArray,
    residual: FloatArray,
    variance: FloatArray,
    known: BoolArray,
    degrees: FloatArray,
) -> None:
    """Add the log densities of forms to ``out[rows, cause]``."""
    alike = [one for one in components if np.ndim(one.shift) == 1]
    own = [one for one in components if np.ndim(one.shift) == 2]
    for forms in (alike, own):
        if not forms:
            continue
        shift = np.stack([one.shift for one in forms])
        add_forms(
            out,
            rows,
            np.array([names.index(one.cause) for one in forms], dtype=np.int64),
            np.log([one.share for one in forms]),
            shift if forms is own else shift[:, :, None],
            np.stack([one.spread for one in forms]) ** 2,
            residual,
            variance,
            known,
            degrees,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Told:
    """Log densities of readings: per cause of string, and per cause of reading, (n, causes)."""

    sound: FloatArray
    wrong: FloatArray


def _densities(
    scene: _Scene,
    residual: FloatArray,
    variance: FloatArray,
    *,
    noise: Sequence[Noise],
    with_typed: bool,
) -> _Told:
    count = residual.shape[1]
    sound = np.full((count, len(CAUSES)), -np.inf)
    wrong = np.full((count, len(READING_CAUSES)), -np.inf)
    parts = {
        "residual": residual,
        "variance": variance,
        "known": scene.known,
        "degrees": np.array([one.degrees for one in noise]),
    }
    for kind in scene.kinds:
        _add(sound, kind.components, names=CAUSES, rows=kind.rows, **parts)
    of_reading = [
        one for one in scene.of_reading[1:] if with_typed or one.cause != "digits-swapped"
    ]
    _add(wrong, of_reading, names=READING_CAUSES, rows=np.arange(count), **parts)
    return _Told(sound=sound, wrong=wrong)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Posterior:
    cause: FloatArray
    reading: FloatArray
    named: FloatArray
    evidence: FloatArray


def _posterior(scene: _Scene, told: _Told, *, share: FloatArray) -> _Posterior:
    """Join readings of a string and both kinds of causes; one row per string."""
    of_reading = _reading_shares(scene.priors)
    with np.errstate(divide="ignore"):
        log_share, log_reading = np.log(share), np.log(of_reading)
    wrong = special.logsumexp(told.wrong[:, 1:] + log_reading[1:], axis=1)
    either = np.logaddexp(told.sound + log_reading[0], wrong[:, None])
    weighted = either * scene.share_of_information[:, None]
    joined = np.zeros((len(scene.strings), len(CAUSES)))
    np.add.at(joined, scene.string_of, weighted)
    joined += log_share
    cause = np.exp(joined - special.logsumexp(joined, axis=1, keepdims=True))
    sound = np.exp(told.sound[:, 0] + log_reading[0] - either[:, 0])
    reading = np.exp(told.wrong + log_reading - either[:, :1])
    reading[:, 0] = sound
    newest = reading[scene.newest]
    named = np.concatenate(
        [cause[:, :1] * newest[:, :1], cause[:, 1:], cause[:, :1] * newest[:, 1:]], axis=1
    )
    good = np.clip(named[:, 0], 1e-300, 1.0)
    wrong_side = np.clip(named[:, 1:].sum(axis=1), 1e-300, 1.0)
    return _Posterior(
        cause=cause, reading=reading, named=named, evidence=np.log(wrong_side) - np.log(good)
    )


def _sound_weight(scene: _Scene, found: _Posterior, channel: int) -> FloatArray:
    """Probability of each reading that this channel of it carries no shift, (n,)."""
    calm = np.zeros((scene.known.shape[1], len(CAUSES)))
    for kind in scene.kinds:
        shares = np.zeros(len(CAUSES))
        for component in kind.components:
            still = abs(float(component.shift[channel])) < _UNSHIFTED
            if still and component.spread[channel] == 0.0:
                shares[CAUSES.index(component.cause)] += component.share
        calm[kind.rows] = shares
    in_string = np.sum(found.cause[scene.string_of] * calm, axis=1)
    return np.asarray(in_string * found.reading[:, 0])


def _fit(
    scene: _Scene, found: _Posterior | None, *, start: Sequence[Noise]
) -> tuple[ChannelFit, ...]:
    readings = scene.readings
    fits = []
    for channel in range(len(CHANNELS)):
        known = scene.known[channel]
        rows = np.flatnonzero(known)
        sound = np.ones(len(rows))
        if found is not None:
            sound = _sound_weight(scene, found, channel)[rows]
        residual = np.full(len(known), np.nan)
        variance = np.full(len(known), 1.0)
        noise = start[channel]
        if len(rows):
            held = fit_channel(
                readings.value[channel, rows],
                own_variance_ratio=readings.own_u[channel, rows] ** 2,
                sound_ratio=sound,
                time_s=readings.time_s[rows],
                group=readings.group[rows],
                start=noise,
            )
            residual[rows], variance[rows], noise = held.residual, held.variance, held.noise
        fits.append(ChannelFit(residual=residual, variance=variance, noise=noise))
    return tuple(fits)


def _scene(
    readings: SessionReadings,
    *,
    kind_of: IntArray,
    components: Sequence[tuple[Component, ...]],
    of_reading: Sequence[Component],
    priors: CausePriors,
) -> _Scene:
    strings, string_of = np.unique(readings.string, return_inverse=True)
    count = np.bincount(string_of, minlength=len(strings)).astype(np.float64)
    effective = count / (1.0 + (count - 1.0) * _PERSISTENT)
    newest = np.zeros(len(strings), dtype=np.int64)
    in_time = np.argsort(readings.time_s, kind="stable")
    newest[string_of[in_time]] = in_time
    return _Scene(
        readings=readings,
        known=np.isfinite(readings.value),
        string_of=string_of.astype(np.int64),
        strings=strings,
        share_of_information=(effective / count)[string_of],
        newest=newest,
        kinds=tuple(
            _Kind(rows=np.flatnonzero(kind_of == number), components=forms)
            for number, forms in enumerate(components)
            if np.any(kind_of == number)
        ),
        of_reading=tuple(of_reading),
        priors=priors,
    )


def _sorted_readings(readings: SessionReadings, order: IntArray) -> SessionReadings:
    return SessionReadings(
        value=readings.value[:, order],
        own_u=readings.own_u[:, order],
        time_s=readings.time_s[order],
        string=readings.string[order],
        group=readings.group[order],
    )


def _sorted_components(of_reading: Sequence[Component], order: IntArray) -> list[Component]:
    return [
        one
        if np.ndim(one.shift) == 1
        else Component(
            cause=one.cause, share=one.share, shift=one.shift[:, order], spread=one.spread
        )
        for one in of_reading
    ]


def _null_evidence(
    scene: _Scene,
    fits: Sequence[ChannelFit],
    *,
    share: FloatArray,
    seed: int,
) -> FloatArray:
    """Evidence of strings that are sound, drawn from the scatter found, with the same readings."""
    rng = np.random.default_rng(seed)
    copies = max(1, _NULL_TOGETHER // max(scene.known.shape[1], 1))
    many = _copied(scene, copies)
    noise = [fit.noise for fit in fits]
    variance = np.tile(np.stack([fit.variance for fit in fits]), copies)
    wanted = int(np.clip(20 * len(scene.strings), _NULL_DRAWS // 4, _NULL_DRAWS))
    drawn: list[FloatArray] = []
    while sum(len(one) for one in drawn) < wanted:
        residual = np.stack(
            [stats.t.rvs(one.degrees, size=variance.shape[1], random_state=rng) for one in noise]
        ) * np.sqrt(variance)
        told = _densities(many, residual, variance, noise=noise, with_typed=False)
        drawn.append(_posterior(many, told, share=share).evidence)
    return np.concatenate(drawn)


def _copied(scene: _Scene, copies: int) -> _Scene:
    """Put copies of a scene side by side, so that a small one is drawn many times at once."""
    readings, strings = scene.known.shape[1], len(scene.strings)
    shift = np.arange(copies)
    by_reading, by_string = shift * readings, shift * strings
    return _Scene(
        readings=scene.readings,
        known=np.tile(scene.known, copies),
        string_of=(scene.string_of + by_string[:, None]).ravel(),
        strings=np.arange(strings * copies),
        share_of_information=np.tile(scene.share_of_information, copies),
        newest=(scene.newest + by_reading[:, None]).ravel(),
        kinds=tuple(
            _Kind(rows=(kind.rows + by_reading[:, None]).ravel(), components=kind.components)
            for kind in scene.kinds
        ),
        of_reading=tuple(_repeated(one, copies) for one in scene.of_reading),
        priors=scene.priors,
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

    A string is flagged when the evidence (log odds against sound) exceeds what sound strings,
    drawn with the scatter found, exceed with the false-alarm ratio.

    Args:
        readings: the readings.
        kind_of: kind of string of each reading, (n,), a number into ``components``.
        components: forms of causes of each kind (``string_components``).
        of_reading: forms of causes in readings (``reading_components``), the readings' order.
        priors: shares of causes before the session.
        false_alarm_ratio: share of sound strings that may be flagged [1].
        seed: of the draws that set the threshold.

    Source: dempster-laird-rubin-1977; durbin-koopman-2012; lange-1989
    """
    count = len(readings.time_s)
    if count == 0:
        return _empty(priors)
    order = np.lexsort((readings.time_s, readings.group))
    scene = _scene(
        _sorted_readings(readings, order),
        kind_of=kind_of[order],
        components=components,
        of_reading=_sorted_components(of_reading, order),
        priors=priors,
    )
    prior_share = _cause_shares(priors)
    share = prior_share
    noise = [Noise() for _ in CHANNELS]
    fits = _fit(scene, None, start=noise)
    found = None
    for _ in range(_ROUNDS):
        noise = [fit.noise for fit in fits]
        residual = np.stack([fit.residual for fit in fits])
        variance = np.stack([fit.variance for fit in fits])
        told = _densities(scene, residual, variance, noise=noise, with_typed=True)
        found = _posterior(scene, told, share=share)
        share = priors.weight_strings * prior_share + found.cause.sum(axis=0)
        share = share / share.sum()
        fits = _fit(scene, found, start=noise)
    residual = np.stack([fit.residual for fit in fits])
    variance = np.stack([fit.variance for fit in fits])
    noise = [fit.noise for fit in fits]
    told = _densities(scene, residual, variance, noise=noise, with_typed=True)
    found = _posterior(scene, told, share=share)
    sound = _null_evidence(scene, fits, share=share, seed=seed)
    threshold = float(np.quantile(sound, 1.0 - false_alarm_ratio))
    back = np.empty(count, dtype=np.int64)
    back[order] = np.arange(count)
    return SessionResult(
        strings=scene.strings,
        probability=found.named,
        evidence=found.evidence,
        threshold=threshold,
        flagged=found.evidence > threshold,
        residual=residual[:, back],
        residual_u=np.where(scene.known, np.sqrt(variance), np.nan)[:, back],
        noise=tuple(noise),
        share=share,
    )


def _empty(priors: CausePriors) -> SessionResult:
    nothing = np.zeros((len(CHANNELS), 0))
    return SessionResult(
        strings=np.zeros(0, dtype=np.int64),
        probability=np.zeros((0, len(STRING_CAUSES))),
        evidence=np.zeros(0),
        threshold=np.inf,
        flagged=np.zeros(0, dtype=np.bool_),
        residual=nothing,
        residual_u=nothing,
        noise=tuple(Noise() for _ in CHANNELS),
        share=_cause_shares(priors),
    )
