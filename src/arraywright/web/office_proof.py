"""Strings as judged, with what is likeliest wrong with them, and one string's whole proof."""

from __future__ import annotations

import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

import polars as pl

from arraywright.commissioning.budget import STRING_CAUSES
from arraywright.commissioning.choice import cause_column
from arraywright.commissioning.isolation import EVERYWHERE, PartReading
from arraywright.commissioning.retest_advice import RetestAdvice, retest_advice
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.commission_history import verdict_history
from arraywright.procedures.commission_sheets import further_frames
from arraywright.procedures.curve_panels import curve_panels
from arraywright.procedures.openings import IsolationSearch, isolation_search
from arraywright.procedures.site_record import SiteRecord
from arraywright.records.entry import Entry
from arraywright.web.proof_plots import (
    CausePlot,
    CurvePlot,
    Interval,
    IntervalPlot,
    PlacesPlot,
    cause_plot,
    curve_plot,
    interval_plot,
    places_plot,
)

__all__ = [
    "SORTS",
    "PartsRead",
    "RetestNow",
    "ShownCurve",
    "StringProof",
    "chosen_strings",
    "judged_strings",
    "parts_read",
    "string_proof",
    "swapped_pairs",
    "with_cause",
]

SORTS: Final = ("verdict", "probability", "string")
"""Orders of the list of strings."""

_ADVICE_S: Final = 300
_PARTS_FROM: Final = 0.005
_RANK: Final = {"fail": 0, "review": 1, "not_assessable": 2, "pass": 3}
_LATER: Final[tuple[tuple[str, type[pl.DataType], object], ...]] = (
    ("swapped_with", pl.String, None),
    ("swapped_probability", pl.Float64, None),
    ("session_verdict", pl.String, "not_assessable"),
    ("voc_session_v", pl.Float64, None),
    ("voc_session_u_v", pl.Float64, None),
    ("load_a", pl.Float64, None),
    ("load_like_ratio", pl.Float64, None),
    ("likely_key", pl.String, ""),
    ("likely_probability", pl.Float64, None),
    ("fault_probability", pl.Float64, None),
    ("open_after_module", pl.Int64, None),
    ("open_next", pl.String, ""),
    ("as_built_verdict", pl.String, "not_assessable"),
)
_QUANTITIES: Final = (
    ("voc", "voc_deviation_ratio", "voc_deviation_u_ratio"),
    ("voc_like", "voc_like_ratio", "voc_like_u_ratio"),
    ("isc", "isc_deviation_ratio", "isc_deviation_u_ratio"),
    ("isc_like", "isc_like_ratio", "isc_like_u_ratio"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsRead:
    """What the two parts of an opened string should read, for causes that read alike.

    Attributes:
        causes: names of the causes, the likeliest first; ``none`` for a sound string.
        side: where the fault then lies: ``first``, ``rest``, ``all`` for the whole string, or
            ``none``.
        first_v: what the part on the positive side should read [V].
        rest_v: what the other part should read [V].
        probability: that it is so [1].
    """

    causes: tuple[str, ...]
    side: str
    first_v: float
    rest_v: float
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownCurve:
    """An I-V curve with what was judged of it.

    Attributes:
        row: its row of the judged curves.
        plot: its picture.
    """

    row: Mapping[str, Any]
    plot: CurvePlot


@dataclass(frozen=True, slots=True, kw_only=True)
class StringProof:
    """Everything that speaks for or against one string.

    Attributes:
        string: its name.
        row: what was judged of it; empty when nothing has been.
        judged: the entry of the verdict; None when there is none.
        readings: its readings, the newest first, with what stops each and what each counts for.
        intervals: its readings against what is expected.
        causes: the probability of each cause.
        explained: whether all causes' probabilities are in the record.
        curves: its I-V curves.
        history: how its verdict came about, oldest first.
        search: the search for the faulty module; None when none is due.
        places: where the fault may sit; None when none is looked for.
        earth_fault: the earth fault located in it that stands; None for none.
    """

    string: str
    row: Mapping[str, Any]
    judged: Entry | None
    readings: tuple[dict[str, Any], ...]
    intervals: IntervalPlot | None
    causes: CausePlot | None
    explained: bool
    curves: tuple[ShownCurve, ...]
    history: tuple[dict[str, Any], ...]
    search: IsolationSearch | None
    places: PlacesPlot | None
    earth_fault: dict[str, Any] | None


def judged_strings(record: SiteRecord) -> pl.DataFrame:
    """Give the strings as judged, with ``cause_shown`` and its probability ``cause_shown_ratio``.

    The cause is the likeliest by the joint explanation, else the first one the standard or the
    measurement names, which has no probability, else an empty text.
    """
    entry = record.latest(STRINGS_JUDGED)
    if entry is None:
        return pl.DataFrame(schema={"string": pl.String, "verdict": pl.String})
    return with_cause(record.load_frame(entry, "strings"))


def with_cause(strings: pl.DataFrame) -> pl.DataFrame:
    """Add the cause shown and its probability to strings as judged.

    Verdicts of an earlier program lack what the joint explanation says: they get empty columns.

    Args:
        strings: frame ``strings`` of a verdict.
    """
    strings = strings.with_columns(
        pl.lit(value, dtype=dtype).alias(name)
        for name, dtype, value in _LATER
        if name not in strings.columns
    )
    first = pl.col("cause_key").str.split(";").list.first().fill_null("")
    swapped, likely = pl.col("swapped_with").is_not_null(), pl.col("likely_key") != ""
    return strings.with_columns(
        _rank=pl.col("verdict").replace_strict(_RANK),
        cause_shown=pl.when(swapped)
        .then(pl.lit("labels-swapped"))
        .when(likely)
        .then(pl.col("likely_key"))
        .when((first == "") & (pl.col("as_built_verdict") == "fail"))
        .then(pl.lit("wrongly-built"))
        .otherwise(first),
        cause_shown_ratio=pl.when(swapped)
        .then(pl.col("swapped_probability"))
        .when(likely)
        .then(pl.col("likely_probability")),
    )


def chosen_strings(strings: pl.DataFrame, *, verdict: str, cause: str, sort: str) -> pl.Series:
    """Give the rows of the strings a person asked for, in the order asked for.

    Args:
        strings: frame of ``judged_strings``.
        verdict: only of this overall verdict; of all when empty.
        cause: only with this cause; with any when empty.
        sort: one of ``SORTS``: gravest verdict first, likeliest cause first, or as on the plan.
    """
    if strings.is_empty():
        return pl.Series("row", [], dtype=pl.UInt32)
    # Rows are chosen by few columns, so that a large site is not sorted with all its figures.
    rows = strings.select("verdict", "_rank", "cause_shown", "cause_shown_ratio").with_row_index(
        "row"
    )
    if verdict:
        rows = rows.filter(pl.col("verdict") == verdict)
    if cause:
        rows = rows.filter(pl.col("cause_shown") == cause)
    if sort == "probability":
        by = pl.col("cause_shown_ratio").fill_null(-1.0)
        rows = rows.sort(by, descending=True, maintain_order=True)
    elif sort != "string":
        rows = rows.sort("_rank", maintain_order=True)
    return rows["row"]


def swapped_pairs(strings: pl.DataFrame) -> list[dict[str, Any]]:
    """List pairs of strings whose labels look swapped, the likeliest first, each once."""
    if "swapped_with" not in strings.columns:
        return []
    held = strings.filter(pl.col("swapped_with").is_not_null()).select(
        "string", "swapped_with", "swapped_probability"
    )
    once: dict[frozenset[str], dict[str, Any]] = {}
    for row in held.iter_rows(named=True):
        once.setdefault(frozenset((row["string"], row["swapped_with"])), row)
    return sorted(once.values(), key=lambda row: -row["swapped_probability"])


class RetestNow:
    """What to read again as the sun stands, reckoned anew every five minutes; for any thread."""

    def __init__(self, record: SiteRecord) -> None:
        """Take the strings as judged; nothing is reckoned yet."""
        self._site = record.site
        self._strings = judged_strings(record)
        self._lock = threading.Lock()
        self._slot = -1
        self._advice: RetestAdvice | None = None

    def at(self, now: datetime) -> RetestAdvice | None:
        """Give the advice of a moment, at most five minutes old; None before any verdict.

        Raises:
            CallError: the moment has no time zone.
        """
        if "readings" not in self._strings.columns:
            return None
        slot = int(now.timestamp() // _ADVICE_S)
        with self._lock:
            if slot != self._slot:
                self._advice = retest_advice(self._site, self._strings, now_utc=now)
                self._slot = slot
            return self._advice


def parts_read(search: IsolationSearch, *, whole_v: float | None) -> list[PartsRead]:
    """List what both parts should read at the next opening, the likeliest first.

    Args:
        search: the search, with a connector to open next.
        whole_v: what the whole string reads now; the figures are brought to it. None leaves them
            at the light and temperature of its reading.
    """
    scale = 1.0 if whole_v is None else whole_v / search.read_v
    alike: dict[tuple[str, float, float], list[PartReading]] = {}
    for one in () if search.advice is None else search.advice.readings:
        side = "first" if one.in_first_part else "rest"
        if one.cause == "none" or one.cause in EVERYWHERE:
            side = "none" if one.cause == "none" else "all"
        key = (side, round(one.first_v, 1), round(one.rest_v, 1))
        alike.setdefault(key, []).append(one)
    told = [
        PartsRead(
            causes=tuple(dict.fromkeys(one.cause for one in held)),
            side=side,
            first_v=held[0].first_v * scale,
            rest_v=held[0].rest_v * scale,
            probability=sum(one.probability for one in held),
        )
        for (side, _, _), held in alike.items()
    ]
    shown = [one for one in told if one.probability >= _PARTS_FROM or one.side == "none"]
    return sorted(shown, key=lambda one: -one.probability)


def _intervals(record: SiteRecord, row: Mapping[str, Any]) -> IntervalPlot | None:
    rows = [
        Interval(key=key, deviation_ratio=row[deviation], u_ratio=row[u])
        for key, deviation, u in _QUANTITIES
        if row[deviation] is not None and row[u] is not None
    ]
    if row["voc_session_v"] is not None and row["voc_v"] is not None:
        level = row["voc_session_v"]
        joint = Interval(
            key="voc_session",
            deviation_ratio=row["voc_v"] / level - 1.0,
            u_ratio=row["voc_session_u_v"] / level,
        )
        rows.insert(sum(one.key.startswith("voc") for one in rows), joint)
    return interval_plot(rows, tolerance_ratio=record.site.commissioning.tolerance_ratio)


def _curves(record: SiteRecord, judged: Entry, string: str) -> tuple[ShownCurve, ...]:
    """Give the curves of a string that can be drawn, the newest first."""
    same = pl.col("string") == string
    curves = record.scan_frame(judged, "curves").filter(same).collect()
    if curves.is_empty():
        return ()
    points = record.scan_frame(judged, "curve_points").filter(same).collect()
    placed = record.scan_frame(judged, "placed").filter(same).collect()
    shown = [
        ShownCurve(row=curves.row(place, named=True), plot=curve_plot(panel))
        for place in range(curves.height)
        for panel in curve_panels(record.site, curves=curves[place], points=points, placed=placed)
    ]
    return tuple(sorted(shown, key=lambda held: held.row["measured_at"], reverse=True))


def _earth_fault(record: SiteRecord, judged: Entry, string: str) -> dict[str, Any] | None:
    """Give the earth fault of a string that counts; verdicts of an earlier program tell of none."""
    faults = further_frames(record, judged).get("earth_faults")
    if faults is None:
        return None
    mine = faults.filter(
        (pl.col("string") == string) & pl.col("counts") & (pl.col("state") == "located")
    )
    return mine.row(0, named=True) if mine.height else None


def string_proof(record: SiteRecord, string: str) -> StringProof:
    """Gather everything that speaks for or against one string.

    Args:
        record: the record of the site.
        string: name of a string of the site.

    Raises:
        RecordError: a stored file is missing or changed.
    """
    same = pl.col("string") == string
    judged = record.latest(STRINGS_JUDGED)
    rows = None
    if judged is not None:
        rows = record.scan_frame(judged, "strings").filter(same).collect()
    if judged is None or rows is None or rows.is_empty():
        return StringProof(
            string=string,
            row={},
            judged=None,
            readings=(),
            intervals=None,
            causes=None,
            explained=False,
            curves=(),
            history=(),
            search=None,
            places=None,
            earth_fault=None,
        )
    row = with_cause(rows).row(0, named=True)
    readings = record.scan_frame(judged, "readings").filter(same)
    search = isolation_search(record, judged, row)
    explained = cause_column("none") in row
    held = {name: row[cause_column(name)] for name in STRING_CAUSES} if explained else {}
    known = held if held.get("none") is not None else {}
    return StringProof(
        string=string,
        row=row,
        judged=judged,
        readings=tuple(readings.sort("measured_at", descending=True).collect().to_dicts()),
        intervals=_intervals(record, row),
        causes=cause_plot(known),
        explained=explained,
        curves=_curves(record, judged, string),
        history=tuple(verdict_history(record, kind=STRINGS_JUDGED, string=string).to_dicts()),
        search=search,
        places=None
        if search is None
        else places_plot(
            search.state,
            opened=[one.after_module for one in search.openings],
            after=None if search.advice is None else search.advice.after_module,
        ),
        earth_fault=_earth_fault(record, judged, string),
    )
