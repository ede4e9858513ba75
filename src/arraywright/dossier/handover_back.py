"""Chapters at the end of a handover dossier: method, instruments, inputs, sources, cautions."""

from __future__ import annotations

from dataclasses import fields
from typing import Final

import numpy as np
import polars as pl

from arraywright.commissioning import Assumptions, ExpectedStrings
from arraywright.commissioning.instruments import DEFAULT_INSTRUMENT_UNCERTAINTY
from arraywright.commissioning.standard import SYSTEM_VOLTAGE_FACTOR
from arraywright.dossier.blocks import Block, Caution, Facts, Heading, Paragraph, Table
from arraywright.dossier.handover_parts import PRINTED_ROWS, HandoverParts, TestPart
from arraywright.dossier.words import GENERAL_CAUTION, number
from arraywright.sources import SOURCES

__all__ = [
    "HANDOVER_CAUTION",
    "caution_blocks",
    "input_blocks",
    "instrument_blocks",
    "method_blocks",
    "source_blocks",
]

HANDOVER_CAUTION: Final = (
    *GENERAL_CAUTION,
    (
        "A string marked fail, review or not assessable is not proven: whoever decides to connect "
        "or energise it must be qualified to do so, and does it on their own judgement."
    ),
    (
        "A string with low insulation resistance can put frames and structures under voltage: keep "
        "people away from its metal until a licensed electrician has found the cause."
    ),
    (
        "After switching off, capacitors in inverters stay charged; wait as long as their maker "
        "says, and prove dead before touching."
    ),
    (
        "A verdict holds for the moment of its reading; heat, water, animals and work done later "
        "can change it."
    ),
)

_ASSUMED: Final = {
    "flash_voc_common_ratio": "Voc on the maker's flasher, shared by all modules",
    "flash_voc_own_ratio": "flashed Voc of one module",
    "flash_isc_common_ratio": "Isc on the maker's flasher, shared by all modules",
    "flash_isc_own_ratio": "flashed Isc, one string",
    "flash_pmax_common_ratio": "Pmax on the maker's flasher, shared by all modules",
    "flash_pmax_own_ratio": "flashed Pmax of one module",
    "class_voc_own_ratio": "Voc of strings within a class, where the modules are not known",
    "class_isc_own_ratio": "Isc of strings within a class, where the modules are not known",
    "meter_repeatability_v_ratio": "repeated voltage readings of one meter",
    "meter_repeatability_a_ratio": "repeated current readings of one meter",
    "irradiance_own_ratio": "irradiance at the string against the sensor at that moment",
    "spectrum_angle_ratio": "spectrum and angle, sensor against modules",
    "beta_uncertainty_ratio": "temperature coefficient of Voc, of its value",
    "alpha_uncertainty_ratio": "temperature coefficient of Isc, of its value",
}
_INSTRUMENT_DEFAULTS: Final = {
    "voltage_uncertainty_ratio": "voltage, instrument that states none",
    "current_uncertainty_ratio": "current, instrument that states none",
    "irradiance_uncertainty_ratio": "irradiance, instrument that states none",
    "temperature_uncertainty_k": "temperature, instrument that states none",
    "resistance_uncertainty_ratio": "resistance, instrument that states none",
}
_USED_ALWAYS: Final = ("iec-62446-1", "de-soto-2006", "jcgm-100", "common-practice", "memory")


def _size(name: str, value: float) -> str:
    return f"{value:g} K" if name.endswith("_k") else f"{100 * value:g} %"


def _word(name: str) -> str:
    return name.removesuffix("_ratio").removesuffix("_k").replace("_", " ")


def _assumptions_table(parts: HandoverParts) -> Table:
    used = Assumptions()
    rows = [
        (_ASSUMED.get(held.name, _word(held.name)), getattr(used, held.name), held.name)
        for held in fields(used)
    ]
    rows += [
        (_INSTRUMENT_DEFAULTS.get(name, _word(name)), value, name)
        for name, value in DEFAULT_INSTRUMENT_UNCERTAINTY.items()
    ]
    rows.append(
        (
            "cell temperature of one string against the thermometer",
            parts.site.commissioning.cell_temp_uncertainty_k,
            "cell_temp_uncertainty_k",
        )
    )
    return Table(
        headings=("Standard uncertainty (k=1) of", "Taken as", "Grade"),
        rows=[(words, _size(name, value), "common practice") for words, value, name in rows],
        align=("left", "right", "left"),
        widths=(4, 1, 1.4),
        caption="Used where no certificate, list or data sheet states a value.",
    )


def _uncertainty_rows(part: TestPart) -> list[tuple[str, ...]]:
    out: list[tuple[str, ...]] = []
    for quantity, name in (("voc", "Voc"), ("isc", "Isc")):
        for column, against in (
            (f"{quantity}_deviation_u_ratio", "what its own modules should give"),
            (f"{quantity}_like_u_ratio", "neighbours tested close in time"),
        ):
            held = part.strings[column].drop_nulls().to_numpy()
            if not len(held):
                continue
            middle = 100.0 * float(np.median(held))
            out.append(
                (
                    name,
                    against,
                    str(len(held)),
                    f"{middle:.2f}",
                    f"{2 * middle:.2f}",
                    f"{200 * float(held.max()):.2f}",
                )
            )
    return out


def method_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter that says how it was tested and judged, and how sure that is."""
    wanted = parts.site.commissioning
    part = parts.tests
    blocks: list[Block] = [Heading(text="How it was judged")]
    if part is None:
        return [*blocks, Paragraph(text="Nothing was judged: no string has been tested.")]
    blocks += [
        Paragraph(text=part.method),
        Paragraph(
            text=f"Expected values: {ExpectedStrings.method}. Strings whose modules are not known "
            "are compared with the values of their class, with a larger uncertainty, and say so."
        ),
        Paragraph(
            text="Neighbours: strings of one type and length read within "
            f"{wanted.neighbour_window_min:g} minutes. Sensor, weather and flasher act on all of "
            "them alike and cancel; what remains belongs to one string. The limit is set so that "
            f"of {1 / wanted.false_alarm_ratio:,.0f} sound strings about one is pointed out "
            "wrongly.".replace(",", " ", 1)
        ),
        Paragraph(
            text="Overall: fail when the standard's verdict fails; review when the measurement "
            "alone deviates; not assessable when a required test is missing or its conditions were "
            "not valid; pass otherwise. For each test the newest valid reading counts."
        ),
        *([] if part.curves.is_empty() else [Paragraph(text=f"I-V curves: {part.curve_method}")]),
        Heading(text="Uncertainty", level=2),
        Paragraph(
            text="u is a standard uncertainty, coverage factor k=1 (JCGM 100:2008), combined to "
            "first order from instruments, flash lists, temperature, irradiance and coefficients. "
            "U = 2u is the expanded uncertainty, coverage factor k=2; for a normal distribution "
            "about 95 % of values lie within it. The verdict by the standard compares the "
            "deviation with its limit without adding or taking off the uncertainty; the verdict by "
            "the measurement is the one that weighs it."
        ),
    ]
    rows = _uncertainty_rows(part)
    if rows:
        blocks.append(
            Table(
                headings=(
                    "Of",
                    "Deviation from",
                    "Strings",
                    "u (k=1) [%], median",
                    "U (k=2) [%], median",
                    "U (k=2) [%], greatest",
                ),
                rows=rows,
                align=("left", "left", *("right",) * 4),
                widths=(0.6, 3, 0.8, 1.4, 1.4, 1.5),
            )
        )
    return [
        *blocks,
        Heading(text="What rests on common practice", level=2),
        Paragraph(
            text="These values have no published source; they are common practice of the trade, "
            "taken on the wide side. Whoever knows better enters the value with the instrument, or "
            "in the description of the site."
        ),
        _assumptions_table(parts),
        Heading(text="What rests on memory", level=2),
        Paragraph(
            text="The insulation test voltages and least insulation resistances by system voltage, "
            f"the factor of {SYSTEM_VOLTAGE_FACTOR:g} between a string's Voc and its system "
            "voltage, and the clause numbers of IEC 62446-1 are written down from memory. Compare "
            "them with the standard before anyone relies on them."
        ),
    ]


def instrument_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter about the instruments."""
    blocks: list[Block] = [Heading(text="Instruments")]
    part = parts.tests
    if part is None:
        return [*blocks, Paragraph(text="No instrument was used: nothing has been tested.")]
    if part.instruments.is_empty():
        return [
            *blocks,
            Paragraph(
                text="No list of instruments was handed in. Readings of unknown instruments carry "
                "no verdict."
            ),
        ]
    columns = ("meter", "irradiance_sensor", "thermometer", "insulation_tester")
    used = (
        part.readings.unpivot(on=[name for name in columns if name in part.readings.columns])
        .drop_nulls("value")
        .group_by("value")
        .len()
    )
    counts = dict(used.rows())
    return [
        *blocks,
        Table(
            headings=(
                "Instrument",
                "What it is",
                "Calibrated",
                "Lapses",
                "Voltage",
                "Current",
                "Irradiance",
                "Temp.",
                "Resistance",
                "Readings",
            ),
            rows=[
                (
                    str(row["instrument"]),
                    str(row["description"] or "–"),
                    str(row["calibrated_on"] or "–"),
                    str(row["calibration_due_on"] or "–"),
                    *(
                        "–" if row[name] is None else _size(name, row[name])
                        for name in DEFAULT_INSTRUMENT_UNCERTAINTY
                    ),
                    number(counts.get(row["instrument"], 0), 0),
                )
                for row in part.instruments.head(PRINTED_ROWS).iter_rows(named=True)
            ],
            align=("left", "left", "left", "left", *("right",) * 6),
            widths=(1.2, 2, 1.3, 1.3, 0.9, 0.9, 1.1, 0.8, 1.2, 1),
            caption="Standard uncertainties (k=1) as stated with the instrument; a dash: not "
            "stated. Readings: readings that name the instrument.",
        ),
    ]


def input_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter about the record and every file it rests on."""
    files = parts.files
    cut = (
        [Paragraph(text=f"{PRINTED_ROWS} of {len(files)} files, the newest last.")]
        if len(files) > PRINTED_ROWS
        else []
    )
    return [
        Heading(text="Record and inputs"),
        Facts(
            pairs=(
                ("Software", parts.made_by),
                ("Made by", parts.person),
                ("Entries in the record", str(parts.seal_entries)),
                ("Seal of the record", parts.seal_receipt),
            )
        ),
        Paragraph(
            text="The seal pins every entry made before this document was entered: with the count "
            "of entries it shows, years later, whether anything up to here was changed, removed or "
            "put in between. Keep this page apart from the record."
        ),
        Heading(text="Files", level=2),
        Paragraph(
            text="SHA-256 of every file the description consists of and of every file handed in. A "
            "superseded or withdrawn file is kept and no longer used."
        ),
        *cut,
        Table(
            headings=("File", "Holds", "Rows", "State", "SHA-256"),
            rows=[
                (one.name, one.holds, one.rows, one.state, one.sha256)
                for one in files[-PRINTED_ROWS:]
            ],
            align=("left", "left", "right", "left", "left"),
            widths=(2, 1.2, 0.6, 1.3, 5.1),
        ),
    ]


def source_blocks(parts: HandoverParts) -> list[Block]:
    """Give the chapter of the sources that verdicts and limits cite."""
    keys = [one.basis.partition(" ")[0] for one in parts.findings if one.basis]
    if parts.tests is not None:
        keys += _USED_ALWAYS
        if not parts.tests.curves.is_empty():
            keys += ["iec-60891", "astm-e1036"]
    if parts.delivery is not None and parts.delivery.inspection:
        keys += ["iso-2859-1", "mil-std-105e"]
    used = [SOURCES[key] for key in sorted(set(keys)) if key in SOURCES]
    blocks: list[Block] = [Heading(text="Sources")]
    if not used:
        return [*blocks, Paragraph(text="Nothing in this document rests on a published source.")]
    return [
        *blocks,
        Table(
            headings=("Title", "Edition", "To be had as", "Grade"),
            rows=[
                (one.title, one.edition or "–", one.locator or "–", one.grade.replace("_", " "))
                for one in used
            ],
            widths=(4, 1.8, 2, 1.2),
        ),
    ]


def caution_blocks() -> list[Block]:
    """Give the chapter of cautions."""
    return [
        Heading(text="Cautions"),
        Paragraph(
            text="These are the usual cautions, in our own words. Local codes, the makers' "
            "instructions and licensed people decide; where they differ, they apply."
        ),
        Caution(lines=HANDOVER_CAUTION),
    ]


def readings_span(readings: pl.DataFrame) -> pl.DataFrame:
    """Give the first and last moment of the readings and their count, one row."""
    return readings.select(
        first=pl.col("measured_at").min(), last=pl.col("measured_at").max(), count=pl.len()
    )
