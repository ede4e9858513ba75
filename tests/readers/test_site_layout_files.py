"""Layouts read from tables beside the description, alone and together with blocks."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest

from arraywright.findings import Finding, Verdict
from arraywright.plant import Layout
from arraywright.readers import SiteReading, read_site

ROOT = Path(__file__).parents[2]
SMALL = (ROOT / "docs/examples/small-site/site.toml").read_text(encoding="utf-8")
START, END = SMALL.index("[[layout.block]]"), SMALL.index("[[spares]]")
BLOCK = SMALL[START:END]
NAMED = """[layout]
structures = "structures.csv"
positions = "positions.csv"
strings = "strings.csv"

"""
TABLES = ("structures", "positions", "strings")


def _generated(folder: Path) -> Layout:
    (folder / "site.toml").write_text(SMALL, encoding="utf-8")
    site = read_site(folder).site
    assert site is not None
    return Layout(structures=site.structures, positions=site.positions, strings=site.strings)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a site folder with the carport's layout in three CSV tables instead of a block."""
    layout = _generated(tmp_path)
    for name in TABLES:
        frame: pl.DataFrame = getattr(layout, name)
        frame.drop("source_file", "source_row").write_csv(tmp_path / f"{name}.csv")
    (tmp_path / "site.toml").write_text(SMALL[:START] + NAMED + SMALL[END:], encoding="utf-8")
    return tmp_path


def _fails(reading: SiteReading) -> list[Finding]:
    return [f for f in reading.findings if f.verdict is Verdict.FAIL]


def _rewrite(path: Path, change: Callable[[str], str]) -> None:
    text = path.read_text(encoding="utf-8")
    changed = change(text)
    assert changed != text
    path.write_text(changed, encoding="utf-8")


def test_a_layout_written_out_and_read_back_is_the_same(folder: Path, tmp_path: Path) -> None:
    """What a block generates, written as CSV, describes the same site."""
    reading = read_site(folder)
    assert reading.site is not None, [f.message for f in _fails(reading)]
    read = reading.site
    generated = _generated(tmp_path)
    for name in TABLES:
        written: pl.DataFrame = getattr(generated, name)
        back: pl.DataFrame = getattr(read, name)
        apart = ("source_file", "source_row")
        assert back.drop(*apart).equals(written.drop(*apart))
        assert set(back["source_file"].to_list()) == {f"{name}.csv"}


def test_every_file_is_named_with_its_hash(folder: Path) -> None:
    """The dossier can prove every file the site came from."""
    reading = read_site(folder)
    assert [name for name, _ in reading.inputs] == [
        "site.toml",
        "structures.csv",
        "positions.csv",
        "strings.csv",
    ]
    for name, digest in reading.inputs:
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_rows_in_any_order_come_out_in_building_order(folder: Path) -> None:
    """Strings follow build_order, positions follow their string from the positive end."""
    for name in ("positions.csv", "strings.csv"):
        _rewrite(
            folder / name,
            lambda text: "\n".join([text.splitlines()[0], *reversed(text.splitlines()[1:])]) + "\n",
        )
    site = read_site(folder).site
    assert site is not None
    assert site.strings["build_order"].to_list() == [1, 2]
    assert site.positions["string"].to_list() == ["C-S01"] * 20 + ["C-S02"] * 20
    assert site.positions["place_in_string"].to_list() == [*range(1, 21), *range(1, 21)]


def test_blocks_and_tables_together_make_one_site(folder: Path) -> None:
    """What is regular stands in a block, what is not in the tables."""
    other = (
        BLOCK.replace('"C"', '"E"')
        .replace("rows = 2", "rows = 2\ny_m = 30")
        .replace("[[layout.block]]", "\n[[layout.block]]")
    )
    _rewrite(folder / "site.toml", lambda text: text + other)
    for name in ("strings.csv",):
        _rewrite(
            folder / name, lambda text: text.replace(",1,\n", ",11,\n").replace(",2,\n", ",12,\n")
        )
    reading = read_site(folder)
    assert reading.site is not None, [f.message for f in _fails(reading)]
    assert reading.site.positions.height == 80
    assert reading.site.strings["build_order"].to_list() == [1, 2, 11, 12]


def test_a_contradiction_between_tables_is_found_at_its_row(folder: Path) -> None:
    """A position in a string nobody described is found in its file and row."""
    _rewrite(folder / "positions.csv", lambda text: text.replace("C-S02", "C-S03", 1))
    reading = read_site(folder)
    assert reading.site is None
    found = {f.check: f for f in _fails(reading)}
    place = found["layout-string-unknown"].place
    assert place is not None
    assert (place.file, place.column) == ("positions.csv", "string")
    row = (folder / "positions.csv").read_text(encoding="utf-8").splitlines()[place.row - 1]
    assert "C-S03" in row
    assert found["layout-string-length"].subject == "C-S02"


def test_a_row_that_cannot_be_used_is_reported_and_gives_no_site(folder: Path) -> None:
    """A missing coordinate is not passed over."""
    _rewrite(folder / "structures.csv", lambda text: text.replace(",195.0,", ",,"))
    reading = read_site(folder)
    assert reading.site is None
    assert any(f.place and f.place.file == "structures.csv" for f in _fails(reading))


@pytest.mark.parametrize(
    ("old", "new", "check"),
    [
        ('"positions.csv"', '"positionen.csv"', "site-table-not-readable"),
        ('"positions.csv"', '"../positions.csv"', "site-table-outside"),
        ('"positions.csv"', '"/etc/hosts"', "site-table-outside"),
        ('"positions.csv"', f'"{"x" * 3000}.csv"', "site-table-not-readable"),
        ('positions = "positions.csv"\n', "", "site-missing-key"),
        ('"positions.csv"', "3", "site-value"),
    ],
)
def test_a_table_that_is_not_there_is_a_finding_at_its_key(
    folder: Path, old: str, new: str, check: str
) -> None:
    """Each of the three tables is asked for, and only inside the site folder."""
    _rewrite(folder / "site.toml", lambda text: text.replace(old, new))
    reading = read_site(folder)
    assert reading.site is None
    assert [(f.check, f.place and f.place.key) for f in _fails(reading)] == [
        (check, "layout.positions")
    ]


def test_a_file_of_another_kind_is_not_taken_for_positions(folder: Path) -> None:
    """Strings named as positions are refused with what was found and required."""
    _rewrite(folder / "site.toml", lambda text: text.replace('"positions.csv"', '"strings.csv"'))
    reading = read_site(folder)
    assert reading.site is None
    assert all(f.remedy for f in _fails(reading))
