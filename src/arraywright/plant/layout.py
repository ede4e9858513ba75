"""Structures, positions and strings of regular blocks, generated from a few numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.plant.layout_block import LayoutBlock, why_not_possible
from arraywright.plant.module_type import ModuleType
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from arraywright.tables import TableSpec

__all__ = ["Layout", "generate_layout"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """A layout as three frames.

    Attributes:
        structures: frame of ``plant.tables.STRUCTURES``.
        positions: frame of ``plant.tables.POSITIONS``, strings one after the other in building
            order, each from its positive end.
        strings: frame of ``plant.tables.STRINGS``, in building order.
    """

    structures: pl.DataFrame
    positions: pl.DataFrame
    strings: pl.DataFrame


def generate_layout(
    blocks: Sequence[LayoutBlock], module_types: Mapping[str, ModuleType]
) -> Layout:
    """Generate structures, positions and strings of blocks, in the order they are given.

    Coordinates lie level in metres, x to the east and y to the north: a position's is its module's
    centre, a structure's the centre of the modules on it, both rounded to a millimetre.

    Raises:
        CallError: a block cannot be generated; ``check_blocks`` says why.
    """
    for block in blocks:
        reason = why_not_possible(block)
        if block.module_type not in module_types:
            reason = f"Module type {block.module_type} is not described."
        if reason:
            raise CallError(
                "layout-not-possible",
                f"Block {block.name} cannot be generated. {reason}",
                "Run check_blocks first and correct what it finds.",
            )
    structures, positions, strings = [STRUCTURES.empty()], [POSITIONS.empty()], [STRINGS.empty()]
    built = 0
    for block in blocks:
        part = _generate_block(block, module_types[block.module_type], built)
        structures.append(part.structures)
        positions.append(part.positions)
        strings.append(part.strings)
        built += part.strings.height
    return Layout(
        structures=pl.concat(structures),
        positions=pl.concat(positions),
        strings=pl.concat(strings),
    )


def _walk(block: LayoutBlock) -> tuple[IntArray, IntArray]:
    """Give module row and column, from 0, of one unit's modules in the order strings run."""
    width, depth, _ = block.span_shape
    length = block.modules_per_string
    count = np.arange(width * depth, dtype=np.int64)
    if block.string_pattern == "out_and_back":
        half = length // 2
        string, place = count // length, count % length
        pair, group = string // (width // half), string % (width // half)
        back = place >= half
        row = 2 * pair + back
        column = group * half + np.where(back, length - 1 - place, place)
        return row.astype(np.int64), column.astype(np.int64)
    row, column = count // width, count % width
    if block.string_pattern == "daisy":
        column = np.where(row % 2 == 1, width - 1 - column, column)
    elif block.string_pattern == "leapfrog":
        leaps = np.concatenate([np.arange(0, length, 2), np.arange(1, length, 2)[::-1]])
        column = column - column % length + leaps[column % length]
    return row, column


def _directions(azimuth_deg: float) -> tuple[float, float, float, float]:
    """Give the level unit vectors along a table (from column 1) and in the direction it faces."""
    azimuth = np.deg2rad(azimuth_deg)
    facing_x, facing_y = float(np.sin(azimuth)), float(np.cos(azimuth))
    along_x, along_y = -facing_y, facing_x
    if along_x < -1e-9 or (abs(along_x) <= 1e-9 and along_y < 0.0):
        along_x, along_y = -along_x, -along_y
    return along_x, along_y, facing_x, facing_y


def _numbered(prefix: str, count: int, *, digits: int = 2) -> list[str]:
    """Give count names with numbers of equal width, so that they sort."""
    digits = max(digits, len(str(count)))
    return [f"{prefix}{number:0{digits}d}" for number in range(1, count + 1)]


def _as_table(frame: pl.DataFrame, spec: TableSpec, block: LayoutBlock) -> pl.DataFrame:
    """Give the columns of a table in their types and order, with the block as provenance."""
    return (
        frame.with_columns(
            pl.lit(block.source_file).alias("source_file"),
            pl.lit(block.source_row).alias("source_row"),
        )
        .select(list(spec.schema))
        .cast(pl.Schema(spec.schema))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Places:
    """Where each module of a block sits, from 0, in the order strings run: (modules,) each."""

    table_row: IntArray
    table: IntArray
    row: IntArray
    column: IntArray


def _places(block: LayoutBlock) -> _Places:
    row, column = _walk(block)
    _, _, units = block.span_shape
    unit = np.repeat(np.arange(units, dtype=np.int64), len(row))
    row, column = np.tile(row, units), np.tile(column, units)
    if block.string_span == "table":
        table_row, table = unit // block.tables_per_row, unit % block.tables_per_row
    else:
        table_row = row // block.rows if block.string_span == "block" else unit
        table, column = column // block.columns, column % block.columns
        row = row % block.rows
    return _Places(table_row=table_row, table=table, row=row, column=column)


def _generate_block(block: LayoutBlock, module_type: ModuleType, built: int) -> Layout:
    places = _places(block)
    return Layout(
        structures=_structures(block, module_type),
        positions=_positions(block, module_type, places),
        strings=_strings(block, places, built),
    )


def _structure_names(block: LayoutBlock) -> list[str]:
    tables = _numbered("T", block.tables_per_row)
    return [
        f"{row}-{table}"
        for row in _numbered(f"{block.name}-R", block.rows_of_tables)
        for table in tables
    ]


def _string_names(block: LayoutBlock) -> list[str]:
    return _numbered(f"{block.name}-S", block.modules // block.modules_per_string)


def _level(
    block: LayoutBlock, along_m: npt.ArrayLike, facing_m: npt.ArrayLike
) -> tuple[FloatArray, FloatArray]:
    along_x, along_y, facing_x, facing_y = _directions(block.azimuth_deg)
    along = np.asarray(along_m, dtype=np.float64)
    facing = np.asarray(facing_m, dtype=np.float64)
    x_m = block.x_m + along * along_x + facing * facing_x
    y_m = block.y_m + along * along_y + facing * facing_y
    # Adding zero turns -0.0, which prints badly, into 0.0.
    return np.round(x_m, 3) + 0.0, np.round(y_m, 3) + 0.0


def _structures(block: LayoutBlock, module_type: ModuleType) -> pl.DataFrame:
    across_m, _ = block.module_size_m(module_type)
    gap_m = block.module_gap_mm / 1000.0
    length_m = block.columns * across_m + (block.columns - 1) * gap_m
    number = np.arange(block.rows_of_tables * block.tables_per_row)
    x_m, y_m = _level(
        block,
        (number % block.tables_per_row) * (length_m + block.table_gap_m) + length_m / 2.0,
        (number // block.tables_per_row) * block.pitch_m + block.table_depth_m(module_type) / 2.0,
    )
    frame = pl.DataFrame({"structure": _structure_names(block), "x_m": x_m, "y_m": y_m})
    frame = frame.with_columns(
        pl.lit(float(block.tilt_deg)).alias("tilt_deg"),
        pl.lit(float(block.azimuth_deg)).alias("azimuth_deg"),
    )
    return _as_table(frame, STRUCTURES, block)


def _positions(block: LayoutBlock, module_type: ModuleType, places: _Places) -> pl.DataFrame:
    across_m, up_m = block.module_size_m(module_type)
    gap_m = block.module_gap_mm / 1000.0
    length_m = block.columns * across_m + (block.columns - 1) * gap_m
    x_m, y_m = _level(
        block,
        places.table * (length_m + block.table_gap_m)
        + places.column * (across_m + gap_m)
        + across_m / 2.0,
        places.table_row * block.pitch_m
        + (places.row * (up_m + gap_m) + up_m / 2.0) * np.cos(np.deg2rad(block.tilt_deg)),
    )
    structure = pl.Series("structure", _structure_names(block)).gather(
        places.table_row * block.tables_per_row + places.table
    )
    spots = [
        f"{row}-{column}"
        for row in _numbered("", block.rows, digits=1)
        for column in _numbered("", block.columns)
    ]
    spot = pl.Series("spot", spots).gather(places.row * block.columns + places.column)
    number = np.arange(block.modules, dtype=np.int64)
    string = pl.Series("string", _string_names(block)).gather(number // block.modules_per_string)
    frame = pl.DataFrame(
        {
            "structure": structure,
            "spot": spot,
            "row": places.row + 1,
            "column": places.column + 1,
            "x_m": x_m,
            "y_m": y_m,
            "string": string,
            "place_in_string": number % block.modules_per_string + 1,
        }
    ).with_columns(pl.concat_str(["structure", "spot"], separator="-").alias("position"))
    return _as_table(frame, POSITIONS, block)


def _drop_points(block: LayoutBlock, places: _Places, inverter: IntArray) -> pl.Series:
    first = slice(None, None, block.modules_per_string)
    prefix = f"{block.name}-D"
    if block.drop_point == "per_block":
        names, index = [prefix], np.zeros_like(inverter)
    elif block.drop_point == "per_inverter":
        names, index = _numbered(prefix, int(inverter.max()) + 1), inverter
    elif block.drop_point == "per_row":
        names, index = _numbered(prefix, block.rows_of_tables), places.table_row[first]
    else:
        tables = _numbered("", block.tables_per_row)
        names = [f"{row}-{t}" for row in _numbered(prefix, block.rows_of_tables) for t in tables]
        index = places.table_row[first] * block.tables_per_row + places.table[first]
    return pl.Series("drop_point", names).gather(index)


def _strings(block: LayoutBlock, places: _Places, built: int) -> pl.DataFrame:
    names = _string_names(block)
    number = np.arange(len(names), dtype=np.int64)
    mppt_input = number // block.strings_per_input
    inverter = mppt_input // block.inputs_per_inverter
    inverter_names = pl.Series("inverter", _numbered(f"{block.name}-I", int(inverter.max()) + 1))
    input_names = pl.Series("input", _numbered("M", block.inputs_per_inverter))
    box: pl.Series
    if block.strings_per_combiner_box > 0:
        per_input = -(-block.strings_per_input // block.strings_per_combiner_box)
        in_input = number % block.strings_per_input
        box_number = mppt_input * per_input + in_input // block.strings_per_combiner_box
        boxes = _numbered(f"{block.name}-B", int(box_number.max()) + 1)
        box = pl.Series("combiner_box", boxes).gather(box_number)
    else:
        box = pl.Series("combiner_box", [None] * len(names), dtype=pl.String())
    frame = pl.DataFrame(
        {
            "string": names,
            "inverter": inverter_names.gather(inverter),
            "input": input_names.gather(mppt_input % block.inputs_per_inverter),
            "combiner_box": box,
            "drop_point": _drop_points(block, places, inverter),
            "build_order": number + built + 1,
        }
    ).with_columns(
        pl.lit(block.module_type).alias("module_type"),
        pl.lit(block.modules_per_string).alias("modules"),
        pl.lit(block.inverter_type).alias("inverter_type"),
        pl.lit(None, dtype=pl.Date).alias("build_date"),
        pl.concat_str(["inverter", "input"], separator="-").alias("mppt_input"),
    )
    return _as_table(frame, STRINGS, block)
