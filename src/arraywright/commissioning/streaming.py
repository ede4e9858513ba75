"""Readings one by one: the last string's answer at once, earlier ones corrected as drift shows."""

from __future__ import annotations

from bisect import insort
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning._session_scene import (
    SessionReadings,
    cause_shares,
    densities,
    posterior,
    reading_shares,
    scene_of,
    sound_weight,
)
from arraywright.commissioning.budget import (
    FAMILIES,
    SHARE_OF_BUDGET,
    STRING_CAUSES,
    family_evidence,
    session_verdicts,
)
from arraywright.commissioning.session_causes import (
    CAUSES,
    CHANNELS,
    CausePriors,
    Component,
    reading_components,
)
from arraywright.commissioning.session_model import SessionResult, explain_session
from arraywright.commissioning.session_noise import Noise, level_of, sloped
from arraywright.commissioning.standard import NOT_ASSESSABLE
from arraywright.errors import CallError

__all__ = ["SessionStream", "StreamAnswer", "StreamReading"]

_CORRECTED_MOST: Final = 48
"""Earlier strings corrected with one reading; what is left over waits for the next."""
_MOVED_SIGMAS: Final = 0.03
_STRICT_SHARE: Final = 0.1
_ROOM: Final = 256


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamReading:
    """One reading as it comes.

    Attributes:
        string: number of the string.
        time_s: moment [s].
        value: ``ln(measured / expected)`` of ``CHANNELS``, nan where missing, (channels,).
        own_u: assumed standard uncertainty of its own error, (channels,).
        group: readings of one group share instruments and a level.
        kind: kind of string, a number into the stream's components.
        voc_v: measured Voc, nan where none [V].
        isc_a: measured Isc, nan where none [A].
        expected_voc_v: expected Voc [V].
        light: what the expected value may err with, see ``SessionReadings``, (k,).
    """

    string: int
    time_s: float
    value: FloatArray
    own_u: FloatArray
    group: int
    kind: int
    voc_v: float
    isc_a: float
    expected_voc_v: float
    light: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class StreamAnswer:
    """What is said after a reading, the string just read first.

    Attributes:
        strings: the string just read, then earlier ones whose answer was corrected, (strings,).
        probability: of each of ``STRING_CAUSES``, (strings, causes).
        verdict: verdict number of each, (strings,).
        voc_v: Voc the other readings let expect, nan without a voltage, (strings,) [V].
        voc_u_v: its standard uncertainty, (strings,) [V].
        settled: readings the scatter, the drift and the limits were found from.
    """

    strings: IntArray
    probability: FloatArray
    verdict: IntArray
    voc_v: FloatArray
    voc_u_v: FloatArray
    settled: int


class SessionStream:
    """A session that grows reading by reading.

    ``add`` answers at once with scatter, drift, shares and limits as last found by ``settle``;
    before that with the assumed ones and a limit that no scatter of that kind can exceed oftener
    than allowed (a likelihood ratio of sound readings exceeds c in one of c cases at most).
    ``settle`` finds them anew from everything read so far and gives what ``explain_session``
    gives for the same readings: call it in a pause, and at the end.
    """

    def __init__(
        self,
        *,
        components: Sequence[tuple[Component, ...]],
        modules: Sequence[int],
        priors: CausePriors,
        false_alarm_ratio: float,
        level_ratio: Sequence[float] = (),
        seed: int = 1,
    ) -> None:
        """Begin a session.

        Args:
            components: forms of causes of each kind of string (``string_components``).
            modules: modules of each kind of string.
            priors: shares of causes before the session.
            false_alarm_ratio: share of sound strings that may be called [1].
            level_ratio: logarithms of expected Voc a label could be mistaken among.
            seed: of the draws that set the limits.
        """
        self._components, self._modules = tuple(components), np.array(modules, dtype=np.int64)
        self._priors, self._ratio, self._seed = priors, false_alarm_ratio, seed
        self._levels = tuple(level_ratio)
        self._count = self._settled = 0
        self._floats = np.full((4 * len(CHANNELS) + 4, 0), np.nan)
        self._whole = np.zeros((3, 0), dtype=np.int64)
        self._light = np.zeros((0, 0))
        self._weight = np.zeros((len(CHANNELS), 0))
        self._variance = np.ones((len(CHANNELS), 0))
        self._of_group: dict[int, list[tuple[float, int]]] = {}
        self._of_string: dict[int, list[int]] = {}
        self._noise = [Noise() for _ in CHANNELS]
        self._share, self._reading_share = cause_shares(priors), reading_shares(priors)
        self._threshold, self._strict = (
            self._first_limits(part * false_alarm_ratio) for part in (1.0, _STRICT_SHARE)
        )

    @property
    def readings(self) -> int:
        """Readings taken so far."""
        return self._count

    def add(self, reading: StreamReading) -> StreamAnswer:
        """Take a reading and answer for its string, and for earlier ones that changed by it.

        Raises:
            CallError: the kind of string is not one of those the session began with.
        """
        if not 0 <= reading.kind < len(self._components):
            raise CallError(
                "string-kind-unknown",
                f"The reading is of kind {reading.kind}, the session knows "
                f"{len(self._components)} kinds.",
                "Begin the session with the components of every kind of string.",
            )
        row = self._append(reading)
        rows = np.array([at for _, at in self._of_group[reading.group]], dtype=np.int64)
        self._level(rows)
        moved = self._moved(rows)
        picked = [row, *[at for at in moved.tolist() if at != row][:_CORRECTED_MOST]]
        strings = list(dict.fromkeys(self._whole[0, picked].tolist()))
        return self._answer(strings)

    def settle(self) -> SessionResult:
        """Explain everything read so far anew; what follows rests on it."""
        count = self._count
        result = explain_session(
            self._readings(np.arange(count)),
            kind_of=self._whole[2, :count],
            components=self._components,
            of_reading=self._of_reading(np.arange(count)),
            priors=self._priors,
            false_alarm_ratio=self._ratio,
            seed=self._seed,
        )
        self._noise, self._share = list(result.noise), result.share
        self._reading_share = result.reading_share
        self._threshold, self._strict = result.threshold, result.strict
        self._settled = count
        place = np.searchsorted(result.strings, self._whole[0, :count])
        sound = result.probability[place, 0]
        for channel, noise in enumerate(self._noise):
            z = np.nan_to_num(result.residual[channel] / result.residual_u[channel])
            robust = (noise.degrees + 1.0) / (noise.degrees + z**2)
            self._weight[channel, :count] = sound * robust
        self._told[:, :count] = self._residual[:, :count] = result.residual
        self._variance[:, :count] = np.where(
            np.isfinite(result.residual_u), result.residual_u**2, 1.0
        )
        return result

    @property
    def _value(self) -> FloatArray:
        return self._floats[: len(CHANNELS)]

    @property
    def _own(self) -> FloatArray:
        return self._floats[len(CHANNELS) : 2 * len(CHANNELS)]

    @property
    def _residual(self) -> FloatArray:
        return self._floats[2 * len(CHANNELS) : 3 * len(CHANNELS)]

    @property
    def _told(self) -> FloatArray:
        """Residuals as they were when their string was last answered for."""
        return self._floats[3 * len(CHANNELS) : 4 * len(CHANNELS)]

    @property
    def _rest(self) -> FloatArray:
        """Time, measured Voc and Isc, expected Voc."""
        return self._floats[4 * len(CHANNELS) :]

    def _append(self, reading: StreamReading) -> int:
        row = self._count
        if row == self._floats.shape[1]:
            room = max(_ROOM, row)
            self._floats = np.pad(self._floats, ((0, 0), (0, room)), constant_values=np.nan)
            self._whole = np.pad(self._whole, ((0, 0), (0, room)))
            # a reading shapes no level before it was itself held against the others
            self._weight = np.pad(self._weight, ((0, 0), (0, room)))
            self._variance = np.pad(self._variance, ((0, 0), (0, room)), constant_values=1.0)
            light = np.full((len(reading.light), row + room), np.nan)
            if row:
                light[:, :row] = self._light[:, :row]
            self._light = light
        self._value[:, row], self._own[:, row] = reading.value, reading.own_u
        self._rest[:, row] = (
            reading.time_s,
            reading.voc_v,
            reading.isc_a,
            reading.expected_voc_v,
        )
        self._whole[:, row] = reading.string, reading.group, reading.kind
        self._light[:, row] = reading.light
        insort(self._of_group.setdefault(reading.group, []), (reading.time_s, row))
        self._of_string.setdefault(reading.string, []).append(row)
        self._count += 1
        return row

    def _level(self, rows: IntArray) -> None:
        """Residuals of a group's readings, sorted by time, with the noise as last found."""
        light = self._light[:, rows]
        with np.errstate(invalid="ignore"):
            middle = np.nanmedian(light, axis=1, keepdims=True) if len(light) else light
        light = np.nan_to_num(light - middle)
        for channel, noise in enumerate(self._noise):
            held = np.isfinite(self._value[channel, rows])
            at = rows[held]
            if len(at) == 0:
                continue
            fit = level_of(
                self._value[channel, at] - sloped(noise, light[:, held]),
                own_variance_ratio=self._own[channel, at] ** 2,
                weight_ratio=self._weight[channel, at],
                time_s=self._rest[0, at],
                group=np.zeros(len(at), dtype=np.int64),
                noise=noise,
            )
            self._residual[channel, at] = fit.residual
            self._variance[channel, at] = fit.variance

    def _moved(self, rows: IntArray) -> IntArray:
        """Readings whose residual moved since their string was answered for, the most first."""
        change = np.abs(self._residual[:, rows] - self._told[:, rows])
        far = np.nan_to_num(change / np.sqrt(self._variance[:, rows])).max(axis=0)
        order = np.argsort(-far, kind="stable")
        return np.asarray(rows[order[far[order] > _MOVED_SIGMAS]])

    def _readings(self, rows: IntArray) -> SessionReadings:
        return SessionReadings(
            value=self._value[:, rows],
            own_u=self._own[:, rows],
            time_s=self._rest[0, rows],
            string=self._whole[0, rows],
            group=self._whole[1, rows],
            light=self._light[:, rows],
        )

    def _of_reading(self, rows: IntArray) -> tuple[Component, ...]:
        return reading_components(
            voc_v=self._rest[1, rows],
            isc_a=self._rest[2, rows],
            expected_voc_v=self._rest[3, rows],
            level_ratio=self._levels,
        )

    def _answer(self, strings: list[int]) -> StreamAnswer:
        """Explain some strings from all their readings."""
        rows = np.array([at for one in strings for at in self._of_string[one]], dtype=np.int64)
        scene = scene_of(
            self._readings(rows),
            kind_of=self._whole[2, rows],
            components=self._components,
            of_reading=self._of_reading(rows),
            priors=self._priors,
        )
        residual, variance = self._residual[:, rows], self._variance[:, rows]
        scene.reading_share = self._reading_share
        told = densities(scene, residual, variance, noise=self._noise, with_typed=True)
        found = posterior(scene, told, share=self._share)
        for channel, noise in enumerate(self._noise):
            z = np.nan_to_num(residual[channel]) / np.sqrt(variance[channel])
            robust = (noise.degrees + 1.0) / (noise.degrees + z**2)
            self._weight[channel, rows] = sound_weight(scene, found, channel) * robust
        self._told[:, rows] = residual
        place = np.searchsorted(scene.strings, strings)
        probability = found.named[place]
        voc, voc_u = self._expected_voc(strings)
        kinds = np.array([self._whole[2, self._of_string[one][-1]] for one in strings])
        known = np.isfinite(voc_u)
        verdict = session_verdicts(
            family_evidence(probability),
            threshold_ratio=self._threshold,
            strict_ratio=self._strict,
            probability_ratio=probability,
            voltage_u_ratio=np.where(known, voc_u / voc, np.nan),
            modules=self._modules[kinds],
        )
        return StreamAnswer(
            strings=np.array(strings, dtype=np.int64),
            probability=probability,
            verdict=np.where(known, verdict, np.maximum(verdict, NOT_ASSESSABLE)),
            voc_v=voc,
            voc_u_v=voc_u,
            settled=self._settled,
        )

    def _expected_voc(self, strings: list[int]) -> tuple[FloatArray, FloatArray]:
        """Voc the other readings let expect at the newest voltage of each string, with its u."""
        voc, voc_u = np.full(len(strings), np.nan), np.full(len(strings), np.nan)
        for place, one in enumerate(strings):
            rows = [at for at in self._of_string[one] if np.isfinite(self._value[0, at])]
            if rows:
                at = max(rows, key=lambda row: (self._rest[0, row], row))
                voc[place] = self._rest[1, at] * np.exp(-self._residual[0, at])
                voc_u[place] = voc[place] * np.sqrt(self._variance[0, at])
        return voc, voc_u

    def _first_limits(self, ratio: float) -> FloatArray:
        """Evidence that sound readings exceed with a ratio at most, from the priors alone."""
        limits = np.empty(len(FAMILIES))
        shares = dict(zip(CAUSES, self._share.tolist(), strict=True))
        for place, (family, names) in enumerate(FAMILIES.items()):
            prior = sum(shares.get(name, 0.0) for name in names if name in STRING_CAUSES)
            odds = np.log(max(prior, 1e-12) / shares["none"])
            limits[place] = odds - np.log(SHARE_OF_BUDGET[family] * ratio)
        return limits
