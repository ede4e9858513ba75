"""Readings of a session in order, with the forms of causes, and what each cause makes of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning._session_kernels import add_forms
from arraywright.commissioning.session_causes import (
    CAUSES,
    READING_CAUSES,
    CausePriors,
    Component,
)
from arraywright.commissioning.session_noise import Noise

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
        light: what the expected value may err with, nan where unknown, (k, n): the logarithm of
            the irradiance, and of the irradiance of the last minutes over that of the moment.
    """

    value: FloatArray
    own_u: FloatArray
    time_s: FloatArray
    string: IntArray
    group: IntArray
    light: FloatArray | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """Strings of one kind with the forms of their causes."""

    rows: IntArray
    components: tuple[Component, ...]


@dataclass(slots=True, kw_only=True)
class Scene:
    """Sorted readings and everything that stays the same from round to round."""

    readings: SessionReadings
    known: BoolArray
    string_of: IntArray
    strings: IntArray
    share_of_information: FloatArray
    newest: IntArray
    kinds: tuple[Kind, ...]
    of_reading: tuple[Component, ...]
    priors: CausePriors
    light: FloatArray
    reading_share: FloatArray


def cause_shares(priors: CausePriors) -> FloatArray:
    shares = np.array([0.0, *(priors.strings.get(name, 0.0) for name in CAUSES[1:])])
    shares[0] = 1.0 - shares.sum()
    return shares


def reading_shares(priors: CausePriors) -> FloatArray:
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
class Told:
    """Log densities of readings: per cause of string, and per cause of reading, (n, causes)."""

    sound: FloatArray
    wrong: FloatArray


def densities(
    scene: Scene,
    residual: FloatArray,
    variance: FloatArray,
    *,
    noise: Sequence[Noise],
    with_typed: bool,
) -> Told:
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
    return Told(sound=sound, wrong=wrong)


@dataclass(frozen=True, slots=True, kw_only=True)
class Posterior:
    cause: FloatArray
    reading: FloatArray
    named: FloatArray


def posterior(scene: Scene, told: Told, *, share: FloatArray) -> Posterior:
    """Join readings of a string and both kinds of causes; one row per string."""
    of_reading = scene.reading_share
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
    return Posterior(cause=cause, reading=reading, named=named)


def scene_of(
    readings: SessionReadings,
    *,
    kind_of: IntArray,
    components: Sequence[tuple[Component, ...]],
    of_reading: Sequence[Component],
    priors: CausePriors,
) -> Scene:
    strings, string_of = np.unique(readings.string, return_inverse=True)
    count = np.bincount(string_of, minlength=len(strings)).astype(np.float64)
    effective = count / (1.0 + (count - 1.0) * _PERSISTENT)
    newest = np.zeros(len(strings), dtype=np.int64)
    in_time = np.argsort(readings.time_s, kind="stable")
    newest[string_of[in_time]] = in_time
    return Scene(
        readings=readings,
        known=np.isfinite(readings.value),
        string_of=string_of.astype(np.int64),
        strings=strings,
        share_of_information=(effective / count)[string_of],
        newest=newest,
        kinds=tuple(
            Kind(rows=np.flatnonzero(kind_of == number), components=forms)
            for number, forms in enumerate(components)
            if np.any(kind_of == number)
        ),
        of_reading=tuple(of_reading),
        priors=priors,
        light=_light(readings),
        reading_share=reading_shares(priors),
    )


def _light(readings: SessionReadings) -> FloatArray:
    """What the expected value may err with about the middle of each group, 0 unknown, (k, n)."""
    count = len(readings.time_s)
    if readings.light is None:
        return np.zeros((0, count))
    out = np.zeros(readings.light.shape)
    starts = np.flatnonzero(np.diff(readings.group, prepend=readings.group[0] - 1)).tolist()
    for start, stop in zip(starts, [*starts[1:], count], strict=True):
        for row, held in enumerate(readings.light[:, start:stop]):
            if np.isfinite(held).any():
                out[row, start:stop] = np.nan_to_num(held - np.nanmedian(held))
    return out


def sorted_readings(readings: SessionReadings, order: IntArray) -> SessionReadings:
    return SessionReadings(
        value=readings.value[:, order],
        own_u=readings.own_u[:, order],
        time_s=readings.time_s[order],
        string=readings.string[order],
        group=readings.group[order],
        light=None if readings.light is None else readings.light[:, order],
    )


def sorted_components(of_reading: Sequence[Component], order: IntArray) -> list[Component]:
    return [
        one
        if np.ndim(one.shift) == 1
        else Component(
            cause=one.cause, share=one.share, shift=one.shift[:, order], spread=one.spread
        )
        for one in of_reading
    ]


def sound_weight(scene: Scene, found: Posterior, channel: int) -> FloatArray:
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
