"""Cable sizes, yearly drop, loops of strings and bonding points, in words and as data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Final, Literal, TypeAlias

import polars as pl

from arraywright.design import Practice, next_sizes_mm2
from arraywright.dossier.blocks import Table
from arraywright.dossier.design_cables import CablePart
from arraywright.dossier.words import number
from arraywright.plant import Site
from arraywright.procedures.check_bonding import Bonding, bonding_of
from arraywright.procedures.check_cable_lines import CableSize, CableSizes
from arraywright.procedures.check_cable_sizes import cable_sizes
from arraywright.procedures.check_loops import LOOP_BASIS, Loops, loops_of
from arraywright.procedures.design_cases import DesignCases

__all__ = ["CableParts", "cable_parts"]

_Align: TypeAlias = Literal["left", "right"]
_DASH: Final = "–"
_SIZES_TOLD: Final = (
    "Each size is held against the very checks of this report, all power classes together; drop "
    "and yearly drop are those of the string with the greatest one. A size of the other practice "
    "has at least the same cross-section."
)
_COST_TOLD: Final = (
    "Energy is that of the middle power class over a year of the weather described; a saving has a "
    "plus. Simple years, without interest: until the energy saved has paid a thicker cable, or "
    "until the energy lost has used up what a thinner one saved."
)
_DROP_TOLD: Final = (
    "At full power under STC, and weighted with the energy of the year: the share of the year's "
    "energy that stays in the cables."
)
_ROLE_WORDS: Final = {"string": "string", "array": "behind box"}


@dataclass(frozen=True, slots=True, kw_only=True)
class CableParts:
    """What is told about sizes, loops and bonding.

    Attributes:
        parts: tables with their sentences, for the report and the terminal.
        sentences: the most important of them, for the summary.
        result: plain data.
        frames: tables to be written, by name of the file without its ending.
    """

    parts: tuple[CablePart, ...]
    sentences: tuple[str, ...]
    result: dict[str, object]
    frames: dict[str, pl.DataFrame]


def cable_parts(site: Site, found: DesignCases, *, practice: Practice) -> CableParts:
    """Work out cable sizes, yearly drop, loops of strings and bonding points of a site.

    Args:
        site: the site.
        found: its checks with cable runs and weather.
        practice: whose sizes and tables count.
    """
    sizes = cable_sizes(site, found, practice=practice)
    loops = loops_of(site, found)
    bonding = bonding_of(site, practice=practice)
    frames = {}
    if sizes.strings is not None:
        frames["string-cables"] = sizes.strings
    if not loops.routes.is_empty():
        frames["string-loops"] = loops.routes
    if bonding.tables is not None:
        frames["bonding-points"] = bonding.tables
    parts = (*_size_parts(sizes, practice), *_loop_parts(loops), *_bonding_parts(bonding))
    return CableParts(
        parts=parts,
        sentences=tuple(
            sentence
            for sentence in (_missing_sentence(sizes), *loops.sentences[:1], _ordered(bonding))
            if sentence
        ),
        result={
            "sizes": [asdict(one) for one in sizes.sizes],
            "voltage_drop": [asdict(one) for one in sizes.drops],
            "left_open": {key: list(what) for key, what in sizes.missing.items()},
            "loops": {
                "basis": LOOP_BASIS,
                "lines": [asdict(one) for one in loops.lines],
                "sentences": list(loops.sentences),
            },
            "bonding": {
                "tables": [asdict(one) for one in bonding.lines],
                "order": [asdict(one) for one in bonding.order],
                "sentences": list(bonding.sentences),
            },
        },
        frames=frames,
    )


def _table(
    headings: Sequence[str], rows: Sequence[Sequence[str]], *, left: int, widths: Sequence[float]
) -> Table:
    """Give a table whose first columns are words, with relative widths on paper."""
    aligned: list[_Align] = ["left" if at < left else "right" for at in range(len(headings))]
    return Table(headings=tuple(headings), rows=rows, align=tuple(aligned), widths=tuple(widths))


def _yes(held: bool | None) -> str:  # noqa: FBT001
    if held is None:
        return _DASH
    return "yes" if held else "no"


def _signed(value: float | None, digits: int) -> str:
    """Write a difference with its sign; nothing is plain 0."""
    if value is None:
        return _DASH
    text = number(value, digits)
    zero = not float(f"{value:.{digits}f}")
    return number(0.0, digits) if zero else f"+{text}" if value > 0.0 else text


def _size_words(one: CableSize) -> str:
    return f"{one.size}, as described" if one.chosen else one.size


def _missing_sentence(sizes: CableSizes) -> str:
    if not sizes.missing:
        return ""
    told = [f"{', '.join(what)} ({key})" for key, what in sizes.missing.items()]
    return f"Left open about cables, with the key that would say it: {'; '.join(told)}."


def _ends(sizes: CableSizes, practice: Practice) -> list[str]:
    """Say where the table of sizes ends, for cables that have no next size in it."""
    chosen = [one for one in sizes.sizes if one.chosen]
    told = []
    for one in {(one.role, one.area_mm2): one for one in chosen}.values():
        below, above = next_sizes_mm2(one.area_mm2, practice=practice)
        for side, held in (("below", below), ("above", above)):
            if held is None:
                told.append(f"The tables held here know no size {side} {one.size}.")
    return told


def _size_parts(sizes: CableSizes, practice: Practice) -> list[CablePart]:
    parts: list[CablePart] = []
    if sizes.sizes:
        fits = CablePart(
            title="Cable sizes, with the next below and above",
            sentences=(_SIZES_TOLD, *_ends(sizes, practice)),
            table=_table(
                (
                    "Cable",
                    "Of",
                    "Size",
                    "As AWG" if practice is Practice.IEC else "As mm2",
                    "Carries [A]",
                    "Must [A]",
                    "Ampacity",
                    "Protection",
                    "Drop [%]",
                    "Drop fits",
                    "Year [%]",
                ),
                [
                    (
                        _ROLE_WORDS[one.role],
                        one.of,
                        _size_words(one),
                        one.other,
                        number(one.carries_a, 1),
                        number(one.must_carry_a, 1),
                        _yes(one.ampacity_fits),
                        _yes(one.protection_fits),
                        number(one.drop_percent, 2),
                        _yes(one.drop_fits),
                        number(one.yearly_drop_percent, 2),
                    )
                    for one in sizes.sizes
                ],
                left=4,
                widths=(1.4, 2.4, 2.2, 1.2, 1.2, 0.9, 1.5, 1.6, 0.9, 0.8, 0.8),
            ),
        )
        cost = CablePart(
            title="What another cable size costs and saves",
            sentences=(
                _COST_TOLD,
                *([text] if (text := _missing_sentence(sizes)) else ()),
            ),
            table=_table(
                (
                    "Cable",
                    "Of",
                    "Size",
                    "Conductor [m]",
                    "Loss [kWh/a]",
                    "Saved [kWh/a]",
                    "Cable cost",
                    "Cost difference",
                    "Energy a year",
                    "Years",
                ),
                [
                    (
                        _ROLE_WORDS[one.role],
                        one.of,
                        _size_words(one),
                        number(one.conductor_m, 0),
                        number(one.loss_kwh, 0),
                        _signed(one.saved_kwh, 0),
                        number(one.cost, 0),
                        _signed(one.cost_difference, 0),
                        _signed(one.saved_value, 0),
                        number(one.payback_years, 1),
                    )
                    for one in sizes.sizes
                ],
                left=3,
                widths=(1.4, 2.4, 2.2, 1.4, 1.2, 1.2, 1.0, 1.5, 1.1, 0.9),
            ),
        )
        parts += [fits, cost]
    if sizes.drops:
        parts.append(
            CablePart(
                title="Voltage drop between modules and inverter",
                sentences=(_DROP_TOLD,),
                table=_table(
                    (
                        "Of",
                        "Strings",
                        "Greatest [%]",
                        "over the year [%]",
                        "All [%]",
                        "over the year [%]",
                        "Loss [kWh/a]",
                        "Worth a year",
                    ),
                    [
                        (
                            one.of,
                            str(one.strings),
                            number(one.greatest_percent, 2),
                            number(one.greatest_year_percent, 2),
                            number(one.mean_percent, 2),
                            number(one.mean_year_percent, 2),
                            number(one.loss_kwh, 0),
                            number(one.loss_value, 0),
                        )
                        for one in sizes.drops
                    ],
                    left=1,
                    widths=(3, 1, 1.2, 1.2, 1, 1.2, 1.3, 1.1),
                ),
            )
        )
    return parts


def _loop_parts(loops: Loops) -> list[CablePart]:
    if not loops.lines:
        return []
    return [
        CablePart(
            title="Loops of strings, as described and the other way",
            sentences=loops.sentences,
            table=_table(
                (
                    "Of",
                    "Route",
                    "Strings",
                    "Loops [m2]",
                    "Greatest [m2]",
                    "Induced [V]",
                    "Step [m]",
                    "Leads reach",
                    "String cable [m]",
                ),
                [
                    (
                        one.of,
                        f"{one.route}, as described" if one.described else one.route,
                        str(one.strings),
                        number(one.total_m2, 1),
                        number(one.greatest_m2, 2),
                        number(one.greatest_voltage_v, 0),
                        number(one.step_m, 2),
                        _yes(one.leads_reach),
                        number(one.string_cable_m, 0),
                    )
                    for one in loops.lines
                ],
                left=2,
                widths=(2.6, 2.6, 1, 1, 1.2, 1.1, 1, 1, 1.3),
            ),
        )
    ]


def _ordered(bonding: Bonding) -> str:
    """Tell in one sentence what the bonding of the site takes."""
    if not bonding.order:
        return ""
    told = []
    for one in bonding.order:
        pieces = [] if one.count is None else [f"{one.count}"]
        metres = [] if one.length_m is None else [f"{one.length_m:.0f} m"]
        if pieces or metres:
            told.append(f"{one.item} {', '.join(pieces + metres)}")
    return f"Bonding takes: {'; '.join(told)}."


def _bonding_parts(bonding: Bonding) -> list[CablePart]:
    if not bonding.lines:
        return []
    return [
        CablePart(
            title="Bonding points of each table",
            sentences=bonding.sentences,
            table=_table(
                (
                    "Table",
                    "Tables",
                    "Modules",
                    "On frames",
                    "Connections",
                    "Points",
                    "Jumpers",
                    "Conductor [m]",
                ),
                [
                    (
                        one.table_type,
                        str(one.tables),
                        str(one.modules),
                        str(one.module_bonds),
                        str(one.table_connections),
                        str(one.bonding_points),
                        _DASH if one.jumpers is None else str(one.jumpers),
                        number(one.conductor_m, 1),
                    )
                    for one in bonding.lines
                ],
                left=1,
                widths=(2.4, 1, 1, 1.2, 1.5, 1, 1, 1.3),
            ),
        ),
        CablePart(
            title="Bonding: what the site takes",
            table=_table(
                ("What", "Of", "Pieces", "Length [m]"),
                [
                    (
                        one.item,
                        one.note,
                        _DASH if one.count is None else str(one.count),
                        number(one.length_m, 0),
                    )
                    for one in bonding.order
                ],
                left=2,
                widths=(3, 3, 1, 1.2),
            ),
        ),
    ]
