"""What to do next after tests: connectors to open, strings to read again, and when."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from math import isnan
from typing import Any, Final

import polars as pl

from arraywright.commissioning.retest_advice import RetestAdvice, retest_advice
from arraywright.dossier.words import local_time, number
from arraywright.procedures.report import ReportTable
from arraywright.procedures.site_record import SiteRecord

__all__ = ["NextSteps", "next_steps"]

_SHOWN: Final = 40
_WINDOWS_TOLD: Final = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class NextSteps:
    """Advice for people and as data; it rests on the moment and is not kept in the record.

    Attributes:
        sentences: which strings to read again, whether it is worth it now, and the caution
            before anything is opened.
        tables: connectors to open and strings to read again, where there are any.
        result: the same as plain data.
    """

    sentences: tuple[str, ...]
    tables: tuple[ReportTable, ...]
    result: dict[str, Any]


def next_steps(record: SiteRecord, strings: pl.DataFrame) -> NextSteps:
    """Say what to open next and what to read again, from the verdicts and the sun of the moment."""
    advice = retest_advice(record.site, strings, now_utc=record.now())
    tables = (_opening_table(strings), _retest_table(advice))
    return NextSteps(
        sentences=(
            _sentence(advice, record.site.time_zone),
            *strings.filter(pl.col("open_caution") != "")["open_caution"].unique().to_list(),
        ),
        tables=tuple(one for one in tables if one is not None),
        result={
            "strings": advice.strings.to_dicts(),
            "worth_now": advice.worth_now,
            "clear_sky_w_m2": None if isnan(advice.now_w_m2) else advice.now_w_m2,
            "sun_elevation_deg": advice.sun_elevation_deg,
            "windows": [asdict(one) for one in advice.windows],
        },
    )


def _opening_table(strings: pl.DataFrame) -> ReportTable | None:
    """Connectors to open next; None where no string asks for it."""
    wanted = strings.filter(pl.col("open_next") != "")
    if wanted.is_empty():
        return None
    shown = wanted.head(_SHOWN)
    return ReportTable(
        title="What to open next, with the string isolated and never under load",
        headings=("String", "Likely", "After module", "+ side sound [V]", "What to read"),
        rows=[
            (
                str(row["string"]),
                str(row["likely"]),
                str(row["open_after_module"]),
                number(row["open_sound_v"], 1),
                str(row["open_next"]),
            )
            for row in shown.iter_rows(named=True)
        ],
        align=("left", "left", "right", "right", "left"),
        more=wanted.height - shown.height,
    )


def _retest_table(advice: RetestAdvice) -> ReportTable | None:
    """Strings to be read again; None where there are none."""
    if advice.strings.is_empty():
        return None
    shown = advice.strings.head(_SHOWN)
    lit = {True: "yes", False: "no"}
    return ReportTable(
        title="Strings to read again",
        headings=("String", "Combiner box", "Why", "Sun now"),
        rows=[
            (
                str(row["string"]),
                str(row["combiner_box"] or "–"),
                str(row["reason"]),
                lit.get(row["lit_now"], "–"),
            )
            for row in shown.iter_rows(named=True)
        ],
        more=advice.strings.height - shown.height,
    )


def _sentence(advice: RetestAdvice, zone: str) -> str:
    """Advice with the coming times of enough light in the site's own time."""
    if advice.strings.is_empty() or not advice.windows:
        return advice.sentence
    told = " and ".join(
        f"{local_time(one.begins, zone)[:16]} to {local_time(one.ends, zone)[11:16]}"
        for one in advice.windows[:_WINDOWS_TOLD]
    )
    return f"{advice.sentence} Enough light under a clear sky: {told}."
