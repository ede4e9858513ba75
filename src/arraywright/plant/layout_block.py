"""A regular block of tables in a few numbers, and whether it can be built."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

from arraywright.findings import Finding, Place, Verdict
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.module_type import ModuleType

__all__ = [
    "DROP_PATTERNS",
    "MAX_POSITIONS",
    "ORIENTATIONS",
    "STRING_PATTERNS",
    "STRING_SPANS",
    "DropPattern",
    "LayoutBlock",
    "Orientation",
    "StringPattern",
    "StringSpan",
    "check_blocks",
    "why_not_possible",
]

StringPattern: TypeAlias = Literal["along_row", "daisy", "out_and_back", "leapfrog"]
StringSpan: TypeAlias = Literal["table", "row", "block"]
DropPattern: TypeAlias = Literal["per_table", "per_row", "per_block", "per_inverter"]
Orientation: TypeAlias = Literal["portrait", "landscape"]

STRING_PATTERNS: Final[tuple[str, ...]] = get_args(StringPattern)
STRING_SPANS: Final[tuple[str, ...]] = get_args(StringSpan)
DROP_PATTERNS: Final[tuple[str, ...]] = get_args(DropPattern)
ORIENTATIONS: Final[tuple[str, ...]] = get_args(Orientation)

MAX_POSITIONS: Final = 10_000_000
"""Positions one description may generate; a park of 1 GW has about two million."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LayoutBlock:
    """A regular block: rows of tables, all alike, and how strings run through them.

    The corner of the block is the upper corner of module column 1 of its first table. Columns
    count from the west end (from the south end where tables run north to south), module rows from
    the top of a table down, rows of tables from the corner in the direction the tables face.

    String patterns, each within the span: ``along_row`` runs straight along one module row;
    ``daisy`` runs along one module row and back along the next, wherever the string ends;
    ``out_and_back`` runs out along one module row and back along the row below, both ends at one
    place; ``leapfrog`` takes every second module of a row out and the others back.

    Attributes:
        name: name of the block, the first part of every name in it.
        module_type: key of the module type.
        inverter_type: key of the inverter type.
        rows_of_tables: rows of tables, one behind the other.
        tables_per_row: tables side by side in a row.
        columns: modules along a table.
        rows: modules up a table.
        pitch_m: from one row of tables to the next, level [m].
        table_gap_m: between tables of a row [m].
        module_gap_mm: between modules, both ways [mm].
        tilt_deg: tilt, 0 is level [deg].
        azimuth_deg: direction the tables face, clockwise from north [deg].
        x_m: corner of the block, east of the site's origin [m].
        y_m: corner of the block, north of the site's origin [m].
        orientation: ``portrait`` has the long side up the slope, ``landscape`` along the table.
        modules_per_string: modules in series.
        string_pattern: how a string runs, see above.
        string_span: what a string may run through: one ``table``, one ``row`` of tables, or the
            whole ``block``.
        strings_per_input: strings in parallel on one MPPT input.
        inputs_per_inverter: MPPT inputs used on one inverter.
        strings_per_combiner_box: strings in one combiner box at most, 0 when they go to the
            inverter; a box feeds one input.
        drop_point: pallets are set down ``per_table``, ``per_row`` of tables, ``per_block`` or
            ``per_inverter``.
        source_file: file the block stands in, empty when it stands in none.
        source_row: line of the file, 0 when unknown.
        source_key: dotted key of the block in the file, for example ``layout.block[2]``.
    """

    name: str
    module_type: str
    inverter_type: str
    rows_of_tables: int
    tables_per_row: int
    columns: int
    rows: int
    pitch_m: float
    table_gap_m: float = 0.5
    module_gap_mm: float = 20.0
    tilt_deg: float
    azimuth_deg: float
    x_m: float = 0.0
    y_m: float = 0.0
    orientation: Orientation = "portrait"
    modules_per_string: int
    string_pattern: StringPattern = "along_row"
    string_span: StringSpan = "row"
    strings_per_input: int
    inputs_per_inverter: int
    strings_per_combiner_box: int = 0
    drop_point: DropPattern = "per_row"
    source_file: str = ""
    source_row: int = 0
    source_key: str = ""

    @property
    def modules(self) -> int:
        """Modules of the block."""
        return self.rows_of_tables * self.tables_per_row * self.columns * self.rows

    @property
    def span_shape(self) -> tuple[int, int, int]:
        """Columns and module rows of what a string may run through, and how many there are."""
        if self.string_span == "table":
            return self.columns, self.rows, self.rows_of_tables * self.tables_per_row
        width = self.columns * self.tables_per_row
        if self.string_span == "row":
            return width, self.rows, self.rows_of_tables
        return width, self.rows * self.rows_of_tables, 1

    def module_size_m(self, module_type: ModuleType) -> tuple[float, float]:
        """Sides of a module [m]: along the table and up the slope."""
        long_m, short_m = module_type.length_mm / 1000.0, module_type.width_mm / 1000.0
        return (short_m, long_m) if self.orientation == "portrait" else (long_m, short_m)

    def table_depth_m(self, module_type: ModuleType) -> float:
        """Level depth [m] of a table, from its upper to its lower edge."""
        _, up_m = self.module_size_m(module_type)
        slope_m = self.rows * up_m + (self.rows - 1) * self.module_gap_mm / 1000.0
        return slope_m * math.cos(math.radians(self.tilt_deg))


def check_blocks(
    blocks: Sequence[LayoutBlock],
    *,
    module_types: Mapping[str, ModuleType],
    inverter_types: Mapping[str, InverterType],
) -> tuple[Finding, ...]:
    """Check that blocks can be generated and fit their module and inverter types.

    A block without a finding can be generated. The findings' places name the key, for example
    ``layout.block[2].modules_per_string``, and count blocks from 1 when they have no key.
    """
    findings: list[Finding] = []
    seen: set[str] = set()
    for number, block in enumerate(blocks, start=1):
        report = _BlockReport(block, number, findings)
        if block.name.casefold() in seen:
            report.fail(
                "name",
                "layout-block-name",
                found=block.name,
                required="a name of its own",
                remedy="Give each block another name; every name in it begins with it.",
            )
        seen.add(block.name.casefold())
        _check_counts(block, report)
        _check_types(block, report, module_types, inverter_types)
        _check_strings(block, report)
    total = sum(block.modules for block in blocks)
    if total > MAX_POSITIONS and blocks:
        _BlockReport(blocks[-1], len(blocks), findings).fail(
            "rows_of_tables",
            "layout-size",
            found=f"{total:,} positions",
            required=f"at most {MAX_POSITIONS:,} positions in one site",
            remedy="Check rows_of_tables, tables_per_row, columns and rows, or split the site.",
        )
    return tuple(findings)


def why_not_possible(block: LayoutBlock) -> str:
    """Say why a block's geometry cannot be generated; empty when it can."""
    report = _BlockReport(block, 1, [])
    _check_counts(block, report)
    _check_strings(block, report)
    return report.findings[0].message if report.findings else ""


@dataclass(frozen=True, slots=True)
class _BlockReport:
    block: LayoutBlock
    number: int
    findings: list[Finding]

    def fail(self, key: str, check: str, *, found: str, required: str, remedy: str) -> None:
        self.findings.append(
            Finding(
                check=check,
                subject_kind="description",
                subject=self.block.name,
                verdict=Verdict.FAIL,
                message=f"Block {self.block.name}, {key}: found {found}, required {required}.",
                remedy=remedy,
                found=found,
                required=required,
                place=Place(
                    file=self.block.source_file,
                    row=self.block.source_row,
                    key=f"{self.block.source_key or f'layout.block[{self.number}]'}.{key}",
                ),
            )
        )


_COUNTS: Final = (
    "rows_of_tables",
    "tables_per_row",
    "columns",
    "rows",
    "modules_per_string",
    "strings_per_input",
    "inputs_per_inverter",
)


def _check_counts(block: LayoutBlock, report: _BlockReport) -> None:
    for key in _COUNTS:
        count = getattr(block, key)
        if count < 1:
            report.fail(
                key,
                "layout-count",
                found=str(count),
                required="1 or more",
                remedy=f"Count again and correct {key}.",
            )
    if block.strings_per_combiner_box > block.strings_per_input:
        report.fail(
            "strings_per_combiner_box",
            "layout-combiner-box",
            found=str(block.strings_per_combiner_box),
            required=f"at most strings_per_input, {block.strings_per_input}",
            remedy="A combiner box feeds one input: correct one of the two.",
        )
    if not 0.0 <= block.tilt_deg < 90.0:
        report.fail(
            "tilt_deg",
            "layout-tilt",
            found=f"{block.tilt_deg:g} deg",
            required="0 deg (level) or more, below 90 deg",
            remedy="Correct tilt_deg; a wall has to be described in CSV tables.",
        )


def _check_types(
    block: LayoutBlock,
    report: _BlockReport,
    module_types: Mapping[str, ModuleType],
    inverter_types: Mapping[str, InverterType],
) -> None:
    module_type = module_types.get(block.module_type)
    inverter_type = inverter_types.get(block.inverter_type)
    if module_type is None:
        report.fail(
            "module_type",
            "layout-module-type",
            found=block.module_type,
            required=f"a described module type: {', '.join(module_types) or 'none is described'}",
            remedy="Name one of these, or describe the type under [module_types].",
        )
    elif block.rows_of_tables > 1 and block.pitch_m < block.table_depth_m(module_type):
        report.fail(
            "pitch_m",
            "layout-pitch",
            found=f"{block.pitch_m:g} m",
            required=f"at least {block.table_depth_m(module_type):.3f} m, the depth of a table",
            remedy="Rows of tables would overlap: correct pitch_m, rows, orientation or tilt_deg.",
        )
    if inverter_type is None:
        report.fail(
            "inverter_type",
            "layout-inverter-type",
            found=block.inverter_type,
            required="a described inverter type: "
            f"{', '.join(inverter_types) or 'none is described'}",
            remedy="Name one of these, or describe the type under [inverter_types].",
        )
        return
    if block.strings_per_input > inverter_type.strings_per_input:
        report.fail(
            "strings_per_input",
            "layout-strings-per-input",
            found=str(block.strings_per_input),
            required=f"at most {inverter_type.strings_per_input} with {inverter_type.key}",
            remedy="Spread the strings over more inputs, or correct the inverter type.",
        )
    if block.inputs_per_inverter > inverter_type.mppt_inputs:
        report.fail(
            "inputs_per_inverter",
            "layout-inputs-per-inverter",
            found=str(block.inputs_per_inverter),
            required=f"at most {inverter_type.mppt_inputs} with {inverter_type.key}",
            remedy="Use more inverters, or correct the inverter type.",
        )


def _check_strings(block: LayoutBlock, report: _BlockReport) -> None:
    length = block.modules_per_string
    width, depth, _ = block.span_shape
    if length < 1 or width < 1 or depth < 1:
        return
    fits: bool
    if block.string_pattern == "daisy":
        fits = width * depth % length == 0
        required = f"a divisor of the {width * depth} modules of a {block.string_span}"
    elif block.string_pattern == "out_and_back":
        fits = length % 2 == 0 and block.rows % 2 == 0 and width % max(length // 2, 1) == 0
        required = (
            f"an even number whose half divides the {width} columns, and an even number of module "
            f"rows (rows is {block.rows})"
        )
    else:
        fits = width % length == 0
        required = f"a divisor of the {width} columns in a module row"
    if not fits:
        report.fail(
            "modules_per_string",
            "layout-string-fits",
            found=f"{length} with pattern {block.string_pattern} and span {block.string_span}",
            required=required,
            remedy="Choose another modules_per_string, string_pattern or string_span, or describe "
            "the block in CSV tables.",
        )
