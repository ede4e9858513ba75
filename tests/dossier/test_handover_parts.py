"""The chapters of a handover dossier, each on tables made for it."""

from __future__ import annotations

import dataclasses
import itertools
import shutil
from dataclasses import fields
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.commissioning import Assumptions
from arraywright.dossier import Figure, FindingList, MapBox, Table, render_pdf
from arraywright.dossier.handover import handover_document
from arraywright.dossier.handover_back import method_blocks
from arraywright.dossier.handover_map import site_boxes
from arraywright.dossier.handover_open import gathered_findings, open_findings, open_points_blocks
from arraywright.dossier.handover_parts import PRINTED_FINDINGS, PRINTED_ROWS, HandoverParts
from arraywright.dossier.handover_tests import string_chapter
from arraywright.findings import Finding, Verdict
from arraywright.procedures.hand_over_parts import gather_parts
from arraywright.procedures.site_record import open_site
from tests.dossier.making import NOON, PERSON, TestedSite, pages_of


@pytest.fixture(scope="module")
def parts(tested_site: TestedSite, tmp_path_factory: pytest.TempPathFactory) -> HandoverParts:
    """Give what the dossier of the tested site is made of."""
    folder = tmp_path_factory.mktemp("parts") / "site"
    shutil.copytree(tested_site.folder, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(Path(folder.parent) / "home"))
        with open_site(folder, person=PERSON, now=lambda: NOON) as record:
            return gather_parts(record, person=PERSON)


def overlap_m2(one: MapBox, other: MapBox) -> float:
    """Give the ground two boxes have in common."""
    wide = min(one.x_max_m, other.x_max_m) - max(one.x_min_m, other.x_min_m)
    deep = min(one.y_max_m, other.y_max_m) - max(one.y_min_m, other.y_min_m)
    return max(wide, 0.0) * max(deep, 0.0)


def verdicts_of(parts: HandoverParts) -> pl.DataFrame:
    """Give the verdicts of the strings."""
    assert parts.tests is not None
    return parts.tests.strings.select("string", "verdict")


def interleaved(parts: HandoverParts) -> HandoverParts:
    """Give the site with the two strings of each table taking every other column of both rows."""
    positions = parts.site.positions.with_columns(
        string=pl.when(pl.col("column") % 2 == 1)
        .then(pl.col("string").first().over("structure"))
        .otherwise(pl.col("string").last().over("structure"))
    )
    assert positions.group_by("structure").agg(pl.col("string").n_unique())["string"].to_list() == [
        2,
        2,
    ]
    return dataclasses.replace(parts, site=dataclasses.replace(parts.site, positions=positions))


@pytest.mark.parametrize("arranged", ["as described", "interleaved"])
def test_strings_do_not_cover_each_other_on_the_map(parts: HandoverParts, arranged: str) -> None:
    """Even strings that take every other module of a table keep ground of their own on the map."""
    shown = interleaved(parts) if arranged == "interleaved" else parts
    ground = site_boxes(shown.site, verdicts_of(parts))
    assert ground.banded == (4 if arranged == "interleaved" else 0)
    assert {box.string for box in ground.boxes} == set(shown.site.strings["string"])
    for one, other in itertools.combinations(ground.boxes, 2):
        assert overlap_m2(one, other) < 1e-6
    positions = shown.site.positions
    for box in ground.boxes:
        own = positions.filter(pl.col("string") == box.string)
        table = positions.filter(pl.col("structure") == own["structure"][0])
        x_m, y_m = own["x_m"].to_numpy(), table["y_m"].to_numpy()
        assert box.x_max_m - box.x_min_m > 0.8 * float(np.ptp(x_m))
        assert y_m.min() - 1.2 < box.y_min_m < box.y_max_m < y_m.max() + 1.2


def test_the_map_says_when_bands_stand_for_strings(parts: HandoverParts) -> None:
    """Bands are explained where there are some, and not mentioned where there are none."""
    for shown, told in ((parts, False), (interleaved(parts), True)):
        captions = [one.caption for one in string_chapter(shown) if isinstance(one, Figure)]
        assert ("interleaved" in captions[0]) is told


def test_a_string_on_two_tables_has_a_box_on_each(parts: HandoverParts) -> None:
    """No box spans the gap between the tables a string is on."""
    first, second = parts.site.structures["structure"].to_list()[:2]
    positions = parts.site.positions.with_columns(
        string=pl.when((pl.col("structure") == second) & (pl.col("row") == 2))
        .then(pl.lit("R-S01"))
        .otherwise("string")
    )
    site = dataclasses.replace(parts.site, positions=positions)
    boxes = [box for box in site_boxes(site, verdicts_of(parts)).boxes if box.string == "R-S01"]
    assert len(boxes) == 2
    edge = float(positions.filter(pl.col("structure") == first)["x_m"].to_numpy().max())
    assert sum(box.x_min_m > edge for box in boxes) == 1


def test_positions_without_coordinates_of_their_own_still_give_a_map(
    parts: HandoverParts,
) -> None:
    """Even when all positions stand on one point, every string has a box."""
    positions = parts.site.positions.with_columns(x_m=pl.lit(0.0), y_m=pl.lit(0.0))
    site = dataclasses.replace(parts.site, positions=positions)
    assert {box.string for box in site_boxes(site, verdicts_of(parts)).boxes} == set(
        parts.site.strings["string"]
    )


@st.composite
def finding_lists(draw: st.DrawFn) -> list[Finding]:
    """Draw findings, many of which say the same."""
    out = []
    for _ in range(draw(st.integers(0, 40))):
        name = f"A-S{draw(st.integers(1, 30)):03d}"
        kind = draw(st.sampled_from(["string", "pallet"]))
        what = draw(st.sampled_from(["cannot be assessed.", "has no reading.", "is wet."]))
        message = draw(
            st.sampled_from([f"{kind.capitalize()} {name} {what}", f"{name}: {what}", what])
        )
        out.append(
            Finding(
                check=draw(st.sampled_from(["one", "two"])),
                subject_kind=kind,
                subject=name,
                verdict=draw(st.sampled_from(list(Verdict))),
                message=message,
            )
        )
    return out


def _spelled(text: str, order: dict[str, int]) -> set[str]:
    """Give every name a text of names and spans stands for."""
    names = list(order)
    out = set()
    for part in text.split(", "):
        ends = part.split(" to ")
        first, last = order[ends[0]], order[ends[-1]]
        out |= set(names[first : last + 1])
    return out


@given(finding_lists())
def test_telling_findings_together_loses_none(findings: list[Finding]) -> None:
    """Every subject with a finding is still told, under the same check and verdict."""
    order = {f"A-S{number:03d}": number - 1 for number in range(1, 31)}
    told = gathered_findings(findings, order=order)
    before = {(one.check, one.verdict, one.subject) for one in findings}
    after = {
        (one.check, one.verdict, name)
        for one in told
        for name in (
            _spelled(one.subject, order) if one.subject_kind.endswith(":") else {one.subject}
        )
    }
    assert after == before
    assert len(told) <= len(findings)


def test_more_open_points_than_are_printed_are_counted(parts: HandoverParts) -> None:
    """Beyond the limit the rest is counted by check, and the gravest are printed first."""
    many = tuple(
        Finding(
            check="made-up",
            subject_kind="module",
            subject=f"M{number}",
            verdict=Verdict.REVIEW,
            message=f"Module number {number} is {number / 7:.3f} off.",
        )
        for number in range(2 * PRINTED_FINDINGS)
    )
    blocks = open_points_blocks(dataclasses.replace(parts, record_findings=many))
    printed = [one for block in blocks if isinstance(block, FindingList) for one in block.findings]
    counted = [block for block in blocks if isinstance(block, Table)]
    assert len(printed) == PRINTED_FINDINGS
    assert ("review", "made-up", str(len(many))) in [tuple(row) for row in counted[0].rows]
    failing = {one.subject for one in open_findings(parts.findings) if one.verdict is Verdict.FAIL}
    assert failing <= {one.subject for one in printed}


def test_every_assumed_uncertainty_is_told_with_its_value(parts: HandoverParts) -> None:
    """No assumption behind a verdict is kept back, and each is marked as common practice."""
    table = next(
        block
        for block in method_blocks(parts)
        if isinstance(block, Table) and "Grade" in block.headings
    )
    values = [row[1] for row in table.rows]
    for held in fields(Assumptions):
        assert f"{100 * getattr(Assumptions(), held.name):g} %" in values
    assert {row[2] for row in table.rows} == {"common practice"}
    assert not any("ratio" in row[0] or "_" in row[0] for row in table.rows)


def grown(parts: HandoverParts, times: int) -> HandoverParts:
    """Give the parts of a site so many times as large."""

    def many(frame: pl.DataFrame, columns: list[str]) -> pl.DataFrame:
        return pl.concat(
            frame.with_columns(
                (pl.lit(f"K{number:03d}-") + pl.col(name).cast(pl.String)).alias(name)
                for name in columns
            )
            for number in range(times)
        )

    assert parts.tests is not None
    assert parts.delivery is not None
    site = dataclasses.replace(
        parts.site,
        strings=many(parts.site.strings, ["string", "mppt_input"]),
        positions=many(parts.site.positions, ["string", "position", "structure"]),
    )
    return dataclasses.replace(
        parts,
        site=site,
        tests=dataclasses.replace(parts.tests, strings=many(parts.tests.strings, ["string"])),
        delivery=dataclasses.replace(
            parts.delivery, pallets=many(parts.delivery.pallets, ["pallet"])
        ),
        placed=many(parts.placed, ["string", "serial", "pallet"]),
    )


def test_of_very_many_strings_only_those_not_passed_are_printed(parts: HandoverParts) -> None:
    """Above the limit the document stays short, says so, and names what did not pass."""
    big = grown(parts, 1 + PRINTED_ROWS // parts.site.strings.height)
    assert big.site.strings.height > PRINTED_ROWS
    pages = pages_of(render_pdf(handover_document(big, attachments=()), made_at=big.made_at))
    text = " ".join(" ".join(pages).split())
    assert f"The site has {big.site.strings.height} strings, more than {PRINTED_ROWS}" in text
    assert "string-tests.csv" in text
    assert "K017-R-S03 2026-06-15" in text
    assert "K017-R-S01 2026-06-15" not in text
    assert f"All {len(big.delivery.pallets)} pallets" in text  # type: ignore[union-attr]
    assert len(pages) < 60


def test_the_uncertainty_is_stated_with_both_coverage_factors(parts: HandoverParts) -> None:
    """The method chapter gives u for k=1 and twice that for k=2."""
    table = next(
        block
        for block in method_blocks(parts)
        if isinstance(block, Table) and "u (k=1) [%], median" in block.headings
    )
    assert table.rows
    for row in table.rows:
        assert abs(float(row[4]) - 2.0 * float(row[3])) < 0.011


def test_curves_are_drawn_with_what_the_modules_should_give(parts: HandoverParts) -> None:
    """The expected curve runs from the sum of the flashed Voc to near the flashed Isc."""
    assert parts.tests is not None
    (panel,) = parts.tests.panels
    own = parts.placed.filter(pl.col("string") == "R-S01")
    assert panel.title.startswith("R-S01, 2026-06-15 12:00")
    assert panel.expected_voltage_v[-1] == pytest.approx(own["voc_v"].sum(), rel=2e-3)
    assert panel.expected_current_a[0] == pytest.approx(own["isc_a"].max(), rel=5e-3)
    assert len(panel.voltage_v) > 30
