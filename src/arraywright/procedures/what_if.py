"""What if: one described quantity varied; what is asked, and how it is told."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np
import polars as pl

from arraywright import __version__
from arraywright.arrays import BoolArray, FloatArray
from arraywright.dossier.design_report import sweep_report
from arraywright.dossier.plots import SweepLine
from arraywright.dossier.render import render_pdf
from arraywright.dossier.words import significant
from arraywright.errors import CallError
from arraywright.procedures.exports import csv_bytes, write_whole
from arraywright.procedures.report import ReportTable
from arraywright.readers.site_key import SiteKey
from arraywright.readers.site_keys import SECTIONS

__all__ = [
    "SAME_RATIO",
    "Sweep",
    "Varied",
    "parse_sweep",
    "sweep_files",
    "sweep_result",
    "sweep_table",
]

_NUMBER: Final = r"([-+]?\d+(?:\.\d*)?(?:[eE][-+]?\d+)?)"
_SWEEP: Final = re.compile(rf"([^=]+)={_NUMBER}:{_NUMBER}(?::(\d{{1,7}}))?", re.ASCII)
_COUNT: Final = 101
_COUNT_MOST: Final = 1_000_000
_NUMERIC: Final = ("integer", "number", "coefficient")
_LINES_DRAWN: Final = 14

SAME_RATIO: Final = 1e-6
"""Margins in between that differ by less than this share of the limit count as the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sweep:
    """What is asked to be varied.

    Attributes:
        key: dotted key of the quantity.
        values: (variants,) its values, ascending, each once.
        asked: how many values were asked for.
        whole: whether the quantity is a whole number; its values are rounded to whole numbers.
    """

    key: str
    values: FloatArray
    asked: int
    whole: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Varied:
    """What comes of the checks when a quantity is varied.

    Attributes:
        sweep: what was asked.
        lines: margin of every check that rests on the quantity; NaN where it cannot be worked out.
        worked: at how many values the whole site was worked out.
        deviation_ratio: how far margins in between were off where it was tried, of the limit.
        refused: (variants,) values the description refuses.
        as_if: whether the checks that have the quantity itself in them are worked out there too,
            with the site as it is described.
        refusal: why it refuses the first of them.
        open_values: how many values lie where checks change and are not worked out.
        not_assessable: checks that rest on the quantity but lack other inputs.
        not_varied: what follows from the quantity and is given for the described value only.
    """

    sweep: Sweep
    lines: tuple[SweepLine, ...]
    worked: int
    deviation_ratio: float
    refused: BoolArray
    as_if: bool
    refusal: str
    open_values: int
    not_assessable: tuple[str, ...]
    not_varied: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What a person must know to read the margins."""
        key, values = self.sweep.key, self.sweep.values
        told = []
        if self.sweep.whole and self.sweep.asked != len(values):
            told.append(
                f"{key} is a whole number: of {self.sweep.asked:,} values asked for, "
                f"{len(values):,} different whole numbers were taken."
            )
        if self.worked < len(values):
            off = (
                f"where it was tried, margins were off by up to {100.0 * self.deviation_ratio:.2g} "
                "% of the limit"
                if self.deviation_ratio > SAME_RATIO
                else f"nowhere tried was a margin off by more than {100.0 * SAME_RATIO:g} % of "
                "the limit"
            )
            told.append(
                f"The whole site was worked out at {self.worked} of {len(values):,} values of "
                f"{key}; in between, the checks are worked out with what follows from it taken as "
                f"straight lines: {off}."
            )
        if self.refused.any():
            at = values[self.refused]
            told.append(
                f"The description refuses {len(at):,} of the values, the least {at.min():g}, the "
                f"greatest {at.max():g}: {self.refusal}"
            )
            if self.as_if:
                told.append(
                    f"There the layout would have to be another one: only what has {key} itself in "
                    "it is shown, with layout and cable lengths as they are described."
                )
        if self.open_values:
            told.append(
                f"At {self.open_values:,} values, where checks come, go or are refused, margins "
                "are left out; vary a smaller range to see them."
            )
        if self.not_assessable:
            told.append(
                "Cannot be varied because other inputs are not described: "
                f"{'; '.join(self.not_assessable)}."
            )
        if self.not_varied:
            told.append(
                f"Not varied, told for the described value only: {'; '.join(self.not_varied)}. "
                f"Ask for another value with --set {key}=VALUE."
            )
        return tuple(told)


def parse_sweep(given: str) -> Sweep:
    """Read ``KEY=FROM:TO`` or ``KEY=FROM:TO:COUNT``.

    Raises:
        CallError: it is written otherwise, the range is empty, or the key holds no number.
    """
    found = _SWEEP.fullmatch(given.strip())
    if found is None:
        raise CallError(
            "sweep-not-understood",
            f"Found --sweep {given}; required: KEY=FROM:TO or KEY=FROM:TO:COUNT, in numbers.",
            "Write for example site.design_min_air_temp_c=-30:0:61.",
        )
    key = found[1].strip()
    first, last = float(found[2]), float(found[3])
    count = int(found[4] or _COUNT)
    if not 2 <= count <= _COUNT_MOST or not np.isfinite([first, last]).all() or first == last:
        raise CallError(
            "sweep-out-of-range",
            f"Found {count} values from {first:g} to {last:g}; required: 2 to {_COUNT_MOST} values "
            "between two different numbers.",
            "Choose another range or count.",
        )
    described = _described(key)
    if described is not None and described.kind not in _NUMERIC:
        raise CallError(
            "sweep-no-number",
            f"{key} holds no number that could be varied.",
            f"Ask for another value with --set {key}=VALUE.",
        )
    whole = described is not None and described.kind == "integer"
    values = np.linspace(min(first, last), max(first, last), count)
    return Sweep(
        key=key, values=np.unique(np.rint(values)) if whole else values, asked=count, whole=whole
    )


def _described(dotted: str) -> SiteKey | None:
    """Give what is known of a dotted key; None when no description can have it."""
    for path, section in SECTIONS.items():
        pattern = re.escape(path).replace("NAME", '.+|"[^"]*"').replace(r"\[\]", r"\.[0-9]+")
        for key in section.keys:
            if re.fullmatch(rf"(?:{pattern})\.{re.escape(key.name)}", dotted):
                return key
    return None


def _holding(line: SweepLine) -> tuple[str, str]:
    """Give the least and the greatest value at which a check holds."""
    known = np.isfinite(line.margin_ratio)
    holds = known & (line.margin_ratio >= 0.0)
    if not holds.any():
        return "nowhere", "nowhere"
    at = np.flatnonzero(holds)
    gap = bool((known & ~holds)[at[0] : at[-1]].any())
    first, last = (significant(float(line.value[one])) for one in (at[0], at[-1]))
    return first, f"{last}, not throughout" if gap else last


def _percent(ratio: float) -> str:
    return f"{100.0 * ratio:+.2f} %" if np.isfinite(ratio) else "-"


def _rows(lines: Sequence[SweepLine]) -> list[tuple[str, ...]]:
    return [
        (
            line.name,
            *_holding(line),
            _percent(float(line.margin_ratio[0])),
            _percent(float(line.margin_ratio[-1])),
        )
        for line in lines
    ]


def _worst_first(lines: Sequence[SweepLine]) -> list[SweepLine]:
    return sorted(lines, key=lambda line: float(np.nanmin(line.margin_ratio)))


def sweep_table(varied: Varied) -> ReportTable:
    """Give the table of what holds from where to where, the least margin first."""
    key, values = varied.sweep.key, varied.sweep.values
    return ReportTable(
        title=f"What if: {key} from {values[0]:g} to {values[-1]:g}",
        headings=(
            "Check",
            "Holds from",
            "to",
            f"Margin at {values[0]:g}",
            f"at {values[-1]:g}",
        ),
        rows=_rows(_worst_first(varied.lines)),
        align=("left", "right", "right", "right", "right"),
    )


def sweep_result(varied: Varied) -> dict[str, object]:
    """Give plain data of what came of it."""
    return {
        "key": varied.sweep.key,
        "values": varied.sweep.values.tolist(),
        "margin_ratio": {line.name: line.margin_ratio.tolist() for line in varied.lines},
        "worked_out_values": varied.worked,
        "deviation_ratio": varied.deviation_ratio,
        "refused_values": varied.sweep.values[varied.refused].tolist(),
        "refusal": varied.refusal,
        "not_assessable": list(varied.not_assessable),
        "not_varied": list(varied.not_varied),
        "notes": list(varied.sentences),
    }


def sweep_files(
    folder: Path, varied: Varied, *, site_name: str, time_zone: str, moment: datetime
) -> tuple[Path, ...]:
    """Write the plot and table of margins, ``what-if.pdf`` and ``what-if.csv``."""
    # Numbered, so that a name cut short below the plot is found again in the table.
    worst = [
        replace(line, name=f"{place}  {line.name}")
        for place, line in enumerate(_worst_first(varied.lines), start=1)
    ]
    document = sweep_report(
        site_name=site_name,
        time_zone=time_zone,
        made_at=moment,
        made_by=f"Arraywright {__version__}",
        key=varied.sweep.key,
        lines=worst[:_LINES_DRAWN],
        rows=_rows(worst),
        notes=varied.sentences,
    )
    table = pl.DataFrame(
        {varied.sweep.key: varied.sweep.values}
        | {line.name: line.margin_ratio for line in varied.lines}
    )
    return (
        write_whole(folder / "what-if.pdf", render_pdf(document, made_at=moment)),
        write_whole(folder / "what-if.csv", csv_bytes(table)),
    )
