"""False alarms allowed over a whole site, and the evidence a string must show to be called."""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy import stats

from arraywright.arrays import FloatArray, IntArray
from arraywright.commissioning.session_causes import CAUSES, READING_CAUSES
from arraywright.commissioning.standard import FAIL, NOT_ASSESSABLE, PASS, REVIEW
from arraywright.plant import Commissioning

__all__ = [
    "FAMILIES",
    "SHARE_OF_BUDGET",
    "STRING_CAUSES",
    "budget_ratio",
    "evidence_thresholds",
    "family_evidence",
    "session_verdicts",
]

STRING_CAUSES: Final = (*CAUSES, *READING_CAUSES[1:])
"""What a string can be called: sound, a cause in it, or a cause in its newest reading."""

FAMILIES: Final[dict[str, tuple[str, ...]]] = {
    "voltage": (
        "bypass-diode-shorted",
        "module-missing",
        "module-surplus",
        "module-reversed",
        "substring-open",
    ),
    "other": (
        "wrong-class",
        "wrong-type",
        "shade-or-soiling",
        "series-resistance-high",
        "shunt-low",
    ),
}
"""Causes in a string by what they show in; each family has evidence and a threshold of its own.
Those of the voltage leave the current as it is."""

SHARE_OF_BUDGET: Final = {"voltage": 0.95, "other": 0.05}
"""Share of the false alarms each family may spend, together 1 (Bonferroni): the voltage sees the
smallest faults; what lowers the current is large or seen by looking."""

_AGAINST_VOLTAGE: Final = ("none", "shade-or-soiling", "sensor-stale")
_COUNTED_LEAST: Final = 60
_TAIL_MOST: Final = 400
_TAIL_SHARE: Final = 0.02
_TOO_MANY: Final = 0.1
_FAIL_PROBABILITY: Final = 0.9
_SEEN_SIGMAS: Final = 4.0
_NOT_BELIEVED: Final = 0.5


def budget_ratio(wanted: Commissioning, *, strings: int) -> float:
    """Share of sound strings [1] that may be called, from the number allowed on the whole site.

    ``site_false_alarms / strings``, or the ratio per string where no number is given; never more
    than a fifth.
    """
    if wanted.site_false_alarms is None or strings == 0:
        return wanted.false_alarm_ratio
    return float(min(max(wanted.site_false_alarms / strings, 1e-12), 0.2))


def family_evidence(probability_ratio: FloatArray) -> FloatArray:
    """Log odds of each family of causes, (strings, families).

    Of the voltage against a sound string, shade and an irradiance of another moment, so that a
    current that is off for itself neither hides nor makes a missing module; of the others against
    everything else, so that what may be a slip of the reading is not called shade.

    Args:
        probability_ratio: of each of ``STRING_CAUSES``, (strings, causes).
    """
    out = np.empty((len(probability_ratio), len(FAMILIES)))
    for place, (family, names) in enumerate(FAMILIES.items()):
        inside = np.array([name in names for name in STRING_CAUSES])
        against = ~inside
        if family == "voltage":
            against = np.array([name in _AGAINST_VOLTAGE for name in STRING_CAUSES])
        ours = np.clip(probability_ratio[:, inside].sum(axis=1), 1e-300, None)
        others = np.clip(probability_ratio[:, against].sum(axis=1), 1e-300, None)
        out[:, place] = np.log(ours) - np.log(others)
    return out


def _upper(drawn: FloatArray, ratio: float) -> float:
    """Value exceeded with a probability; beyond the draws, with an exponential tail."""
    count = len(drawn)
    if count * ratio >= _COUNTED_LEAST:
        return float(np.quantile(drawn, 1.0 - ratio))
    most = int(np.clip(_TAIL_SHARE * count, 2, _TAIL_MOST))
    tail = np.sort(np.partition(drawn, count - most - 1)[-most - 1 :])
    excess = float(np.mean(tail[1:] - tail[0]))
    return float(tail[0]) + excess * float(np.log(most / (count * ratio)))


def evidence_thresholds(
    drawn_ratio: FloatArray, *, mirrored_ratio: FloatArray, false_alarm_ratio: float
) -> FloatArray:
    """Evidence sound strings exceed with the share of false alarms allowed, (families,).

    First from evidence drawn with the scatter found. Then held against the session itself: the
    evidence its strings would show with every residual's sign turned. Faults lower readings, so
    turned residuals are those of sound strings; where they exceed the threshold oftener than chance
    allows (one in ten), the scatter found is too narrow and their own upper tail is taken.

    Args:
        drawn_ratio: evidence of drawn sound strings, (draws, families).
        mirrored_ratio: evidence of the session's strings with turned residuals, (n, families).
        false_alarm_ratio: share of sound strings that may be called.

    Source: efron-2004
    """
    out = np.empty(len(FAMILIES))
    for place, share in enumerate(SHARE_OF_BUDGET.values()):
        ratio = share * false_alarm_ratio
        out[place] = _upper(drawn_ratio[:, place], ratio)
        held = mirrored_ratio[:, place]
        if len(held) < 2 * _COUNTED_LEAST:
            continue
        above = int((held > out[place]).sum())
        if stats.binom.sf(above - 1, len(held), ratio) < _TOO_MANY:
            out[place] = max(out[place], _upper(held, ratio))
    return out


def session_verdicts(
    evidence_ratio: FloatArray,
    *,
    threshold_ratio: FloatArray,
    strict_ratio: FloatArray,
    probability_ratio: FloatArray,
    voltage_u_ratio: FloatArray,
    modules: IntArray,
) -> IntArray:
    """Verdict number of the joint explanation on each string, (strings,).

    Fail: a cause in the string itself, beyond the evidence a tenth of the false alarms would ask,
    and likelier than nine in ten. Review: beyond the evidence the false alarms allowed ask. Not
    assessable: no voltage to explain, a reading that is likelier wrong than right, or a level so
    uncertain that one missing module would not stand out. Pass: otherwise.

    Args:
        evidence_ratio: evidence of each family, (strings, families), nan without reading.
        threshold_ratio: evidence that calls a string, (families,).
        strict_ratio: the same for a tenth of the false alarms, (families,).
        probability_ratio: of each of ``STRING_CAUSES``, (strings, causes).
        voltage_u_ratio: standard uncertainty of ln Voc as explained, nan without, (strings,).
        modules: modules of each string, (strings,).

    Source: common-practice
    """
    of_string = np.array([name in CAUSES[1:] for name in STRING_CAUSES])
    of_reading = np.array([name in READING_CAUSES[1:] for name in STRING_CAUSES])
    held = np.nan_to_num(probability_ratio)
    likely = held[:, of_string].sum(axis=1) >= _FAIL_PROBABILITY
    doubted = held[:, of_reading].sum(axis=1) > _NOT_BELIEVED
    with np.errstate(invalid="ignore"):
        called = (evidence_ratio > threshold_ratio).any(axis=1)
        strict = (evidence_ratio > strict_ratio).any(axis=1)
        blind = ~(_SEEN_SIGMAS * voltage_u_ratio < 1.0 / np.maximum(modules, 1))
    return np.select(
        [strict & likely & ~blind, called & ~doubted, blind | doubted],
        [FAIL, REVIEW, NOT_ASSESSABLE],
        PASS,
    ).astype(np.int64)
