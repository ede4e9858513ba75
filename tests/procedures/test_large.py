"""A delivery too large to be printed pallet by pallet: what is wrong is, the rest is counted."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pypdf

from tests.procedures.making import MODULES, Truck, make_site, receive_files, sscc

_PALLETS = 1_600


def test_many_pallets_are_counted_and_those_not_accepted_listed(tmp_path: Path) -> None:
    """Of 1,600 pallets the report lists the 40 that are held, and counts all by delivery note."""
    short = range(1, 41)
    truck = Truck(pallets=tuple(range(1, _PALLETS + 1)), counted=dict.fromkeys(short, MODULES - 1))
    files = [
        truck.order(tmp_path),
        truck.delivery_note(tmp_path),
        truck.scans(tmp_path, moment="2026-05-04T07:00:00"),
        truck.flash(tmp_path),
    ]
    site = make_site(tmp_path)
    report = receive_files(site, files)
    assert report.result["counts"] == {"accept": _PALLETS - 40, "hold": 40, "refuse": 0}
    pages = pypdf.PdfReader(site / "out" / "receiving-report.pdf").pages
    text = "".join("".join(page.extract_text() for page in pages).split())
    assert all(sscc(number) in text for number in short)
    assert not any(sscc(number) in text for number in range(41, _PALLETS + 1))
    assert "20moreofthesame" in text
    assert "The40palletsthatarenotaccepted" in text
    held = pl.read_csv(site / "out" / "pallets.csv", schema_overrides={"pallet": pl.String})
    assert held["pallet"].sort().to_list() == sorted(sscc(n) for n in range(1, _PALLETS + 1))


def test_many_lots_are_told_by_plan_and_listed_in_a_table(tmp_path: Path) -> None:
    """Of 130 delivery notes the report gives the plan they share, the table each lot."""
    trucks = [Truck(pallets=(number,), note=f"DN-{number}") for number in range(1, 131)]
    one = Truck(pallets=tuple(range(1, 131)))
    note = tmp_path / "notes.csv"
    lines: list[str] = []
    for truck in trucks:
        head, *rows = truck.delivery_note(tmp_path).read_text().splitlines()
        lines = [*(lines or [head]), *rows]
    note.write_text("\n".join(lines) + "\n")
    scans = one.scans(tmp_path, moment="2026-05-04T07:00:00")
    site = make_site(tmp_path)
    receive_files(site, [one.order(tmp_path), note, scans, one.flash(tmp_path)])
    pages = pypdf.PdfReader(site / "out" / "receiving-report.pdf").pages
    text = "".join("".join(page.extract_text() for page in pages).split())
    assert "Lotsbyplan" in text
    assert "DN-77/sedge" not in text
    lots = pl.read_csv(site / "out" / "inspection-lots.csv")
    assert lots["lot"].n_unique() == 130
    assert lots.height == 3 * 130
    assert set(lots["modules"].to_list()) == {MODULES}
