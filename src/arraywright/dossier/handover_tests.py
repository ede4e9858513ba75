"""Chapters of a handover dossier on the string tests: results, plots, I-V curves."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.commissioning.budget import budget_ratio
from arraywright.dossier.blocks import Block, Figure, Heading, Paragraph, Sideways, Table
from arraywright.dossier.curve_plots import PANELS_A_FIGURE, curves_plot
from arraywright.dossier.handover_map import site_boxes
from arraywright.dossier.handover_open import spans_of
from arraywright.dossier.handover_parts import PRINTED_ROWS, HandoverParts, TestPart
from arraywright.dossier.plots import deviation_plot, site_map_plot
from arraywright.dossier.words import local_time, number, percent, verdict_word
from arraywright.plant import Site

__all__ = ["curve_chapter", "string_chapter"]

_VERDICTS: Final = ("pass", "fail", "review", "not_assessable")
_ORDER: Final = {"fail": 0, "review": 1, "not_assessable": 2, "pass": 3}


def _floats(frame: pl.DataFrame, column: str) -> FloatArray:
    return frame[column].cast(pl.Float64).fill_null(float("nan")).to_numpy().astype(np.float64)


def _polarity(row: dict[str, Any]) -> str:
    words = {"pass": "right", "fail": "reversed"}
    return words.get(str(row["polarity_verdict"]), "–")


def _ratio(value: object) -> str:
    return percent(value).removesuffix(" %")


def _result_row(row: dict[str, Any], zone: str) -> tuple[str, ...]:
    return (
        str(row["string"]),
        local_time(row["measured_at"], zone)[:16],
        _polarity(row),
        number(row["voc_v"], 1),
        number(row["voc_expected_v"], 1),
        number(row["voc_expected_u_v"], 1),
        _ratio(row["voc_deviation_ratio"]),
        number(row["isc_a"], 2),
        number(row["isc_expected_a"], 2),
        number(row["isc_expected_u_a"], 2),
        _ratio(row["isc_deviation_ratio"]),
        number(row["riso_pos_megohm"], 1),
        number(row["riso_neg_megohm"], 1),
        number(row["riso_test_voltage_v"], 0),
        number(row["earth_continuity_ohm"], 2),
        verdict_word(row["verdict_standard"]),
        verdict_word(row["verdict_measurement"]),
        _joint_word(row),
        verdict_word(row["verdict"]),
    )


def _joint_word(row: dict[str, Any]) -> str:
    """Verdict of all readings together; results of earlier versions have none."""
    held = row.get("session_verdict")
    return "–" if held is None else verdict_word(held)


def _results_table(strings: pl.DataFrame, zone: str) -> Table:
    return Table(
        headings=(
            "String",
            "Read at",
            "Polarity",
            "Voc [V]",
            "expected",
            "u",
            "dev. [%]",
            "Isc [A]",
            "expected",
            "u",
            "dev. [%]",
            "Riso + [MΩ]",
            "Riso − [MΩ]",
            "at [V]",
            "Earth [Ω]",
            "Standard",
            "Measure-ment",
            "Joint",
            "Verdict",
        ),
        rows=[_result_row(row, zone) for row in strings.iter_rows(named=True)],
        align=("left", "left", "left", *("right",) * 12, "left", "left", "left", "left"),
        widths=(
            *(1.4, 1.65, 1.15, 1.05, 1.1, 0.65, 0.9, 0.95, 1.1, 0.65, 0.9),
            *(0.95, 0.95, 0.85, 0.85, 1.3, 1.3, 1.2, 1.5),
        ),
        verdict_column=18,
        caption="u: standard uncertainty (k=1) of the expected value, in its unit. dev.: measured "
        "over expected minus one. Voc stands without its sign, which is under polarity. Riso: "
        "insulation resistance of + and − to earth, and its test voltage. Earth: earth continuity. "
        "Joint: all readings explained together. "
        "A dash: no valid reading.",
    )


def _reasons_table(strings: pl.DataFrame, order: Mapping[str, int]) -> Table:
    """Give why strings did not pass; strings with the same story share a row."""
    stories: dict[tuple[str, str, str, str], list[str]] = {}
    for row in strings.iter_rows(named=True):
        story = (
            verdict_word(row["verdict"]),
            "; ".join(row["reasons"]),
            str(row["cause"] or "–"),
            " ".join(str(row.get(name) or "") for name in ("check_next", "open_next")).strip()
            or "–",
        )
        stories.setdefault(story, []).append(str(row["string"]))
    return Table(
        headings=("String", "Verdict", "Why", "Most likely", "Check next"),
        rows=[(spans_of(names, order), *story) for story, names in stories.items()],
        widths=(1.1, 1.1, 3.2, 2.4, 3),
        verdict_column=1,
    )


def _history_blocks(history: pl.DataFrame | None, zone: str) -> list[Block]:
    """Give the chain of verdicts of every string whose verdict changed."""
    if history is None:
        return []
    chains: dict[str, list[str]] = {}
    changed = history.filter(pl.len().over("string") > 1)
    for row in changed.iter_rows(named=True):
        why = f", {row['because']}" if row["because"] else ""
        chains.setdefault(str(row["string"]), []).append(
            f"{verdict_word(row['after'])} ({local_time(row['at'], zone)[:16]}, {row['person']}, "
            f"entry {str(row['entry'])[:8]}{why})"
        )
    heading = Heading(text="Verdicts that changed", level=2)
    if not chains:
        return [heading, Paragraph(text="None: every string has the verdict it was first given.")]
    shown = list(chains.items())[:PRINTED_ROWS]
    cut = f" {len(shown)} of {len(chains)} are printed." if len(shown) < len(chains) else ""
    return [
        heading,
        Table(
            headings=("String", "Verdicts in time"),
            rows=[(name, "; then ".join(steps)) for name, steps in shown],
            widths=(1.1, 9),
            caption="A verdict is never edited; it changes only by a further entry, which "
            f"supersedes the one before. All of them stay in the record.{cut}",
        ),
    ]


def _opening_caution(strings: pl.DataFrame) -> list[Block]:
    """Give the caution before any connector is opened, where opening one is advised."""
    if "open_caution" not in strings.columns:
        return []
    told = strings.filter(pl.col("open_caution") != "")["open_caution"].unique().to_list()
    return [Paragraph(text=text) for text in told]


def _per_group(site: Site, strings: pl.DataFrame, column: str) -> pl.DataFrame:
    return (
        strings.join(site.strings.select("string", column), on="string", how="left")
        .drop_nulls(column)
        .group_by(column, maintain_order=True)
        .agg(
            pl.len().alias("strings"),
            *((pl.col("verdict") == verdict).sum().alias(verdict) for verdict in _VERDICTS),
            *(
                getattr(pl.col(f"{quantity}_deviation_ratio"), kind)().alias(f"{quantity}_{kind}")
                for quantity in ("voc", "isc")
                for kind in ("min", "median", "max")
            ),
        )
    )


def _groups_table(site: Site, strings: pl.DataFrame, *, column: str, title: str) -> list[Block]:
    frame = _per_group(site, strings, column)
    if frame.is_empty():
        return []
    more = ""
    if frame.height > PRINTED_ROWS:
        more = f" {PRINTED_ROWS} of {frame.height}, those with the fewest passes first."
        frame = frame.sort(pl.col("pass") / pl.col("strings"), maintain_order=True)
    return [
        Table(
            headings=(
                title,
                "Strings",
                "Pass",
                "Fail",
                "Review",
                "Not assess.",
                "Voc least",
                "median",
                "most [%]",
                "Isc least",
                "median",
                "most [%]",
            ),
            rows=[
                (
                    str(row[column]),
                    *(str(row[name]) for name in ("strings", *_VERDICTS)),
                    *(
                        _ratio(row[f"{quantity}_{kind}"])
                        for quantity in ("voc", "isc")
                        for kind in ("min", "median", "max")
                    ),
                )
                for row in frame.head(PRINTED_ROWS).iter_rows(named=True)
            ],
            align=("left", *("right",) * 11),
            widths=(2, *(0.9,) * 4, 1, *(1,) * 6),
            caption=f"Verdicts and deviations per {title.lower()}.{more}",
        )
    ]


def _limits(parts: HandoverParts, strings: pl.DataFrame) -> str:
    wanted = parts.site.commissioning
    bands = (
        strings.select("riso_limit_megohm", "riso_test_voltage_required_v").unique().sort(pl.all())
    )
    insulation = " or ".join(
        f"{least:g} MΩ at {volts:g} V or more" for least, volts in bands.drop_nulls().rows()
    )
    return (
        f"Asked of every string: right polarity; Voc and Isc within "
        f"±{100 * wanted.tolerance_ratio:g} % of what its own modules should give at the moment of "
        f"the reading, and of like strings; insulation resistance of at least {insulation or '–'}; "
        f"earth continuity of at most {wanted.earth_continuity_max_ohm:g} Ω; readings at "
        f"{wanted.irradiance_min_w_m2:g} W/m2 or more. Besides, all valid readings are explained "
        f"together, at {budget_ratio(wanted, strings=strings.height) * strings.height:.2g} sound "
        "strings of the whole site called for nothing."
    )


def _count_sentence(strings: pl.DataFrame, *, judged_at: str) -> str:
    counts = dict(strings.group_by("verdict").len().rows())
    return (
        f"Judged at {judged_at}. {counts.get('pass', 0)} of {strings.height} strings pass, "
        f"{counts.get('fail', 0)} fail, {counts.get('review', 0)} need review, "
        f"{counts.get('not_assessable', 0)} are not assessable."
    )


def _sorted(strings: pl.DataFrame) -> pl.DataFrame:
    gravity = pl.col("verdict").replace_strict(_ORDER, default=0)
    return strings.sort(gravity, maintain_order=True)


def string_chapter(parts: HandoverParts) -> list[Block]:
    """Give the chapter of the string tests."""
    part = parts.tests
    blocks: list[Block] = [Heading(text="String tests")]
    if part is None:
        return [
            *blocks,
            Paragraph(
                text=f"Nothing has been tested yet: none of the {parts.site.strings.height} "
                "strings has a reading. No string is proven."
            ),
        ]
    strings, zone = part.strings, parts.site.time_zone
    order = {name: place for place, name in enumerate(parts.site.strings["string"].to_list())}
    wrong = _sorted(strings.filter(pl.col("verdict") != "pass"))
    blocks += [
        Paragraph(text=_count_sentence(strings, judged_at=local_time(part.at, zone))),
        Paragraph(text=_limits(parts, strings)),
        *_map_blocks(parts, strings),
        *_deviation_blocks(parts, strings),
        *_groups_table(parts.site, strings, column="inverter", title="Inverter"),
        *_groups_table(parts.site, strings, column="combiner_box", title="Combiner box"),
        Heading(text="Strings not passed", level=2),
    ]
    if wrong.is_empty():
        blocks.append(Paragraph(text="None: every string passes."))
    else:
        blocks += [
            *_cut(wrong),
            _reasons_table(wrong.head(PRINTED_ROWS), order),
            *_opening_caution(wrong),
        ]
    blocks += _history_blocks(part.history, zone)
    if strings.height <= PRINTED_ROWS:
        return [
            *blocks,
            Sideways(
                blocks=(
                    Heading(text="Results of every string", level=2),
                    _results_table(strings, zone),
                )
            ),
        ]
    said: list[Block] = [
        Heading(text="Results of strings not passed", level=2),
        Paragraph(
            text=f"The site has {strings.height} strings, more than {PRINTED_ROWS}: strings that "
            "pass are not printed one by one. The results of every string are in the attached "
            "file string-tests.csv."
        ),
    ]
    if wrong.is_empty():
        return [*blocks, *said]
    return [*blocks, Sideways(blocks=(*said, _results_table(wrong.head(PRINTED_ROWS), zone)))]


def _cut(frame: pl.DataFrame) -> list[Block]:
    if frame.height <= PRINTED_ROWS:
        return []
    return [
        Paragraph(
            text=f"{PRINTED_ROWS} of {frame.height}, the gravest first; all are in the attached "
            "file string-tests.csv."
        )
    ]


def _map_blocks(parts: HandoverParts, strings: pl.DataFrame) -> list[Block]:
    ground = site_boxes(parts.site, strings)
    if not ground.boxes:
        return []
    bands = (
        " Strings that are interleaved on a table lie in it as bands, one beside the other in "
        "building order from the south (from the west where a table is deeper than wide); a band "
        "shows which table a string is on, not which of its modules."
    )
    return [
        Heading(text="Where they are", level=2),
        Figure(
            svg=site_map_plot(ground.boxes),
            caption="The site, north up, each string by its verdict; strings not passed carry a "
            "larger sign." + (bands if ground.banded else ""),
        ),
    ]


def _deviation_blocks(parts: HandoverParts, strings: pl.DataFrame) -> list[Block]:
    voc, isc = (_floats(strings, f"{name}_deviation_ratio") for name in ("voc", "isc"))
    if not (np.isfinite(voc).any() or np.isfinite(isc).any()):
        return [Paragraph(text="No string has a valid reading of Voc or Isc to be drawn.")]
    tolerance = parts.site.commissioning.tolerance_ratio
    return [
        Heading(text="Deviations over the site", level=2),
        Figure(
            svg=deviation_plot(
                voc_deviation_ratio=voc,
                isc_deviation_ratio=isc,
                verdicts=strings["verdict"].to_list(),
                tolerance_ratio=tolerance,
            ),
            caption="Deviation of Voc and Isc from what each string's own modules should give; "
            f"dashed: ±{100 * tolerance:g} %. A value beyond the scale stands at its edge with its "
            "number. What all strings share comes from sensor and weather; what one string shows "
            "alone is its own.",
        ),
    ]


def curve_chapter(parts: HandoverParts) -> list[Block]:
    """Give the chapter of the I-V curves."""
    blocks: list[Block] = [Heading(text="I-V curves")]
    part = parts.tests
    if part is None or part.curves.is_empty():
        return [*blocks, Paragraph(text="No I-V curve has been taken.")]
    curves = _sorted(part.curves)
    return [
        *blocks,
        Paragraph(
            text=f"{curves.height} curves of {curves['string'].n_unique()} strings. Measured "
            "curves are brought to 1000 W/m2 and 25 °C and compared with what the string's own "
            "modules should give there."
        ),
        *_cut_curves(curves),
        _curves_table(curves.head(PRINTED_ROWS), parts.site.time_zone),
        *_curve_reasons(curves.head(PRINTED_ROWS), parts.site.time_zone),
        *_panel_blocks(part),
    ]


def _cut_curves(curves: pl.DataFrame) -> list[Block]:
    if curves.height <= PRINTED_ROWS:
        return []
    return [
        Paragraph(
            text=f"{PRINTED_ROWS} of {curves.height} are printed, the gravest first; all are in "
            "the attached file iv-curves.csv."
        )
    ]


def _curves_table(curves: pl.DataFrame, zone: str) -> Table:
    return Table(
        headings=(
            "String",
            "Taken at",
            "G [W/m2]",
            "Cell [°C]",
            "Pmax STC [W]",
            "by 1",
            "by 4",
            "expected",
            "dev. [%]",
            "u [%]",
            "FF [%]",
            "Rs [Ω]",
            "Verdict",
        ),
        rows=[
            (
                str(row["string"] or "without name"),
                local_time(row["measured_at"], zone)[:16],
                number(row["irradiance_w_m2"], 0),
                number(row["cell_temp_c"], 1),
                number(row["pmax_stc_w"], 0),
                number(row.get("pmax_stc_1_w"), 0),
                number(row.get("pmax_stc_4_w"), 0),
                number(row["expected_pmax_w"], 0),
                _ratio(row["deviation_ratio"]),
                _ratio(row["deviation_u_ratio"]).removeprefix("+"),
                _ratio(row["fill_factor_stc_ratio"]).removeprefix("+"),
                number(row["series_resistance_ohm"], 2),
                verdict_word(row["verdict"]),
            )
            for row in curves.iter_rows(named=True)
        ],
        align=("left", "left", *("right",) * 10, "left"),
        widths=(1.2, 1.6, 0.85, 0.75, 1, 0.9, 0.9, 1, 0.85, 0.75, 0.8, 0.75, 1.4),
        verdict_column=12,
        caption="STC: 1000 W/m2, 25 °C, by procedure 2 of IEC 60891; beside it Pmax by procedures "
        "1 and 4, the latter a dash where one diode does not describe the curve. u: standard "
        "uncertainty (k=1) of the deviation. FF: fill factor. Rs: series resistance of the "
        "string.",
    )


def _curve_reasons(curves: pl.DataFrame, zone: str) -> list[Block]:
    told = curves.filter(pl.col("reasons").list.len() > 0)
    if told.is_empty():
        return []
    return [
        Table(
            headings=("String", "Taken at", "Verdict", "What was seen"),
            rows=[
                (
                    str(row["string"] or "without name"),
                    local_time(row["measured_at"], zone)[:16],
                    verdict_word(row["verdict"]),
                    "; ".join(row["reasons"]),
                )
                for row in told.iter_rows(named=True)
            ],
            widths=(1.2, 1.6, 1.2, 6),
            verdict_column=2,
        )
    ]


def _panel_blocks(part: TestPart) -> list[Block]:
    panels = part.panels
    if not panels:
        return [Paragraph(text="No curve is assessable, so none is drawn.")]
    drawable = part.curves.filter(pl.col("verdict") != "not_assessable").height
    blocks: list[Block] = []
    if len(panels) < drawable:
        blocks.append(
            Paragraph(text=f"{len(panels)} of {drawable} curves are drawn, the gravest first.")
        )
    for start in range(0, len(panels), PANELS_A_FIGURE):
        shown = panels[start : start + PANELS_A_FIGURE]
        blocks.append(
            Figure(
                svg=curves_plot(shown),
                caption="I-V curves at standard test conditions: measured, expected with a band of "
                "twice the standard uncertainty of current and voltage, and below each the "
                "difference: " + ", ".join(panel.title for panel in shown) + ".",
            )
        )
    return blocks
