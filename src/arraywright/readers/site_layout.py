"""Where modules sit and strings run: blocks and tables of a site description."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path, PurePath
from typing import cast

import polars as pl

from arraywright.errors import InputFileError
from arraywright.findings import Finding, Verdict
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.layout import Layout, generate_layout
from arraywright.plant.layout_block import (
    DropPattern,
    LayoutBlock,
    Orientation,
    StringPattern,
    StringSpan,
    check_blocks,
)
from arraywright.plant.module_type import ModuleType
from arraywright.plant.site_checks import check_layout
from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_values import Description, Values, nearest, shown
from arraywright.readers.tables import read_table
from arraywright.readers.toml_lines import KeyPath, shown_path
from arraywright.tables import TableSpec

__all__ = ["LayoutReader", "described_types", "unknown_type"]


def described_types(data: Mapping[str, object], section: str) -> tuple[str, ...]:
    """Give the keys of types that are described, whether or not they are right."""
    held = data.get(section)
    return tuple(held) if isinstance(held, dict) else ()


def unknown_type(
    description: Description, values: Values, section: str, described: tuple[str, ...]
) -> None:
    """Report that a section names a type nobody has described."""
    name = section.removesuffix("s")
    near = nearest(values.text(name), described)
    description.report(
        (*values.path, name),
        f"site-{name.replace('_', '-')}-unknown",
        found=shown(values.text(name)),
        required=f"a described type: {', '.join(described) or 'none is described'}",
        remedy=f"Did you mean {near}?" if near else f"Describe it below [{section}.NAME].",
    )


class LayoutReader:
    """Reads the layout of a description and holds its parts against each other."""

    def __init__(
        self,
        description: Description,
        data: Mapping[str, object],
        *,
        module_types: Mapping[str, ModuleType],
        inverter_types: Mapping[str, InverterType],
        folder: Path,
    ) -> None:
        self.description = description
        self.data = data
        self.module_types = module_types
        self.inverter_types = inverter_types
        self.folder = folder
        self.inputs: list[tuple[str, str]] = []
        self.blocks: tuple[LayoutBlock, ...] = ()
        self._block_paths: dict[str, KeyPath] = {}

    def read(self) -> Layout | None:
        """Read blocks and tables; None when any part of them is wrong or missing."""
        data = self.data.get("layout")
        if data is None:
            self.description.report(
                ("layout",),
                "site-missing-section",
                found="nothing",
                required="a section [layout]",
                remedy="Describe at least one [[layout.block]], or name three CSV tables.",
            )
            return None
        table = self.description.table(data, ("layout",))
        if table is None:
            return None
        values = self.description.read(table, SECTIONS["layout"], ("layout",))
        named = [name for name in ("structures", "positions", "strings") if name in table]
        if "block" not in table and not named:
            self.description.report(
                ("layout",),
                "site-missing-key",
                found="neither blocks nor tables",
                required="[[layout.block]], or structures, positions and strings",
                remedy="Describe at least one block, or name the three CSV tables.",
            )
            return None
        parts = []
        if "block" in table:
            parts.append(self._blocks(table["block"]))
        if named:
            parts.append(self._tables(values))
        whole = [part for part in parts if part is not None]
        if len(whole) < len(parts):
            return None
        return self._checked(whole)

    def _tables(self, values: Values) -> Layout | None:
        frames = [self._frame(values, spec) for spec in (STRUCTURES, POSITIONS, STRINGS)]
        structures, positions, strings = frames
        if structures is None or positions is None or strings is None:
            return None
        return Layout(structures=structures, positions=positions, strings=strings)

    def _frame(self, values: Values, spec: TableSpec) -> pl.DataFrame | None:
        """Read one of the three tables; None when it is missing or no such table."""
        path: KeyPath = ("layout", spec.kind)
        if not values.has(spec.kind):
            if values.complete:
                self.description.report(
                    path,
                    "site-missing-key",
                    found="nothing",
                    required=f"the file of the {spec.title}",
                    remedy="Structures, positions and strings belong together: name all three.",
                )
            return None
        name = values.text(spec.kind)
        if Path(name).is_absolute() or ".." in PurePath(name.replace("\\", "/")).parts:
            self.description.report(
                path,
                "site-table-outside",
                found=shown(name),
                required="a file in the site folder",
                remedy="Put the file beside site.toml and write its name alone.",
            )
            return None
        try:
            reading = read_table(self.folder / name, [spec], time_zone="UTC")
        except InputFileError as error:
            self.description.report(
                path,
                "site-table-not-readable",
                found=f"{shown(name)} ({error.message})",
                required=f"a table of {spec.title}",
                remedy=error.remedy,
            )
            return None
        self.inputs.append((name, reading.sha256))
        self.description.findings += reading.findings
        return reading.frame if reading.recognised else None

    def _checked(self, parts: list[Layout]) -> Layout | None:
        """Join the parts, check the whole, and bring it into building order."""
        layout = Layout(
            structures=pl.concat([part.structures for part in parts]),
            positions=pl.concat([part.positions for part in parts]),
            strings=pl.concat([part.strings for part in parts]),
        )
        found = check_layout(
            layout,
            module_type_keys=frozenset(described_types(self.data, "module_types")),
            inverter_types={
                key: self.inverter_types.get(key)
                for key in described_types(self.data, "inverter_types")
            },
        )
        self.description.findings += found
        if any(finding.verdict is Verdict.FAIL for finding in found):
            return None
        return _in_building_order(layout)

    def _blocks(self, data: object) -> Layout | None:
        tables = self.description.tables(data, ("layout", "block"))
        if tables is None:
            return None
        read = [
            self.description.read(entry, SECTIONS["layout.block[]"], ("layout", "block", number))
            for number, entry in enumerate(tables)
        ]
        for values in read:
            for section in ("module_types", "inverter_types"):
                name = section.removesuffix("s")
                if values.has(name) and values.text(name) not in described_types(
                    self.data, section
                ):
                    values.complete = False
                    unknown_type(
                        self.description, values, section, described_types(self.data, section)
                    )
        self._block_paths = {shown_path(values.path): values.path for values in read}
        blocks = [self._block(values) for values in read if values.complete]
        blocks = [
            block
            for block in blocks
            if block.module_type in self.module_types and block.inverter_type in self.inverter_types
        ]
        found = check_blocks(
            blocks, module_types=self.module_types, inverter_types=self.inverter_types
        )
        self.description.findings += [self._with_line(finding) for finding in found]
        if found or len(blocks) < len(tables):
            return None
        self.blocks = tuple(blocks)
        return generate_layout(blocks, self.module_types)

    def _with_line(self, finding: Finding) -> Finding:
        """Give a block's finding with the line of its very key in the file."""
        if finding.place is None:
            return finding
        section, _, key = finding.place.key.rpartition(".")
        path = self._block_paths.get(section)
        if path is None:
            return finding
        return replace(finding, place=self.description.place((*path, key)))

    def _block(self, values: Values) -> LayoutBlock:
        return LayoutBlock(
            name=values.text("name"),
            module_type=values.text("module_type"),
            inverter_type=values.text("inverter_type"),
            rows_of_tables=values.integer("rows_of_tables"),
            tables_per_row=values.integer("tables_per_row"),
            columns=values.integer("columns"),
            rows=values.integer("rows"),
            pitch_m=values.number("pitch_m"),
            table_gap_m=values.number("table_gap_m"),
            module_gap_mm=values.number("module_gap_mm"),
            tilt_deg=values.number("tilt_deg"),
            azimuth_deg=values.number("azimuth_deg"),
            x_m=values.number("x_m"),
            y_m=values.number("y_m"),
            orientation=cast("Orientation", values.text("orientation")),
            modules_per_string=values.integer("modules_per_string"),
            string_pattern=cast("StringPattern", values.text("string_pattern")),
            string_span=cast("StringSpan", values.text("string_span")),
            strings_per_input=values.integer("strings_per_input"),
            inputs_per_inverter=values.integer("inputs_per_inverter"),
            strings_per_combiner_box=values.integer("strings_per_combiner_box"),
            drop_point=cast("DropPattern", values.text("drop_point")),
            source_file=self.description.file,
            source_row=self.description.lines.line(values.path),
            source_key=shown_path(values.path),
        )


def _in_building_order(layout: Layout) -> Layout:
    strings = layout.strings.sort("build_order", maintain_order=True)
    order = strings.select("string", pl.int_range(pl.len()).alias("string_number"))
    positions = (
        layout.positions.join(order, on="string", how="left", maintain_order="left")
        .sort("string_number", "place_in_string", maintain_order=True)
        .drop("string_number")
    )
    return Layout(structures=layout.structures, positions=positions, strings=strings)
