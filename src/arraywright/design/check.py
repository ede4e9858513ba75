"""What a check of a design is: its formula, its inputs, and how it is worked out and told."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final, Literal, TypeAlias

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict

__all__ = [
    "CheckedDesign",
    "DesignCheck",
    "Input",
    "Practice",
    "Values",
    "check_design",
    "evaluate_check",
]


class Practice(StrEnum):
    """The family of standards a site is built by."""

    IEC = "iec"
    NEC = "nec"


Values: TypeAlias = Mapping[str, FloatArray]
"""Inputs by name, each of shape () or (variants,)."""

_SIGNIFICANT: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One quantity a check needs.

    Attributes:
        name: name with its unit suffix, for example ``voc_v``.
        symbol: symbol in the formula, for example ``Voc``.
        unit: unit as printed; ``1`` for a ratio or a count.
        meaning: what it is, a few words.
        key: where the site description says it, for example ``module_types.NAME.voc_v``.
    """

    name: str
    symbol: str
    unit: str
    meaning: str
    key: str


@dataclass(frozen=True, slots=True, kw_only=True)
class DesignCheck:
    """One check, the same for one site and for ten thousand variants of it.

    Attributes:
        key: stable key of the check, for example ``string-voc-cold``.
        family: ``voltage``, ``current``, ``cable``, ``earthing``, ``surge``, ``mechanical``,
            ``spacing`` or ``yield``.
        title: what is asked, a few words.
        subject_kind: kind of thing it is asked of.
        basis: source key and clause per practice; a practice without one is not checked by it.
        formula: the formula as published, in the symbols of the inputs; ``limit`` side included.
        inputs: quantities needed, in the order they appear.
        unit: unit of value, limit and margin.
        sense: whether the value must be ``at most`` or ``at least`` the limit.
        value: computes the value from the inputs, shape () or (variants,).
        limit: computes the limit from the inputs, likewise.
        passing: sentence when it holds; ``{value}``, ``{limit}``, ``{margin}``, ``{unit}``,
            ``{subject}`` and the inputs by name.
        failing: sentence when it does not.
        remedy: what to change.
        review_margin_ratio: margins below this fraction of the limit are to be reviewed.
        advisory: whether another check decides and this one, when it does not hold, is to be
            reviewed.
        question: whether it is a question answered with yes or no, whose value and limit are no
            quantities to show.
    """

    key: str
    family: str
    title: str
    subject_kind: str
    basis: Mapping[Practice, str]
    formula: str
    inputs: tuple[Input, ...]
    unit: str
    sense: Literal["at most", "at least"]
    value: Callable[[Values], FloatArray]
    limit: Callable[[Values], FloatArray]
    passing: str
    failing: str
    remedy: str
    review_margin_ratio: float = 0.0
    advisory: bool = False
    question: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Evaluated:
    """Value, limit and margin of a check for all variants, each (variants,)."""

    value: FloatArray
    limit: FloatArray
    margin: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedDesign:
    """A check worked out for one subject.

    Attributes:
        check: the check.
        finding: what came of it.
        worked: the formula with the numbers put in, empty when not assessable.
        values: the inputs with their numbers.
    """

    check: DesignCheck
    finding: Finding
    worked: str
    values: tuple[tuple[Input, float], ...]


def evaluate_check(check: DesignCheck, values: Values) -> Evaluated:
    """Value, limit and margin of a check for all variants at once, each (variants,).

    Raises:
        CallError: an input is missing.
    """
    missing = [one.name for one in check.inputs if one.name not in values]
    if missing:
        raise CallError(
            "design-input-missing",
            f"The check {check.key} lacks {', '.join(missing)}.",
            "Give every input of the check.",
        )
    held = {name: np.asarray(value, dtype=np.float64) for name, value in values.items()}
    value, limit = np.broadcast_arrays(
        np.atleast_1d(check.value(held)), np.atleast_1d(check.limit(held))
    )
    margin = limit - value if check.sense == "at most" else value - limit
    return Evaluated(value=value, limit=limit, margin=margin)


def _shown(number: float) -> str:
    return f"{number:.{_SIGNIFICANT}g}"


def _finite(number: float) -> float | None:
    return number if np.isfinite(number) else None


def _worked(check: DesignCheck, held: Sequence[tuple[Input, float]], outcome: Evaluated) -> str:
    numbers = ", ".join(
        f"{one.symbol} = {_shown(number)}" + ("" if one.unit == "1" else f" {one.unit}")
        for one, number in held
    )
    sign = "<=" if check.sense == "at most" else ">="
    unit = "" if check.unit == "1" else f" {check.unit}"
    return (
        f"{check.formula}; {numbers}: {_shown(outcome.value[0])}{unit} {sign} "
        f"{_shown(outcome.limit[0])}{unit}, margin {_shown(outcome.margin[0])}{unit}"
    )


def check_design(
    check: DesignCheck,
    *,
    subject: str,
    practice: Practice,
    values: Mapping[str, float | None],
) -> CheckedDesign:
    """Work a check out for one subject; a missing input makes it not assessable, never a pass.

    Args:
        check: the check.
        subject: identity of what is checked.
        practice: family of standards of the site; the check must have a basis for it.
        values: inputs by name; None where the description says nothing.

    Raises:
        CallError: the check has no basis for this practice.
    """
    basis = check.basis.get(practice)
    if basis is None:
        raise CallError(
            "check-not-of-practice",
            f"The check {check.key} does not belong to the {practice.value} practice.",
            "Choose the checks of the site's practice.",
        )
    missing = [one for one in check.inputs if values.get(one.name) is None]
    if missing:
        needed = ", ".join(f"{one.meaning} ({one.key})" for one in missing)
        finding = Finding(
            check=check.key,
            subject_kind=check.subject_kind,
            subject=subject,
            verdict=Verdict.NOT_ASSESSABLE,
            message=f"{check.title}: cannot be worked out; the description does not say {needed}.",
            remedy=f"Describe {', '.join(dict.fromkeys(one.key for one in missing))}.",
            unit=check.unit,
            basis=basis,
        )
        return CheckedDesign(check=check, finding=finding, worked="", values=())
    held = [(one, float(values[one.name] or 0.0)) for one in check.inputs]
    outcome = evaluate_check(check, {one.name: np.asarray(number) for one, number in held})
    value, limit, margin = (
        float(outcome.value[0]),
        float(outcome.limit[0]),
        float(outcome.margin[0]),
    )
    if not np.isfinite(margin):
        verdict = Verdict.NOT_ASSESSABLE
    elif margin < 0.0:
        verdict = Verdict.REVIEW if check.advisory else Verdict.FAIL
    elif margin < check.review_margin_ratio * abs(limit):
        verdict = Verdict.REVIEW
    else:
        verdict = Verdict.PASS
    words = {one.name: _shown(number) for one, number in held} | {
        "value": _shown(value),
        "limit": _shown(limit),
        "margin": _shown(abs(margin)),
        "unit": "" if check.unit == "1" else check.unit,
        "subject": subject,
    }
    good = margin >= 0.0
    message = (check.passing if good else check.failing).format(**words)
    remedy = "" if verdict is Verdict.PASS else check.remedy.format(**words)
    if verdict is Verdict.NOT_ASSESSABLE:
        message = f"{check.title}: the values described lie outside what the formula holds for."
        remedy = f"Check {', '.join(dict.fromkeys(one.key for one in check.inputs))}."
    finding = Finding(
        check=check.key,
        subject_kind=check.subject_kind,
        subject=subject,
        verdict=verdict,
        message=message,
        remedy=remedy,
        value=_finite(value),
        limit=_finite(limit),
        margin=_finite(margin),
        unit=check.unit,
        basis=basis,
    )
    return CheckedDesign(
        check=check, finding=finding, worked=_worked(check, held, outcome), values=tuple(held)
    )
