"""Layouts that do not agree with themselves or with their types."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from arraywright.findings import Verdict
from arraywright.plant import InverterType, Layout, LayoutBlock, check_layout, generate_layout
from arraywright.plant.site_checks import LISTED_MAX
from tests.plant.blocks import BLOCK, INVERTER, TYPES

INVERTERS: dict[str, InverterType | None] = {
    "big": replace(INVERTER, strings_per_input=2, mppt_inputs=3)
}
SOURCED: LayoutBlock = replace(BLOCK, source_file="site.toml", source_row=9)


def _with(
    *,
    structures: pl.DataFrame | None = None,
    positions: pl.DataFrame | None = None,
    strings: pl.DataFrame | None = None,
) -> Layout:
    layout = generate_layout([SOURCED], TYPES)
    return Layout(
        structures=layout.structures if structures is None else structures,
        positions=layout.positions if positions is None else positions,
        strings=layout.strings if strings is None else strings,
    )


def _edit(frame: pl.DataFrame, row: int, column: str, value: object) -> pl.DataFrame:
    chosen = pl.int_range(pl.len()) == row
    return frame.with_columns(
        pl.when(chosen).then(pl.lit(value)).otherwise(pl.col(column)).alias(column)
    ).cast(pl.Schema(frame.schema))


GOOD = _with()
FAULTS: dict[str, Callable[[], Layout]] = {
    "layout-structure-doubled": lambda: _with(
        structures=pl.concat([GOOD.structures, GOOD.structures.head(1)])
    ),
    "layout-position-doubled": lambda: _with(
        positions=_edit(GOOD.positions, 1, "position", "A-R01-T01-1-01")
    ),
    "layout-string-doubled": lambda: _with(strings=_edit(GOOD.strings, 1, "string", "A-S01")),
    "layout-structure-unknown": lambda: _with(
        positions=_edit(GOOD.positions, 5, "structure", "gone")
    ),
    "layout-string-unknown": lambda: _with(positions=_edit(GOOD.positions, 5, "string", "gone")),
    "layout-place-doubled": lambda: _with(positions=_edit(GOOD.positions, 1, "column", 1)),
    "layout-coordinates-doubled": lambda: _with(
        positions=GOOD.positions.with_columns(
            pl.when(pl.col("position") == "A-R01-T01-1-02")
            .then(pl.lit(100.5))
            .otherwise(pl.col("x_m"))
            .alias("x_m")
        )
    ),
    "layout-string-length": lambda: _with(strings=_edit(GOOD.strings, 0, "modules", 7)),
    "layout-place-in-string": lambda: _with(
        positions=_edit(GOOD.positions, 2, "place_in_string", 2)
    ),
    "layout-module-type-unknown": lambda: _with(
        strings=_edit(GOOD.strings, 0, "module_type", "nroth")
    ),
    "layout-inverter-type-unknown": lambda: _with(
        strings=_edit(GOOD.strings, 0, "inverter_type", "bgi")
    ),
    "layout-input-inverters": lambda: _with(strings=_edit(GOOD.strings, 1, "inverter", "A-I02")),
    "layout-strings-alike": lambda: _with(strings=_edit(GOOD.strings, 1, "modules", 5)),
    "layout-strings-per-input": lambda: _with(
        strings=_edit(GOOD.strings, 2, "mppt_input", "A-I01-M01")
    ),
    "layout-inverter-types": lambda: _with(
        strings=_edit(GOOD.strings, 1, "inverter_type", "other")
    ),
    "layout-inputs-per-inverter": lambda: _with(
        strings=_edit(GOOD.strings, 1, "mppt_input", "A-I01-M99")
    ),
    "layout-build-order": lambda: _with(strings=_edit(GOOD.strings, 1, "build_order", 1)),
    "layout-build-date": lambda: _with(
        strings=GOOD.strings.with_columns(
            build_date=pl.lit(date(2027, 3, 10)) - pl.duration(days=pl.col("build_order"))
        )
    ),
    "layout-empty": lambda: _with(positions=GOOD.positions.clear(), strings=GOOD.strings.clear()),
    "layout-range": lambda: _with(structures=_edit(GOOD.structures, 0, "tilt_deg", 190.0)),
}
LOOKS: dict[str, Callable[[], Layout]] = {
    "layout-structure-empty": lambda: _with(
        structures=pl.concat(
            [GOOD.structures, _edit(GOOD.structures.head(1), 0, "structure", "spare")]
        )
    ),
    "layout-combiner-inputs": lambda: _with(
        strings=GOOD.strings.with_columns(pl.lit("box").alias("combiner_box"))
    ),
    "layout-planes": lambda: _with(
        structures=_edit(GOOD.structures, 0, "azimuth_deg", 90.0),
        strings=GOOD.strings,
    ),
}


def _checks(layout: Layout) -> dict[str, Verdict]:
    found = check_layout(
        layout, module_type_keys=frozenset(TYPES), inverter_types={**INVERTERS, "other": None}
    )
    return {finding.check: finding.verdict for finding in found}


def test_a_layout_that_agrees_passes_once() -> None:
    """Nothing wrong is one passing finding with the counts in it."""
    assert _checks(GOOD) == {"layout": Verdict.PASS}


@pytest.mark.parametrize("check", sorted(FAULTS))
def test_a_fault_put_in_is_found(check: str) -> None:
    """Each kind of contradiction fails under its own key, and nothing passes beside it."""
    verdicts = _checks(FAULTS[check]())
    assert verdicts[check] is Verdict.FAIL
    assert "layout" not in verdicts


@pytest.mark.parametrize("check", sorted(LOOKS))
def test_what_is_unusual_is_to_be_looked_at(check: str) -> None:
    """What can be right but usually is not asks for a look and does not stop the work."""
    verdicts = _checks(LOOKS[check]())
    assert verdicts[check] is Verdict.REVIEW
    assert verdicts["layout"] is Verdict.PASS


def test_a_finding_names_subject_place_found_and_required() -> None:
    """A person finds the very row, and knows what should stand there."""
    found = check_layout(
        FAULTS["layout-string-length"](),
        module_type_keys=frozenset(TYPES),
        inverter_types=INVERTERS,
    )
    finding = next(f for f in found if f.check == "layout-string-length")
    assert (finding.subject, finding.found) == ("A-S01", "6 positions")
    assert finding.required.startswith("7")
    assert finding.place is not None
    assert (finding.place.file, finding.place.row) == ("site.toml", 9)


def test_many_faults_of_one_kind_are_counted_exactly() -> None:
    """Beyond the listed ones a last finding says how many more there are."""
    block = replace(BLOCK, rows_of_tables=60)
    layout = generate_layout([block], TYPES)
    wrong = layout.positions.with_columns(pl.lit("gone").alias("structure"))
    found = [
        finding
        for finding in check_layout(
            Layout(structures=layout.structures, positions=wrong, strings=layout.strings),
            module_type_keys=frozenset(TYPES),
            inverter_types={},
        )
        if finding.check == "layout-structure-unknown"
    ]
    assert len(found) == LISTED_MAX + 1
    assert found[-1].value == 60 * 24 - LISTED_MAX
