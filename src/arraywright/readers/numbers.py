"""Numbers as people write them, whole columns at a time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray
from arraywright.findings import Verdict
from arraywright.readers.quantities import Conversion, conversion
from arraywright.readers.results import DecimalMark
from arraywright.readers.values import Converted, Note, Problem, as_texts
from arraywright.tables import Column

__all__ = ["MarkEvidence", "convert_number", "mark_evidence"]

_QUANTITY: Final = (
    r"^(?P<bound>[<>≥≤]=?|(?i:über|ueber|over|above|more than|mehr als|más de|mas de|min\.?))?\s*"
    r"(?P<number>[-+−–]?\s?(?:\d[\d.,'’ \u00a0\u2009\u202f]*|[.,]\d+))"
    r"(?P<exponent>[eE][-+]?\d{1,3})?\s*(?P<unit>[^\d\s<>].*)?$"
)
_GROUPED_BY_SPACE: Final = r"^[-+]?\d{1,3}(?:[ '’\u00a0\u2009\u202f]\d{3})+(?:[.,]\d+)?$"
_OVERRANGE: Final = (
    r"(?i)^>?\s*(?:O\.?L\.?|OVL|OFL|OR|overload|over\s?range|overflow|out of range|∞|inf(?:inite)?"
    r"|unendlich|infinito)\s*(?:[kMG]?\s?(?:Ω|Ω|ohms?)|[kMG])?$"
)
_HIGHEST_BARE_UNCERTAINTY: Final = 0.1
_BOUND_PREFIXES: Final = {"G": "Gohm", "M": "Mohm", "k": "kohm", "T": "Tohm"}
_SAYS_AT_LEAST: Final = r"(?i)^(?:[^\d]+\d|>|≥|O)|∞|inf|unend|range"
_ABOVE: Final = frozenset(
    {">", ">=", "≥", "≥=", "über", "ueber", "over", "above", "more than", "mehr als", "más de",
     "mas de", "min", "min."}
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkEvidence:
    """What a column says about its decimal mark.

    Attributes:
        comma: values that can only be written with a decimal comma.
        point: values that can only be written with a decimal point.
        either: values such as ``9,812`` that may be either.
    """

    comma: int = 0
    point: int = 0
    either: int = 0


def mark_evidence(texts: pl.Series, *, count_points: bool) -> MarkEvidence:
    """Count what speaks for a decimal comma and for a decimal point in a column of texts.

    Cells of a workbook that are numbers come with a point whatever the language, so points
    say nothing there: ``count_points`` is False.
    """
    commas = texts.str.contains(",", literal=True)
    with_comma = texts.filter(commas.fill_null(value=False))
    bare = with_comma.str.strip_chars().str.replace(r"^[<>≥≤=\s]+", "")
    number = r"^[-+−]?[\d.,'’ \u00a0\u2009\u202f]+"
    bare = bare.str.extract(f"({number})", 1).str.strip_chars()
    comma = bare.str.contains(r"^[-+−]?(?:\d*,(?:\d{1,2}|\d{4,})|0,\d+|\d{4,},\d+)$")
    comma = comma | bare.str.contains(r"^[-+−]?\d{1,3}(?:[.'’ ]\d{3})+,\d+$")
    point = bare.str.contains(r"^[-+−]?\d{1,3}(?:,\d{3})+\.\d+$|^[-+−]?\d{1,3}(?:,\d{3}){2,}$")
    either = bare.str.contains(r"^[-+−]?[1-9]\d{0,2},\d{3}$")
    plain = texts.filter(~commas.fill_null(value=True))
    pointed = plain.str.contains(r"^[-+−]?(?:\d*\.(?:\d{1,2}|\d{4,})|0\.\d+|\d{4,}\.\d+)$")
    return MarkEvidence(
        comma=int(comma.sum() or 0),
        point=int(point.sum() or 0) + (int(pointed.sum() or 0) if count_points else 0),
        either=int(either.sum() or 0),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    values: FloatArray
    lost: BoolArray
    doubtful: BoolArray
    bound: BoolArray
    below: BoolArray
    unit: BoolArray


def _parse_odd(
    texts: pl.Series, *, column: Column, mark: DecimalMark, convert: Conversion, grouped: bool
) -> _Parts:
    """Read what is not a plain number: groups of thousands, units, bounds."""
    parts = texts.str.extract_groups(_QUANTITY).struct.unnest()
    number = parts["number"].str.replace("[−–]", "-").str.replace(r"^([-+])\s", "$1")
    number = number.str.strip_chars()
    spaced = number.str.contains(_GROUPED_BY_SPACE).fill_null(value=False)
    number = number.str.replace_all(r"['’ \u00a0\u2009\u202f]", "").zip_with(spaced, number)
    group = "," if mark == "." else "."
    g, d = rf"\{group}", rf"\{mark}"
    in_groups = number.str.contains(rf"^[-+]?\d{{1,3}}(?:{g}\d{{3}})+(?:{d}\d+)?$")
    whole_groups = number.str.contains(rf"^[-+]?\d{{1,3}}{g}\d{{3}}$")
    plain = number.str.contains(rf"^[-+]?(?:\d+{d}?\d*|{d}\d+)$")
    fine = (in_groups | plain).fill_null(value=False)
    canonical = number.str.replace_all(group, "", literal=True)
    canonical = canonical.str.replace(mark, ".", literal=True)
    canonical = canonical + parts["exponent"].fill_null("")
    values = canonical.cast(pl.Float64, strict=False)
    doubtful = (whole_groups & pl.Series([column.kind != "integer" and not grouped])).fill_null(
        value=False
    )
    unit = parts["unit"].fill_null("").str.strip_chars()
    multiply, divide, offset, known = _unit_columns(unit, column=column, convert=convert)
    raw = values.to_numpy().astype(np.float64)
    converted = raw * multiply / divide + offset
    bound_text = parts["bound"].fill_null("").str.to_lowercase().str.strip_chars()
    has_bound = (bound_text != "").to_numpy()
    above = bound_text.is_in(list(_ABOVE)).to_numpy()
    megohm = column.unit == "Mohm"
    finite = np.isfinite(converted)
    doubt = doubtful.to_numpy()
    ok = fine.to_numpy() & known & finite & ~doubt & (~has_bound | (above & megohm))
    return _Parts(
        values=np.where(ok, converted, np.nan),
        lost=~ok,
        doubtful=doubt & known,
        bound=ok & has_bound,
        below=fine.to_numpy() & has_bound & ~above & megohm,
        unit=fine.to_numpy() & ~known,
    )


def _unit_columns(
    unit: pl.Series, *, column: Column, convert: Conversion
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Give multiplier, divisor, offset per value, and whether its unit is known."""
    uniques = unit.unique().to_list()
    table: dict[str, tuple[float, float, float, bool]] = {}
    for text in uniques:
        written = str(text)
        if written == "":
            how: Conversion | None = convert
        elif column.unit in ("Mohm", "ohm") and written in _BOUND_PREFIXES:
            how = conversion(_BOUND_PREFIXES[written], column.unit)
        else:
            how = conversion(written, column.unit)
        table[written] = (
            (how.multiply, how.divide, how.offset, True) if how else (1.0, 1.0, 0.0, False)
        )
    frame = pl.DataFrame(
        {
            "unit": list(table),
            "multiply": [entry[0] for entry in table.values()],
            "divide": [entry[1] for entry in table.values()],
            "offset": [entry[2] for entry in table.values()],
            "known": [entry[3] for entry in table.values()],
        },
        schema={
            "unit": pl.String,
            "multiply": pl.Float64,
            "divide": pl.Float64,
            "offset": pl.Float64,
            "known": pl.Boolean,
        },
    )
    joined = (
        unit.rename("unit").to_frame().join(frame, on="unit", how="left", maintain_order="left")
    )
    return (
        joined["multiply"].to_numpy(),
        joined["divide"].to_numpy(),
        joined["offset"].to_numpy(),
        joined["known"].to_numpy().astype(np.bool_),
    )


def _problem(
    check: str,
    at: BoolArray,
    message: str,
    *,
    required: str,
    remedy: str,
    verdict: Verdict = Verdict.REVIEW,
) -> Problem:
    return Problem(
        check=check,
        at=np.flatnonzero(at).astype(np.int64),
        message=message,
        required=required,
        remedy=remedy,
        verdict=verdict,
    )


def _odd_problems(
    where: BoolArray, parts: _Parts, *, column: Column, rows: int, mark: DecimalMark
) -> list[Problem]:
    """Say what is wrong with the values that could not be read."""
    at = np.flatnonzero(where)

    def spread(mask: BoolArray) -> BoolArray:
        full = np.zeros(rows, dtype=np.bool_)
        full[at[mask]] = True
        return full

    unit = column.unit or "no unit"
    kind = "a whole number" if column.kind == "integer" else "a number"
    required = f"{kind} in {unit}" if column.unit else kind
    other = parts.lost & ~parts.doubtful & ~parts.below & ~parts.unit
    found = [
        _problem(
            "number-ambiguous",
            spread(parts.doubtful),
            "Row {row} holds {found}, which may be thousands or decimals.",
            required=f"{required}, without a mark for thousands",
            remedy="Write the number without thousands marks, or name the decimal mark in a "
            "mapping file.",
        ),
        _problem(
            "value-unit",
            spread(parts.unit & ~parts.doubtful),
            "Row {row} holds {found}, whose unit is not known for this column.",
            required=required,
            remedy=f"Write the value in {unit}.",
        ),
        _problem(
            "value-below-range",
            spread(parts.below & ~parts.unit & ~parts.doubtful),
            "Row {row} holds {found}: less than the instrument can show, which is not a value.",
            required=required,
            remedy="Treat the circuit as faulty until it is measured again with a lower range.",
            verdict=Verdict.FAIL,
        ),
        _problem(
            "number-unreadable",
            spread(other),
            "Row {row} holds {found}, which is not " + kind + f" with the decimal mark '{mark}'.",
            required=required,
            remedy="Correct the value in the file.",
        ),
    ]
    return [problem for problem in found if len(problem.at)]


def _overranges(
    texts: pl.Series, values: FloatArray, groups: pl.Series | None
) -> tuple[FloatArray, BoolArray, BoolArray]:
    """Take readings above the range as the highest value the same instrument showed."""
    over = texts.str.contains(_OVERRANGE).fill_null(value=False).to_numpy()
    if not over.any():
        return values, over, over
    frame = pl.DataFrame(
        {
            "value": pl.Series(np.where(over, np.nan, values)).fill_nan(None),
            "group": groups if groups is not None else pl.repeat("", len(texts), eager=True),
        }
    )
    highest = frame.select(pl.col("value").max().over("group"))["value"]
    bound = highest.to_numpy().astype(np.float64)
    filled = np.where(over, bound, values)
    return filled, over & np.isfinite(bound), over & ~np.isfinite(bound)


def _plain(texts: pl.Series, mark: DecimalMark, *, from_cells: bool) -> pl.Series:
    """Read plain numbers at full speed; what is not one becomes null."""
    if mark == "," and not from_cells:
        pointed = texts.str.contains(".", literal=True).fill_null(value=False)
        candidates = texts.set(pointed, None) if pointed.any() else texts
        candidates = candidates.str.replace(",", ".", literal=True)
    else:
        candidates = texts
    values = candidates.cast(pl.Float64, strict=False)
    return values.set((~values.is_finite()).fill_null(value=False), None)


def _check_kind(values: FloatArray, column: Column) -> tuple[pl.Series, BoolArray]:
    """Bring values to the column's type; give those that are no whole number."""
    wrong = np.zeros(len(values), dtype=np.bool_)
    if column.kind == "integer":
        finite = np.isfinite(values)
        safe = np.where(finite, values, 0.0)
        wrong = finite & ((safe != np.floor(safe)) | (np.abs(safe) > 2.0**53))
        series = pl.Series(np.where(wrong | ~finite, 0.0, safe).astype(np.int64))
        return series.set(pl.Series(wrong | ~finite), None), wrong
    return pl.Series(values).fill_nan(None), wrong


def _ratio_notes(
    values: FloatArray, column: Column, *, unit: str, name: str
) -> tuple[FloatArray, list[Note]]:
    """Take a ratio written without unit as per cent where nothing else is possible."""
    if column.unit != "1" or unit:
        return values, []
    finite = values[np.isfinite(values)]
    if not len(finite) or not (np.median(finite) > 1.5 and finite.max() <= 100.0):
        return values, []
    note = Note(
        check="unit-assumed",
        message=f"The column {name} gives no unit and its values are above 1: taken as per cent.",
        remedy="Write the unit into the heading, for example [%].",
        found=name,
    )
    return values / 100.0, [note]


def _from_numeric(series: pl.Series, column: Column, convert: Conversion) -> Converted:
    values = series.cast(pl.Float64).to_numpy().astype(np.float64)
    values = values * convert.multiply / convert.divide + convert.offset
    infinite = np.isinf(values)
    values = np.where(infinite, np.nan, values)
    result, wrong = _check_kind(values, column)
    return _finish(result, wrong | infinite, [], [], column=column)


def _finish(
    series: pl.Series,
    wrong: BoolArray,
    problems: list[Problem],
    notes: list[Note],
    *,
    column: Column,
) -> Converted:
    if wrong.any():
        kind = "whole number" if column.kind == "integer" else "finite number"
        problems.append(
            _problem(
                "number-unreadable",
                wrong,
                "Row {row} holds {found}, which is not a " + kind + ".",
                required=f"a {kind}",
                remedy="Correct the value in the file.",
            )
        )
    return Converted(values=series, problems=tuple(problems), notes=tuple(notes))


def convert_number(
    series: pl.Series,
    *,
    column: Column,
    mark: DecimalMark,
    convert: Conversion,
    unit: str = "",
    heading: str = "",
    from_cells: bool = False,
    forced: bool = False,
    groups: pl.Series | None = None,
    points_seen: bool = True,
) -> Converted:
    """Read a column of numbers in the column's unit.

    Plain numbers are read at full speed; the rest may carry thousands marks, a unit of its own
    (it counts before the heading's) or, for insulation, say ``more than``. ``9,812`` in a column
    that nowhere shows thousands beside decimals is not guessed at but reported.

    Args:
        series: the column as read.
        column: the column meant.
        mark: decimal mark of the column.
        convert: how a value as written becomes one in the column's unit.
        unit: unit as written in the heading, empty where none was.
        heading: heading as written, for messages.
        from_cells: the texts were cells of a workbook, whose numbers carry a point.
        forced: a mapping file names the decimal mark.
        groups: instrument of each value, for readings above its range.
        points_seen: some number of the table is surely written with a decimal point.
    """
    if series.dtype.is_numeric():
        return _from_numeric(series, column, convert)
    texts = as_texts(series)
    problems: list[Problem] = []
    notes: list[Note] = []
    if column.kind == "integer" and mark == "." and not (points_seen or forced):
        texts, problems = _ungroup_counts(texts)
    plain = _plain(texts, mark, from_cells=from_cells)
    values = plain.to_numpy().astype(np.float64)
    values = values * convert.multiply / convert.divide + convert.offset
    odd = (texts.is_not_null() & plain.is_null()).to_numpy()
    if odd.any():
        rest = texts.filter(pl.Series(odd))
        grouped = forced or bool(
            rest.str.contains(
                r"^[-+]?\d{1,3}(?:,\d{3})+\.\d+$|^[-+]?\d{1,3}(?:\.\d{3})+,\d+$"
            ).any()
        )
        parts = _parse_odd(rest, column=column, mark=mark, convert=convert, grouped=grouped)
        values[odd] = parts.values
        bounded = int(parts.bound.sum())
        if column.unit == "Mohm":
            values, taken, unknown = _overranges(texts, values, groups)
            bounded += int(taken.sum())
            problems.extend(_overrange_problems(unknown))
            still = ~(taken | unknown)[odd]
            parts = _Parts(
                values=parts.values,
                lost=parts.lost & still,
                doubtful=parts.doubtful & still,
                bound=parts.bound,
                below=parts.below & still,
                unit=parts.unit & still,
            )
        problems.extend(_odd_problems(odd, parts, column=column, rows=len(texts), mark=mark))
        notes.extend(_bound_notes(bounded, texts, odd, heading))
    values, ratio_notes = _ratio_notes(values, column, unit=unit, name=heading)
    if not unit and column.name.endswith("_uncertainty_ratio") and heading != column.name:
        values, lost = _without_unit(values)
        problems.extend(lost)
    result, wrong = _check_kind(values, column)
    return _finish(result, wrong, problems, notes + ratio_notes, column=column)


def _ungroup_counts(texts: pl.Series) -> tuple[pl.Series, list[Problem]]:
    """Read ``1.240`` in a column of counts as 1240 where nothing says that points are decimals.

    Where every such count ends in ``.000`` it may also be decimals written out: reported.
    """
    three = texts.str.contains(r"^[-+]?[1-9]\d{0,2}\.\d{3}$").fill_null(value=False)
    if not three.any():
        return texts, []
    if not texts.filter(three).str.ends_with(".000").all():
        return texts.str.replace(".", "", literal=True).zip_with(three, texts), []
    doubt = _problem(
        "number-ambiguous",
        three.to_numpy(),
        "Row {row} holds {found}, which may be thousands or decimals.",
        required="a whole number without a mark for thousands",
        remedy="Write the number without marks, or name the decimal mark in a mapping file.",
    )
    return texts.set(three, None), [doubt]


def _without_unit(values: FloatArray) -> tuple[FloatArray, list[Problem]]:
    """Refuse an uncertainty above a tenth whose heading does not say whether it is per cent."""
    doubt = np.isfinite(values) & (values > _HIGHEST_BARE_UNCERTAINTY)
    if not doubt.any():
        return values, []
    problem = _problem(
        "unit-missing",
        doubt,
        "Row {row} holds {found} without a unit: a fraction or per cent?",
        required="an uncertainty with its unit in the heading",
        remedy="Write [%] behind the heading when it is per cent.",
        verdict=Verdict.FAIL,
    )
    return np.where(doubt, np.nan, values), [problem]


def _overrange_problems(unknown: BoolArray) -> list[Problem]:
    if not unknown.any():
        return []
    return [
        _problem(
            "reading-above-range",
            unknown,
            "Row {row} holds {found}: above the instrument's range, and no value of the same "
            "instrument says how much that is.",
            required="a number, or a bound such as '> 500'",
            remedy="Write the end of the instrument's range as a bound, for example '> 500'.",
        )
    ]


def _bound_notes(bounded: int, texts: pl.Series, odd: BoolArray, heading: str) -> list[Note]:
    if not bounded:
        return []
    said = texts.filter(pl.Series(odd)).drop_nulls()
    example = next(iter(said.filter(said.str.contains(_SAYS_AT_LEAST)).head(1)), "> ...")
    return [
        Note(
            check="reading-is-bound",
            message=(
                f"Of the readings under {heading} {bounded:,} say 'at least', for example "
                f"{example}: taken as the bound itself; a reading above the range "
                "counts as the highest value the same instrument showed."
            ),
            remedy="Nothing to do when the bound is far above what the test demands.",
            found=example,
            verdict=Verdict.REVIEW,
        )
    ]
