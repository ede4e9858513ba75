"""Structures, positions and strings held against each other and against their types."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

import polars as pl

from arraywright.findings import Finding, Place, Verdict
from arraywright.plant.inverter_type import InverterType
from arraywright.plant.layout import Layout
from arraywright.plant.site import Site

__all__ = ["LISTED_MAX", "check_layout", "check_site"]

LISTED_MAX: Final = 1000
"""Findings of one check listed one by one; the rest is counted in one more."""


def check_site(site: Site) -> tuple[Finding, ...]:
    """Check that the layout of a site is consistent and fits its module and inverter types.

    A layout in which everything agrees gives one passing finding; see ``check_layout``.
    """
    return check_layout(
        Layout(structures=site.structures, positions=site.positions, strings=site.strings),
        module_type_keys=frozenset(site.module_types),
        inverter_types=site.inverter_types,
    )


def check_layout(
    layout: Layout,
    *,
    module_type_keys: frozenset[str],
    inverter_types: Mapping[str, InverterType | None],
) -> tuple[Finding, ...]:
    """Check structures, positions and strings against each other and against the types.

    Names are unique; numbers are possible; every position is on a described structure, in a
    described string, and nowhere twice; a string has as many positions as modules, with places
    1 to n once each; types are described; an input belongs to one inverter, an inverter has one
    type and no more inputs and strings per input than that allows; strings on one input are alike.
    An inverter type that is None is known by name only and its numbers are not checked.
    """
    report = _Report()
    structures, positions, strings = layout.structures, layout.positions, layout.strings
    if positions.is_empty() or strings.is_empty():
        report.findings.append(
            Finding(
                check="layout-empty",
                subject_kind="site",
                subject="layout",
                verdict=Verdict.FAIL,
                message=f"Found {positions.height} positions and {strings.height} strings, "
                "required at least one of each.",
                remedy="Describe the positions and strings that are to be built.",
                found=f"{positions.height} positions and {strings.height} strings",
                required="at least one of each",
            )
        )
    _check_names(report, layout)
    _check_numbers(report, layout)
    _check_positions(report, structures, positions, strings)
    _check_string_places(report, positions, strings)
    _check_types(report, strings, module_type_keys, inverter_types)
    _check_inputs(report, strings, inverter_types)
    _check_planes(report, layout)
    if not any(finding.verdict is Verdict.FAIL for finding in report.findings):
        report.findings.insert(
            0,
            Finding(
                check="layout",
                subject_kind="site",
                subject="layout",
                verdict=Verdict.PASS,
                message=f"{positions.height:,} positions on {structures.height:,} structures in "
                f"{strings.height:,} strings agree with each other.",
                value=float(positions.height),
                unit="positions",
            ),
        )
    return tuple(report.findings)


_Row = dict[str, object]


@dataclass(slots=True)
class _Report:
    findings: list[Finding] = field(default_factory=list)

    def rows(
        self,
        frame: pl.DataFrame,
        check: str,
        *,
        kind: str,
        subject: str,
        found: Callable[[_Row], str],
        required: Callable[[_Row], str] | str,
        remedy: str,
        column: str = "",
        verdict: Verdict = Verdict.FAIL,
    ) -> None:
        """Make a finding of every row of a frame, or count those beyond the listed ones."""
        for row in frame.head(LISTED_MAX).iter_rows(named=True):
            name = str(row[subject])
            wanted = required if isinstance(required, str) else required(row)
            seen = found(row)
            self.findings.append(
                Finding(
                    check=check,
                    subject_kind=kind,
                    subject=name,
                    verdict=verdict,
                    message=f"{_KINDS.get(subject, subject)} {name}: found {seen}, required "
                    f"{wanted}.",
                    remedy=remedy,
                    found=seen,
                    required=wanted,
                    place=_place(row, column),
                )
            )
        if frame.height > LISTED_MAX:
            self.findings.append(
                Finding(
                    check=check,
                    subject_kind="site",
                    subject="layout",
                    verdict=verdict,
                    message=f"{frame.height - LISTED_MAX:,} more like the {LISTED_MAX:,} listed "
                    f"({check}).",
                    remedy=remedy,
                    value=float(frame.height - LISTED_MAX),
                )
            )


_KINDS: Final = {
    "mppt_input": "Input",
    "structure": "Structure",
    "position": "Position",
    "string": "String",
    "inverter": "Inverter",
    "combiner_box": "Combiner box",
}


def _place(row: _Row, column: str) -> Place | None:
    file, line = row.get("source_file"), row.get("source_row")
    if not isinstance(file, str) or not file:
        return None
    return Place(file=file, row=line if isinstance(line, int) else 0, column=column)


def _check_names(report: _Report, layout: Layout) -> None:
    for frame, name, kind in (
        (layout.structures, "structure", "description"),
        (layout.positions, "position", "position"),
        (layout.strings, "string", "string"),
    ):
        report.rows(
            frame.filter(~pl.col(name).is_first_distinct()),
            f"layout-{name}-doubled",
            kind=kind,
            subject=name,
            column=name,
            found=lambda _: "the name once more",
            required="a name of its own",
            remedy="Give each its own name, or take the doubled row out.",
        )


def _check_numbers(report: _Report, layout: Layout) -> None:
    for frame, subject, kind, column, low, high in (
        (layout.structures, "structure", "description", "tilt_deg", 0.0, 90.0),
        (layout.structures, "structure", "description", "azimuth_deg", 0.0, 360.0),
        (layout.positions, "position", "position", "row", 1.0, 1e6),
        (layout.positions, "position", "position", "column", 1.0, 1e6),
        (layout.strings, "string", "string", "modules", 1.0, 1e4),
        (layout.strings, "string", "string", "build_order", 1.0, 1e9),
    ):
        report.rows(
            frame.filter(~pl.col(column).is_between(low, high) | pl.col(column).is_null()),
            "layout-range",
            kind=kind,
            subject=subject,
            column=column,
            found=lambda row, column=column: f"{column} {row[column]}",  # type: ignore[misc]
            required=f"{low:.0f} to {high:.0f}",
            remedy=f"Correct {column}.",
        )
    report.rows(
        layout.strings.filter(~pl.col("build_order").is_first_distinct()),
        "layout-build-order",
        kind="string",
        subject="string",
        column="build_order",
        found=lambda row: f"build_order {row['build_order']} once more",
        required="a number of its own",
        remedy="Number the strings in the order they are built.",
    )
    _check_build_dates(report, layout.strings)


def _check_build_dates(report: _Report, strings: pl.DataFrame) -> None:
    """A string later in building order is not built on an earlier day."""
    dated = strings.filter(pl.col("build_date").is_not_null()).sort("build_order")
    report.rows(
        dated.with_columns(before=pl.col("build_date").cum_max().shift(1)).filter(
            pl.col("build_date") < pl.col("before")
        ),
        "layout-build-date",
        kind="string",
        subject="string",
        column="build_date",
        found=lambda row: f"build_date {row['build_date']}",
        required=lambda row: (
            f"not before {row['before']}, on which a string stands that is earlier in build_order"
        ),
        remedy="Number the strings in the order they are built, or correct the date.",
    )


def _check_positions(
    report: _Report, structures: pl.DataFrame, positions: pl.DataFrame, strings: pl.DataFrame
) -> None:
    for other, name, remedy in (
        (structures, "structure", "Describe the structure, or correct its name here."),
        (strings, "string", "Describe the string, or correct its name here."),
    ):
        report.rows(
            positions.filter(~pl.col(name).is_in(other[name].implode())),
            f"layout-{name}-unknown",
            kind="position",
            subject="position",
            column=name,
            found=lambda row, name=name: f"{name} {row[name]}",  # type: ignore[misc]
            required=f"a described {name}",
            remedy=remedy,
        )
    report.rows(
        positions.filter(~pl.struct("structure", "row", "column").is_first_distinct()),
        "layout-place-doubled",
        kind="position",
        subject="position",
        column="column",
        found=lambda row: f"row {row['row']}, column {row['column']} of {row['structure']} twice",
        required="one position in one place",
        remedy="Correct structure, row or column.",
    )
    report.rows(
        positions.filter(~pl.struct("x_m", "y_m").is_first_distinct()),
        "layout-coordinates-doubled",
        kind="position",
        subject="position",
        column="x_m",
        found=lambda row: f"x_m {row['x_m']}, y_m {row['y_m']} twice",
        required="coordinates of its own",
        remedy="Correct x_m and y_m; of blocks, check their corners.",
    )
    report.rows(
        structures.filter(~pl.col("structure").is_in(positions["structure"].unique().implode())),
        "layout-structure-empty",
        kind="description",
        subject="structure",
        verdict=Verdict.REVIEW,
        found=lambda _: "no position",
        required="at least one position",
        remedy="Add its positions, or take the structure out.",
    )


def _check_string_places(report: _Report, positions: pl.DataFrame, strings: pl.DataFrame) -> None:
    places = positions.group_by("string").agg(
        pl.len().cast(pl.Int64()).alias("positions"),
        pl.col("place_in_string").n_unique().cast(pl.Int64()).alias("places"),
        pl.col("place_in_string").min().alias("first"),
        pl.col("place_in_string").max().alias("last"),
    )
    joined = strings.unique("string", keep="first", maintain_order=True).join(
        places, on="string", how="left", maintain_order="left"
    )
    joined = joined.with_columns(pl.col("positions").fill_null(0))
    report.rows(
        joined.filter(pl.col("positions") != pl.col("modules")),
        "layout-string-length",
        kind="string",
        subject="string",
        column="modules",
        found=lambda row: f"{row['positions']} positions",
        required=lambda row: f"{row['modules']}, its modules in series",
        remedy="Correct modules of the string, or string of the positions.",
    )
    report.rows(
        joined.filter(
            (pl.col("positions") > 0)
            & (
                (pl.col("places") != pl.col("positions"))
                | (pl.col("first") != 1)
                | (pl.col("last") != pl.col("positions"))
            )
        ),
        "layout-place-in-string",
        kind="string",
        subject="string",
        found=lambda row: f"{row['places']} different places from {row['first']} to {row['last']}",
        required=lambda row: f"1 to {row['positions']}, each once",
        remedy="Number place_in_string from the positive end, 1 first.",
    )


def _check_types(
    report: _Report,
    strings: pl.DataFrame,
    module_type_keys: frozenset[str],
    inverter_types: Mapping[str, InverterType | None],
) -> None:
    for name, keys in (
        ("module_type", sorted(module_type_keys)),
        ("inverter_type", sorted(inverter_types)),
    ):
        listed = pl.Series(name, keys, dtype=pl.String())
        report.rows(
            strings.filter(~pl.col(name).is_in(listed.implode())),
            f"layout-{name.replace('_', '-')}-unknown",
            kind="string",
            subject="string",
            column=name,
            found=lambda row, name=name: f"{name} {row[name]}",  # type: ignore[misc]
            required=f"one of {', '.join(keys) or 'none described'}",
            remedy=f"Correct the key, or describe the type under [{name}s].",
        )


def _check_inputs(
    report: _Report,
    strings: pl.DataFrame,
    inverter_types: Mapping[str, InverterType | None],
) -> None:
    limits = pl.DataFrame(
        [
            (key, known.strings_per_input, known.mppt_inputs)
            for key, known in inverter_types.items()
            if known is not None
        ],
        schema={
            "inverter_type": pl.String(),
            "strings_max": pl.Int64(),
            "inputs_max": pl.Int64(),
        },
        orient="row",
    )
    first = [pl.col(name).first() for name in ("source_file", "source_row", "inverter_type")]
    inputs = (
        strings.group_by("mppt_input", maintain_order=True)
        .agg(
            *first,
            pl.len().cast(pl.Int64()).alias("strings"),
            pl.col("inverter").n_unique().alias("inverters"),
            pl.col("module_type").n_unique().alias("types"),
            pl.col("modules").n_unique().alias("lengths"),
            pl.col("modules").min().alias("shortest"),
            pl.col("modules").max().alias("longest"),
        )
        .join(limits, on="inverter_type", how="left", maintain_order="left")
    )
    report.rows(
        inputs.filter(pl.col("inverters") > 1),
        "layout-input-inverters",
        kind="input",
        subject="mppt_input",
        column="mppt_input",
        found=lambda row: f"{row['inverters']} inverters",
        required="one inverter; names of inputs are unique in the site",
        remedy="Put the inverter's name into the name of the input.",
    )
    report.rows(
        inputs.filter((pl.col("types") > 1) | (pl.col("lengths") > 1)),
        "layout-strings-alike",
        kind="input",
        subject="mppt_input",
        column="modules",
        found=lambda row: (
            f"{row['types']} module types and strings of {row['shortest']} to "
            f"{row['longest']} modules"
        ),
        required="strings of one module type and one length",
        remedy="Put unlike strings on inputs of their own.",
    )
    report.rows(
        inputs.filter(pl.col("strings") > pl.col("strings_max")),
        "layout-strings-per-input",
        kind="input",
        subject="mppt_input",
        column="mppt_input",
        found=lambda row: f"{row['strings']} strings",
        required=lambda row: f"at most {row['strings_max']} with {row['inverter_type']}",
        remedy="Spread the strings over more inputs, or correct the inverter type.",
    )
    inverters = (
        strings.group_by("inverter", maintain_order=True)
        .agg(
            *first,
            pl.col("mppt_input").n_unique().cast(pl.Int64()).alias("inputs"),
            pl.col("inverter_type").n_unique().alias("types"),
        )
        .join(limits, on="inverter_type", how="left", maintain_order="left")
    )
    report.rows(
        inverters.filter(pl.col("types") > 1),
        "layout-inverter-types",
        kind="description",
        subject="inverter",
        column="inverter_type",
        found=lambda row: f"{row['types']} inverter types",
        required="one type",
        remedy="Correct inverter or inverter_type of its strings.",
    )
    report.rows(
        inverters.filter(pl.col("inputs") > pl.col("inputs_max")),
        "layout-inputs-per-inverter",
        kind="description",
        subject="inverter",
        column="mppt_input",
        found=lambda row: f"{row['inputs']} inputs",
        required=lambda row: f"at most {row['inputs_max']} with {row['inverter_type']}",
        remedy="Use more inverters, or correct the inverter type.",
    )
    boxes = (
        strings.filter(pl.col("combiner_box").is_not_null())
        .group_by("combiner_box", maintain_order=True)
        .agg(*first, pl.col("mppt_input").n_unique().alias("inputs"))
    )
    report.rows(
        boxes.filter(pl.col("inputs") > 1),
        "layout-combiner-inputs",
        kind="combiner box",
        subject="combiner_box",
        column="combiner_box",
        verdict=Verdict.REVIEW,
        found=lambda row: f"strings of {row['inputs']} inputs",
        required="usually one input, to which the box is connected",
        remedy="Check combiner_box and mppt_input of its strings.",
    )


def _check_planes(report: _Report, layout: Layout) -> None:
    """Look for inputs whose modules do not all face the same way."""
    planes = (
        layout.positions.select("string", "structure")
        .unique()
        .join(
            layout.structures.unique("structure").select("structure", "tilt_deg", "azimuth_deg"),
            on="structure",
        )
        .select("string", "tilt_deg", "azimuth_deg")
        .unique()
        .join(
            layout.strings.unique("string").select(
                "string", "mppt_input", "source_file", "source_row"
            ),
            on="string",
        )
        .group_by("mppt_input")
        .agg(
            pl.col("source_file").first(),
            pl.col("source_row").first(),
            pl.struct("tilt_deg", "azimuth_deg").n_unique().alias("planes"),
        )
        .filter(pl.col("planes") > 1)
        .sort("mppt_input")
    )
    report.rows(
        planes,
        "layout-planes",
        kind="input",
        subject="mppt_input",
        verdict=Verdict.REVIEW,
        found=lambda row: f"modules in {row['planes']} planes",
        required="usually one tilt and one azimuth on one input",
        remedy="Check the structures, or put the strings on inputs of their own.",
    )
