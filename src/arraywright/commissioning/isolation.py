"""Where in a suspect string the fault is: which connector to open next, and what to read there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError

__all__ = [
    "EVERYWHERE",
    "ISOLATION_CAUTION",
    "NextOpening",
    "PartReading",
    "StringIsolation",
    "begin_isolation",
    "found_module",
    "next_opening",
    "observe",
]

ISOLATION_CAUTION: Final = (
    "The string must carry no current: switch the inverter input off, open the string's "
    "disconnector, prove with a clamp meter that nothing flows, then open one connector, never "
    "under load. Both open ends stay live at up to the whole string's voltage as long as there is "
    "light: cover and keep them apart, measure with a meter and gloves rated for the string, close "
    "the connector again before the next is opened. Work for a licensed electrician; local codes "
    "and the maker's instructions decide."
)

_LOST_MODULES: Final[dict[str, tuple[float, ...]]] = {
    "bypass-diode-shorted": (1.0, 2.0),
    "substring-open": (1.0, 2.0),
}
"""Sub-strings lost by a cause that sits in one module."""
_WHOLE_MODULES: Final = {"module-missing": 1.0, "module-surplus": -1.0, "module-reversed": 2.0}
_ONE_SUBSTRING: Final = 0.8
EVERYWHERE: Final = ("wrong-class", "wrong-type", "shade-or-soiling", "shunt-low")
"""Causes of the whole string, which no opening locates."""
_EVERYWHERE_SPREAD: Final = 0.02
_METER_RATIO: Final = 0.0005
_MODULE_SCATTER_RATIO: Final = 0.002
_COMMON_SCATTER_RATIO: Final = 0.004
_OPENING_MIN: Final = 4.0
_WALK_MIN: Final = 0.02
_FOUND: Final = 0.95
_LEAST_BITS: Final = 0.02
_PLACES_TRIED: Final = 9
_LEAST_V: Final = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class StringIsolation:
    """What is known about where the fault of a string sits.

    Hypotheses are pairs of a form of a cause and a module; a cause that is everywhere in the
    string or nowhere has the module -1.

    Attributes:
        module_v: Voc of each module at the moment, from the positive end, (modules,) [V].
        cause: name of the cause of each hypothesis, (hypotheses,).
        lost_ratio: share of one module's voltage it loses, (hypotheses,).
        module: module it sits in, counted from 0 at the positive end, -1 for none, (hypotheses,).
        probability: of each hypothesis, (hypotheses,).
        at: connector opened last, as modules on its positive side.
        openings: connectors opened so far.
    """

    module_v: FloatArray
    cause: tuple[str, ...]
    lost_ratio: FloatArray
    module: IntArray
    probability: FloatArray
    at: int = 0
    openings: int = 0

    def module_probability(self) -> FloatArray:
        """Probability that the fault sits in each module [1], (modules,)."""
        out = np.zeros(len(self.module_v))
        held = self.module >= 0
        np.add.at(out, self.module[held], self.probability[held])
        return out

    def cause_probability(self) -> dict[str, float]:
        """Probability of each cause [1], wherever it sits."""
        out: dict[str, float] = {}
        for name, value in zip(self.cause, self.probability.tolist(), strict=True):
            out[name] = out.get(name, 0.0) + value
        return out


@dataclass(frozen=True, slots=True, kw_only=True)
class PartReading:
    """What the two parts of an opened string should read for one cause.

    Attributes:
        cause: name of the cause; ``none`` for a sound string.
        in_first_part: whether the fault is then on the positive side.
        first_v: what the part on the positive side should read [V].
        rest_v: what the other part should read [V].
        probability: that it is so [1].
    """

    cause: str
    in_first_part: bool
    first_v: float
    rest_v: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextOpening:
    """The connector to open next.

    Attributes:
        after_module: modules on its positive side; it joins this module to the next.
        information_bits: what its two readings are expected to tell.
        minutes: how long opening, measuring and the walk there take [min].
        uncertainty_v: standard uncertainty of the reading on the positive side [V].
        readings: what the parts should read for each cause, the likeliest first.
        caution: to be shown before anything is opened.
    """

    after_module: int
    information_bits: float
    minutes: float
    uncertainty_v: float
    readings: tuple[PartReading, ...]
    caution: str = ISOLATION_CAUTION


def begin_isolation(
    module_v: FloatArray, *, causes: Mapping[str, float], bypass_substrings: int
) -> StringIsolation:
    """Say what is known before any connector is opened: every module alike.

    Args:
        module_v: Voc of each module at irradiance and temperature of the moment, from the
            positive end, (modules,).
        causes: probability of each cause of the string, ``none`` among them.
        bypass_substrings: sub-strings with a bypass diode in one module.

    Raises:
        CallError: fewer than two modules, or no cause that is possible.

    Source: common-practice
    """
    count = len(module_v)
    if count < 2:
        raise CallError(
            "string-too-short",
            f"The string has {count} modules; two or more can be told apart by opening it.",
            "Measure the module alone.",
        )
    forms: list[tuple[str, float, int, float]] = []
    for name, chance in causes.items():
        if not chance > 0.0:
            continue
        if name in _LOST_MODULES:
            parts = [k for k in _LOST_MODULES[name] if k < max(bypass_substrings, 2)]
            shares = [_ONE_SUBSTRING, 1.0 - _ONE_SUBSTRING][: len(parts)]
            for lost, share in zip(parts, shares, strict=True):
                size = lost / max(bypass_substrings, 2)
                held = chance * share / sum(shares) / count
                forms += [(name, size, place, held) for place in range(count)]
        elif name in _WHOLE_MODULES:
            size = _WHOLE_MODULES[name]
            forms += [(name, size, place, chance / count) for place in range(count)]
        elif name in EVERYWHERE or name == "none":
            forms.append((name, 0.0, -1, chance))
    total = sum(one[3] for one in forms)
    if total <= 0.0:
        raise CallError(
            "cause-unknown",
            f"None of the causes {', '.join(causes) or '(none)'} can be looked for by opening.",
            "Give the probabilities of causes that lie in the string.",
        )
    return StringIsolation(
        module_v=np.asarray(module_v, dtype=np.float64),
        cause=tuple(one[0] for one in forms),
        lost_ratio=np.array([one[1] for one in forms]),
        module=np.array([one[2] for one in forms], dtype=np.int64),
        probability=np.array([one[3] for one in forms]) / total,
    )


def _expected(state: StringIsolation, after_module: int) -> FloatArray:
    """Readings of both parts for every hypothesis [V], (hypotheses, 2)."""
    first = state.module_v[:after_module].sum()
    rest = state.module_v[after_module:].sum()
    lost = np.where(
        state.module >= 0, state.lost_ratio * state.module_v[np.maximum(state.module, 0)], 0.0
    )
    before = (state.module >= 0) & (state.module < after_module)
    return np.stack([first - lost * before, rest - lost * ((state.module >= 0) & ~before)], axis=1)


def _spread(
    state: StringIsolation, after_module: int, *, common_u_ratio: float = _COMMON_SCATTER_RATIO
) -> FloatArray:
    """Covariance of the logarithms of both readings of every hypothesis, (hypotheses, 2, 2).

    A common error (light and temperature of the string, instruments), one of each part
    (temperatures of its modules, meter), and for causes that lower the whole string how much they
    may lower it.
    """
    count = len(state.module_v)
    modules = np.array([after_module, count - after_module], dtype=np.float64)
    own = _METER_RATIO**2 + _MODULE_SCATTER_RATIO**2 / modules
    out = np.tile(np.diag(own) + common_u_ratio**2, (len(state.cause), 1, 1))
    wide = np.array([name in EVERYWHERE for name in state.cause])
    out[wide] += _EVERYWHERE_SPREAD**2
    return np.asarray(out)


def _classes(
    state: StringIsolation, after_module: int
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hypotheses that read alike, joined: probability, mean logarithm, covariance."""
    mean = np.log(np.maximum(_expected(state, after_module), _LEAST_V))
    spread = _spread(state, after_module)
    side = np.where(state.module < 0, 0, np.where(state.module < after_module, 1, 2))
    wide = np.array([name in EVERYWHERE for name in state.cause])
    keys = 6 * np.round(1e4 * state.lost_ratio).astype(np.int64) + 2 * side + wide
    _, first, inverse = np.unique(keys, return_index=True, return_inverse=True)
    chance = np.zeros(len(first))
    np.add.at(chance, inverse, state.probability)
    return chance, mean[first], spread[first]


def _information_bits(state: StringIsolation, after_module: int) -> float:
    """Bits the two readings tell about the hypotheses: pairwise bound on a mixture's entropy.

    ``I >= -sum_i p_i ln sum_j p_j exp(-B_ij)`` with Bhattacharyya distances between the normal
    densities of the readings.

    Source: kolchinsky-tracey-2017 (lower bound)
    """
    chance, mean, spread = _classes(state, after_module)
    middle = 0.5 * (spread[:, None] + spread[None, :])
    apart = mean[:, None] - mean[None, :]
    solved = np.linalg.solve(middle, apart[..., None])[..., 0]
    log_size = np.log(np.linalg.det(spread))
    distance = 0.125 * np.sum(apart * solved, axis=-1)
    distance += 0.5 * (
        np.log(np.linalg.det(middle)) - 0.5 * (log_size[:, None] + log_size[None, :])
    )
    mixed = np.exp(-distance) @ chance
    told = chance > 0.0
    return float(max(-np.sum(chance[told] * np.log(mixed[told])) / np.log(2.0), 0.0))


def next_opening(state: StringIsolation) -> NextOpening | None:
    """Choose the connector that tells most per minute; None when opening tells no more.

    Looked at are the connectors that come nearest to halving the probability of the modules.
    The time is that of isolating, opening, measuring both parts and closing, and of the walk
    from the connector opened last; both are assumptions. Opening tells no more when the fault's
    module is known (19 in 20) or when no connector is expected to tell anything.

    Source: common-practice; kolchinsky-tracey-2017
    """
    if found_module(state) is not None:
        return None
    before = np.cumsum(state.module_probability())[:-1]
    middle = np.argsort(np.abs(before - 0.5 * (before[-1] + state.module_probability()[-1])))
    places = np.sort(middle[:_PLACES_TRIED]) + 1
    bits = np.array([_information_bits(state, int(place)) for place in places])
    minutes = _OPENING_MIN + _WALK_MIN * np.abs(places - state.at)
    best = int(np.argmax(bits / minutes))
    if bits[best] < _LEAST_BITS:
        return None
    place = int(places[best])
    first = float(state.module_v[:place].sum())
    return NextOpening(
        after_module=place,
        information_bits=float(bits[best]),
        minutes=float(minutes[best]),
        uncertainty_v=first * float(np.sqrt(_spread(state, place)[0, 0, 0])),
        readings=_parts(state, place),
    )


def _parts(state: StringIsolation, place: int) -> tuple[PartReading, ...]:
    expected = _expected(state, place)
    held: dict[tuple[str, float, bool], list[int]] = {}
    for row, name in enumerate(state.cause):
        inside = bool(0 <= state.module[row] < place)
        held.setdefault((name, float(state.lost_ratio[row]), inside), []).append(row)
    out = []
    for (name, _, inside), rows in held.items():
        weight = state.probability[rows]
        if weight.sum() <= 0.0:
            continue
        first, rest = np.average(expected[rows], axis=0, weights=weight)
        out.append(
            PartReading(
                cause=name,
                in_first_part=inside,
                first_v=float(first),
                rest_v=float(rest),
                probability=float(weight.sum()),
            )
        )
    return tuple(sorted(out, key=lambda one: -one.probability))


def observe(
    state: StringIsolation,
    *,
    after_module: int,
    first_v: float,
    rest_v: float,
    common_u_ratio: float = _COMMON_SCATTER_RATIO,
) -> StringIsolation:
    """Learn from the readings of both parts of an opened string.

    Args:
        state: what was known.
        after_module: modules on the positive side of the opened connector.
        first_v: reading of the part on the positive side, signed.
        rest_v: reading of the other part, signed.
        common_u_ratio: standard uncertainty of what both readings have in common [1]: light and
            temperature beside those of ``module_v``. Wide, and only their difference tells.

    Raises:
        CallError: the connector is none within the string, or a reading is not positive.

    Source: common-practice (Bayes' rule)
    """
    count = len(state.module_v)
    if not 0 < after_module < count:
        raise CallError(
            "connector-unknown",
            f"There is no connector after module {after_module} of {count} within the string.",
            f"Give a number from 1 to {count - 1}.",
        )
    if not np.isfinite(first_v + rest_v) or max(first_v, rest_v) <= 0.0:
        raise CallError(
            "reading-impossible",
            f"The parts read {first_v} V and {rest_v} V.",
            "Give both readings, signed; with both at zero or below the meter was not connected "
            "or its leads were reversed.",
        )
    mean = np.log(np.maximum(_expected(state, after_module), _LEAST_V))
    spread = _spread(state, after_module, common_u_ratio=common_u_ratio)
    away = np.log(np.maximum(np.array([first_v, rest_v]), _LEAST_V)) - mean
    solved = np.linalg.solve(spread, away[..., None])[..., 0]
    log_density = -0.5 * (np.sum(away * solved, axis=1) + np.log(np.linalg.det(spread)))
    with np.errstate(divide="ignore"):
        posterior = np.log(state.probability) + log_density
    return replace(
        state,
        probability=np.exp(posterior - special.logsumexp(posterior)),
        at=after_module,
        openings=state.openings + 1,
    )


def found_module(state: StringIsolation) -> int | None:
    """Module the fault sits in, counted from 1 at the positive end; None while not known."""
    held = state.module_probability()
    best = int(held.argmax())
    return best + 1 if held[best] >= _FOUND else None
