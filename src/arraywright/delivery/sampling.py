"""Single sampling by attributes: how many modules to look at, and how many defects to accept."""

from __future__ import annotations

import hashlib
import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from arraywright.delivery.sampling_tables import (
    AQL_PERCENT,
    CODE_LETTERS,
    LOT_SIZE_ENDS,
    NORMAL,
    SAMPLE_SIZE,
    TIGHTENED,
    TIGHTENED_AQL_PERCENT,
)
from arraywright.errors import CallError

__all__ = [
    "Inspection",
    "SamplingPlan",
    "acceptance_probability",
    "code_letter",
    "draw_sample",
    "sampling_plan",
]

Inspection: TypeAlias = Literal["normal", "tightened"]

_LETTERS: Final = tuple(SAMPLE_SIZE)
_DOWN: Final = "v"
_UP: Final = "^"


@dataclass(frozen=True, slots=True, kw_only=True)
class SamplingPlan:
    """A single sampling plan for one lot.

    Attributes:
        lot_size: modules in the lot.
        level: inspection level.
        aql_percent: acceptance quality limit [%].
        inspection: ``normal`` or ``tightened``.
        code_letter: letter whose plan is used, arrows followed.
        sample_size: modules to look at, never more than the lot.
        accept: greatest number of defective modules with which the lot is accepted.
        reject: least number with which it is not.
        whole_lot: the plan's sample is as large as the lot or larger: every module is looked at.
    """

    lot_size: int
    level: str
    aql_percent: float
    inspection: Inspection
    code_letter: str
    sample_size: int
    accept: int
    reject: int
    whole_lot: bool


def code_letter(lot_size: int, *, level: str = "II") -> str:
    """Give the code letter of a lot size at an inspection level, arrows not yet followed.

    A lot of one module takes the first row, which begins at two.

    Source: iso-2859-1 table 1, identical to mil-std-105e table I

    Raises:
        CallError: lot of no module, or an unknown level.
    """
    if lot_size < 1:
        raise CallError(
            "bad-lot-size",
            f"Found a lot of {lot_size} modules, required at least one.",
            "Give the number of modules in the lot.",
        )
    letters = CODE_LETTERS.get(level)
    if letters is None:
        raise CallError(
            "unknown-inspection-level",
            f"Found inspection level {level!r}, required one of {', '.join(CODE_LETTERS)}.",
            "Take II when nothing else is agreed.",
        )
    return letters[bisect_left(LOT_SIZE_ENDS, lot_size)]


def _follow(letter: str, column: int, *, table: dict[str, str]) -> tuple[str, int]:
    """Follow the arrows of a column to the plan they lead to: its letter and acceptance number."""
    place = _LETTERS.index(letter)
    while True:
        cell = table[_LETTERS[place]].split()[column]
        if cell == _DOWN:
            place += 1
        elif cell == _UP:
            place -= 1
        else:
            return _LETTERS[place], int(cell)


def sampling_plan(
    lot_size: int,
    *,
    level: str = "II",
    aql_percent: float,
    inspection: Inspection = "normal",
) -> SamplingPlan:
    """Give the single sampling plan for a lot.

    Code letter by lot size and level, then the plan in the column of the AQL; an arrow leads to
    the next letter with a plan, and sample size and numbers are both that letter's. A sample as
    large as the lot means every module.

    Valid range: AQL of the preferred series; tightened inspection from 0.65 to 15 %.

    Source: iso-2859-1 tables 1, 2-A and 2-B, identical to mil-std-105e tables I, II-A and II-B

    Raises:
        CallError: lot of no module, unknown level, AQL not in the series.
    """
    table, series = (
        (NORMAL, AQL_PERCENT) if inspection == "normal" else (TIGHTENED, TIGHTENED_AQL_PERCENT)
    )
    column = next((at for at, aql in enumerate(series) if math.isclose(aql, aql_percent)), None)
    if column is None:
        raise CallError(
            "unknown-aql",
            f"Found an AQL of {aql_percent:g} %, required one of "
            f"{', '.join(f'{aql:g}' for aql in series)}.",
            "Take the next smaller one of the series.",
        )
    letter, accept = _follow(code_letter(lot_size, level=level), column, table=table)
    planned = SAMPLE_SIZE[letter]
    return SamplingPlan(
        lot_size=lot_size,
        level=level,
        aql_percent=aql_percent,
        inspection=inspection,
        code_letter=letter,
        sample_size=min(planned, lot_size),
        accept=accept,
        reject=accept + 1,
        whole_lot=planned >= lot_size,
    )


def acceptance_probability(plan: SamplingPlan, defective_ratio: float) -> float:
    """Probability [1] that a plan accepts lots of which this fraction is defective.

    Equation: P = sum over i from 0 to Ac of C(n, i) p^i (1 - p)^(n - i), the binomial, which is
    for a steady series of lots (type B); for one small lot it is an approximation.

    Source: mil-std-105e tables X, for AQL up to 10

    Raises:
        CallError: a fraction outside 0 to 1.
    """
    if not 0.0 <= defective_ratio <= 1.0:
        raise CallError(
            "bad-fraction",
            f"Found a defective fraction of {defective_ratio}, required 0 to 1.",
            "Give the fraction, not the percentage.",
        )
    size = plan.sample_size
    terms = (
        math.comb(size, count) * defective_ratio**count * (1.0 - defective_ratio) ** (size - count)
        for count in range(min(plan.accept, size) + 1)
    )
    return min(1.0, math.fsum(terms))


def _rank(seed: str, name: str) -> bytes:
    return hashlib.sha256(f"{seed}\x1f{name}".encode()).digest()


def draw_sample(
    serials: Sequence[str],
    plan: SamplingPlan,
    *,
    seed: str,
    pallets: Sequence[str] | None = None,
) -> tuple[str, ...]:
    """Draw the modules to look at, spread over the pallets as evenly as they allow.

    Pallets, and modules within a pallet, are put in the order of the SHA-256 of the seed and their
    name; then one module is taken of each pallet in turn until the sample is full. The same seed
    and the same lot always give the same sample, in whatever order the lot is listed, and any
    first part of it is a spread sample too. ``seed`` is the identity of the lot.

    Source: iso-2859-1 8.2 representative sampling (from memory)

    Raises:
        CallError: serials doubled, or pallets of another length.
    """
    held = list(serials)
    on = [""] * len(held) if pallets is None else list(pallets)
    if len(on) != len(held) or len(set(held)) != len(held):
        raise CallError(
            "bad-lot",
            f"Found {len(held)} serials, {len(set(held))} of them different, and {len(on)} "
            "pallets; required each serial once, with its pallet.",
            "Settle doubled serials before drawing a sample.",
        )
    stacks: dict[str, list[str]] = {}
    for serial, pallet in zip(held, on, strict=True):
        stacks.setdefault(pallet, []).append(serial)
    turn = sorted(stacks, key=lambda pallet: _rank(seed, pallet))
    wanted = min(plan.sample_size, len(held))
    drawn: list[str] = []
    ordered: dict[str, list[str]] = {}
    level = 0
    while len(drawn) < wanted:
        for pallet in turn:
            if level >= len(stacks[pallet]):
                continue
            if pallet not in ordered:
                ordered[pallet] = sorted(stacks[pallet], key=lambda name: _rank(seed, name))
            drawn.append(ordered[pallet][level])
            if len(drawn) == wanted:
                break
        level += 1
    return tuple(drawn)
