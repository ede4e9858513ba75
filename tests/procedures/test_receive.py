"""Receiving a small delivery: what comes through, what changes nothing, and what is refused."""

from __future__ import annotations

import contextlib
import csv
import itertools
import json
import os
import sqlite3
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from arraywright.delivery import FLASH_LIST
from arraywright.errors import ArraywrightError, CallError, InputFileError
from arraywright.findings import Verdict
from arraywright.procedures.report import Report
from tests.procedures.making import (
    MODULES,
    Truck,
    held_findings,
    make_site,
    output_digests,
    receive_files,
    record_entries,
    sscc,
    verdicts,
)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """An empty site folder with its description."""
    return make_site(tmp_path)


def _checks(report: Report) -> set[str]:
    return {finding.check for finding in held_findings(report)}


def _files(report: Report) -> list[dict[str, Any]]:
    files = report.result["files"]
    assert isinstance(files, list)
    return files


def test_a_sound_delivery_is_accepted_as_a_whole(site: Path, tmp_path: Path) -> None:
    """Papers, labels and flash list that agree give accepted pallets, exit code 0 and documents."""
    report = receive_files(site, Truck().files(tmp_path))
    assert set(verdicts(report).values()) == {"accept"}
    # The list states no fill factor and the type has no current classes: nothing is passed there.
    assert {one.verdict for one in held_findings(report)} == {Verdict.NOT_ASSESSABLE}
    assert report.exit_code == 0
    assert not report.unchanged
    assert {path.name for path in report.written} == {
        "receiving-report.pdf",
        "pallets.csv",
        "discrepancies-for-supplier.csv",
        "inspection-lots.csv",
        "inspection-sample.csv",
    }
    for path in report.written:
        assert path.stat().st_size > 0


def test_accept_hold_and_refuse_come_through_with_their_reasons(site: Path, tmp_path: Path) -> None:
    """A short pallet, one nobody saw, one with impossible values and a foreign one are told."""
    truck = Truck(counted={2: 9}, unseen=(3,), spoiled=(5,))
    files = truck.files(tmp_path)
    foreign = tmp_path / "scans-foreign.csv"
    foreign.write_text(
        "Pallet,Type on label,Modules counted,Condition\n" + f"{sscc(99)},PIPIT 300,12,ok\n"
    )
    report = receive_files(site, [*files, foreign])
    found = verdicts(report)
    assert found[sscc(1)] == found[sscc(4)] == "accept"
    assert found[sscc(2)] == found[sscc(3)] == found[sscc(5)] == "hold"
    assert found[sscc(99)] == "refuse"
    assert report.exit_code == 1
    told = {finding.subject for finding in report.findings if finding.verdict is Verdict.FAIL}
    assert {sscc(2), sscc(3), sscc(5), sscc(99)} <= told
    supplier = pl.read_csv(
        site / "out" / "discrepancies-for-supplier.csv", schema_overrides={"pallet": pl.String}
    )
    assert {sscc(2), sscc(3), sscc(5), sscc(99)} <= set(supplier["pallet"].to_list())


def test_rows_in_are_rows_used_and_rows_reported(site: Path, tmp_path: Path) -> None:
    """No row of a file is lost between the file, the report and the record."""
    files = Truck().files(tmp_path)
    flash = files[-1]
    lines = flash.read_text().splitlines()
    lines[3] = lines[3].replace(lines[3].split(",")[7], "no value")
    lines.insert(10, "SG00019999")
    flash.write_text("\n".join(lines) + "\n")
    report = receive_files(site, files)
    tables = {str(one["table"]): one for one in _files(report)}
    for table in tables.values():
        assert table["rows_in"] == table["rows_accepted"] + table["rows_reported"]
    assert tables["flash list"]["rows_in"] == 5 * MODULES + 1
    assert tables["flash list"]["rows_reported"] == 2
    reported = {
        f.place.row for f in held_findings(report) if f.place and f.place.file == flash.name
    }
    assert {4, 11} <= reported


def test_the_same_files_twice_change_nothing(site: Path, tmp_path: Path) -> None:
    """Repeating a command adds no entry, writes the same bytes and says so."""
    files = Truck(counted={2: 9}).files(tmp_path)
    first = receive_files(site, files)
    entries, outputs = record_entries(site), output_digests(site)
    again = receive_files(site, files, hour=15)
    assert not first.unchanged
    assert again.unchanged
    assert any("record is unchanged" in sentence for sentence in again.summary)
    assert record_entries(site) == entries
    assert output_digests(site) == outputs
    assert verdicts(again) == verdicts(first)
    assert again.exit_code == first.exit_code == 1


def test_a_copy_under_another_name_is_known(site: Path, tmp_path: Path) -> None:
    """What counts is what stands in a file, not its name."""
    files = Truck().files(tmp_path)
    receive_files(site, files)
    entries = record_entries(site)
    copy = tmp_path / "flash list (1).csv"
    copy.write_bytes(files[-1].read_bytes())
    report = receive_files(site, [copy])
    assert report.unchanged
    assert record_entries(site) == entries
    (table,) = _files(report)
    assert table["known_as"] == files[-1].name


def test_any_order_and_any_number_of_calls_give_the_same_pallets(tmp_path: Path) -> None:
    """Files come as trucks come; the final state depends on none of that."""
    truck = Truck(counted={2: 9}, unseen=(3,), spoiled=(5,))
    files = truck.files(tmp_path / "inputs")
    once = make_site(tmp_path, name="once")
    expected = verdicts(receive_files(once, files))
    table = (once / "out" / "pallets.csv").read_bytes()
    for number, order in enumerate(list(itertools.permutations(files))[::7]):
        site = make_site(tmp_path, name=f"site-{number}")
        for file in order:
            report = receive_files(site, [file])
        assert verdicts(report) == expected
        assert (site / "out" / "pallets.csv").read_bytes() == table
    turned = make_site(tmp_path, name="turned")
    assert verdicts(receive_files(turned, files[::-1])) == expected
    assert (turned / "out" / "pallets.csv").read_bytes() == table


def test_a_corrected_file_stands_in_place_of_the_earlier_one(site: Path, tmp_path: Path) -> None:
    """A corrected flash list replaces the wrong one, and repeating that changes nothing."""
    wrong = Truck(spoiled=(5,))
    receive_files(site, wrong.files(tmp_path))
    corrected = Truck().flash(tmp_path, name="flash-corrected.csv")
    report = receive_files(site, [corrected], replaced="flash-DN-1.csv")
    assert set(verdicts(report).values()) == {"accept"}
    entries = record_entries(site)
    again = receive_files(site, [corrected], replaced="flash-DN-1.csv")
    assert again.unchanged
    assert record_entries(site) == entries


def test_a_replaced_file_that_comes_again_is_not_used(site: Path, tmp_path: Path) -> None:
    """Giving the whole folder again does not bring the wrong flash list back beside the right."""
    files = Truck(spoiled=(5,)).files(tmp_path)
    receive_files(site, files)
    corrected = Truck().flash(tmp_path, name="flash-corrected.csv")
    receive_files(site, [corrected], replaced="flash-DN-1.csv")
    entries = record_entries(site)
    report = receive_files(site, [*files, corrected])
    assert record_entries(site) == entries
    assert set(verdicts(report).values()) == {"accept"}
    assert "file-replaced-earlier" in _checks(report)
    back = receive_files(site, [files[-1]], replaced="flash-corrected.csv")
    assert verdicts(back)[sscc(5)] == "hold"


def test_a_file_received_by_mistake_beside_another_can_still_replace_it(
    site: Path, tmp_path: Path
) -> None:
    """A corrected file of the same name, given without a word, is pointed out."""
    receive_files(site, Truck(spoiled=(5,)).files(tmp_path))
    old_sha = next(key[2] for key in record_entries(site) if _is_flash(site, key[2]))
    corrected = Truck().flash(tmp_path)
    beside = receive_files(site, [corrected])
    (twice,) = [one for one in beside.findings if one.check == "file-name-twice"]
    assert old_sha[:12] in twice.remedy
    with pytest.raises(CallError) as unclear:
        receive_files(site, [tmp_path / "order.csv"], replaced="flash-DN-1.csv")
    assert unclear.value.code == "file-to-replace-ambiguous"
    settled = receive_files(site, [corrected], replaced=old_sha[:12])
    assert set(verdicts(settled).values()) == {"accept"}


def _is_flash(site: Path, sha256: str) -> bool:
    path = site / "record-files" / sha256[:2] / sha256
    return path.is_file() and path.read_bytes().startswith(b"Serial No.")


def test_replacing_what_was_never_received_is_refused(site: Path, tmp_path: Path) -> None:
    """A slip in the name changes nothing and names what stands."""
    files = Truck().files(tmp_path)
    receive_files(site, files[:1])
    entries = record_entries(site)
    with pytest.raises(CallError, match=r"order\.csv"):
        receive_files(site, [files[1]], replaced="ordre.csv")
    with pytest.raises(CallError, match="one by one"):
        receive_files(site, files, replaced="order.csv")
    assert record_entries(site) == entries


def test_a_refused_file_leaves_everything_else_received(site: Path, tmp_path: Path) -> None:
    """One broken file among good ones is named; the others count; the exit code is 2."""
    broken = tmp_path / "flash-list.csv"
    broken.write_bytes(b"%PDF-1.7 not a table at all")
    report = receive_files(site, [broken, *Truck().files(tmp_path), tmp_path / "missing.csv"])
    assert set(verdicts(report).values()) == {"accept"}
    assert report.exit_code == 2
    assert len([key for key in record_entries(site) if key[0] == "file_received"]) == 4
    told = [one.subject for one in report.findings if one.check == "input-file"]
    assert told == ["flash-list.csv", "missing.csv"]


def test_a_mapping_file_names_the_columns_nobody_recognises(site: Path, tmp_path: Path) -> None:
    """Headings of the maker's own invention are read through a mapping, once and for all."""
    own = ("Key", "Box", "Lvl", "Art", "Bin W", "P", "U0", "Ik", "Um", "Im")
    truck = Truck(flash_headings=own)
    files = truck.files(tmp_path)
    first = receive_files(site, files)
    assert first.input_refused
    mapping = tmp_path / "mapping.toml"
    names = [column.name for column in FLASH_LIST.columns if column.name != "current_class"][:10]
    lines = [f'{name} = "{heading}"' for name, heading in zip(names, own, strict=True)]
    mapping.write_text('kind = "flash_list"\n[columns]\n' + "\n".join(lines) + "\n")
    report = receive_files(site, [files[-1]], mapping=mapping)
    assert set(verdicts(report).values()) == {"accept"}
    assert receive_files(site, [files[-1]]).unchanged
    assert receive_files(site, [files[-1]], mapping=mapping).unchanged


def test_a_new_mapping_reads_a_known_file_anew(site: Path, tmp_path: Path) -> None:
    """A file that was recognised but read wrongly is put right without a second copy of it."""
    files = Truck().files(tmp_path)
    scans = tmp_path / "scans-DN-1.csv"
    text = scans.read_text().replace("Modules counted", "Counted by crew two")
    scans.write_text(text.replace(",10,", ",9,", 1))
    first = receive_files(site, files)
    assert "file-columns-unused" in _checks(first)
    assert set(verdicts(first).values()) == {"accept"}
    mapping = tmp_path / "mapping.toml"
    mapping.write_text(
        'kind = "pallet_scans"\n[columns]\npallet = "Pallet"\nmodules = "Counted by crew two"\n'
    )
    second = receive_files(site, [scans], mapping=mapping)
    assert verdicts(second)[sscc(1)] == "hold"
    live = [key for key in record_entries_of(site, "file_received") if key == "scans-DN-1.csv"]
    assert len(live) == 2
    assert receive_files(site, [scans], mapping=mapping).unchanged


def record_entries_of(site: Path, kind: str) -> list[str]:
    """Give the file names of all entries of a kind."""
    with sqlite3.connect(site / "record.sqlite") as connection:
        rows = connection.execute("SELECT body FROM record_entries WHERE kind = ?", (kind,))
        return [str(json.loads(body)["file"]) for (body,) in rows]


def test_when_no_file_can_be_used_nothing_is_recorded(site: Path, tmp_path: Path) -> None:
    """A first call with nothing but a broken file judges no pallet and writes no report."""
    empty = tmp_path / "order.csv"
    empty.write_bytes(b"")
    report = receive_files(site, [empty])
    assert report.exit_code == 2
    assert record_entries(site) == set()
    assert not (site / "out").exists()


def test_a_change_of_the_description_is_judged_anew(site: Path, tmp_path: Path) -> None:
    """The same files under another description are another state of things."""
    files = Truck().files(tmp_path)
    receive_files(site, files)
    path = site / "site.toml"
    path.write_text(path.read_text().replace("pmax_max_w = 445", "pmax_max_w = 441"))
    report = receive_files(site, files)
    assert not report.unchanged
    assert set(verdicts(report).values()) == {"hold"}


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"\x00" * 300,
        b"\xff\xfe",
        b"Serial No.,Pallet ID,Pmax (W),Voc (V),Isc (A),Vmp (V),Imp (A)\n",
        b"PK\x03\x04 cut short",
        b"PAR1PAR1",
        b'"' * 2_000,
        b"serial;pallet\n" * 50,
    ],
)
def test_no_file_whatever_is_in_it_raises_anything(
    site: Path, tmp_path: Path, content: bytes
) -> None:
    """Bad input ends as findings about the file, or as one of the program's own errors."""
    path = tmp_path / "flash.csv"
    path.write_bytes(content)
    try:
        report = receive_files(site, [path, Truck().order(tmp_path)])
    except ArraywrightError as error:
        pytest.fail(f"the other file was left aside: {error}")
    assert any(finding.subject.startswith("flash.csv") for finding in report.findings)


def test_no_text_from_a_file_runs_in_a_spreadsheet(site: Path, tmp_path: Path) -> None:
    """A serial or pallet that begins like a formula is quoted in every table that is written."""
    flash = tmp_path / "flash.csv"
    flash.write_text(
        "Seriennummer;Palette;Pmpp;Uoc;Isc;Umpp;Impp\n=1+1;=2+2;440;39;14;33;13,3\n@a;+b;1;2;3;4;5\n"
    )
    report = receive_files(site, [flash])
    assert set(verdicts(report).values()) == {"hold"}
    for path in (site / "out").glob("*.csv"):
        lines = path.read_text(encoding="utf-8").splitlines()
        for cell in (cell for line in csv.reader(lines) for cell in line):
            assert not cell.startswith(("=", "+", "@")), f"{path.name}: {cell}"


@pytest.mark.parametrize("name", ["fl\udcffsh.csv", "a\nb.csv", "x" * 300 + ".csv", "\x1b[31mred"])
def test_odd_file_names_are_findings_too(site: Path, tmp_path: Path, name: str) -> None:
    """A name that is no text, too long, or steers a terminal never stops the others."""
    path = tmp_path / name
    with contextlib.suppress(OSError):
        path.write_text("x,y\n1,2\n")
    report = receive_files(site, [path, Truck().order(tmp_path)])
    assert report.exit_code == 2
    assert len(record_entries(site)) == 2


def test_pipes_and_folders_are_refused_without_waiting(site: Path, tmp_path: Path) -> None:
    """Nothing is read for ever, and nothing twice that can be read only once."""
    pipe = tmp_path / "pipe.csv"
    os.mkfifo(pipe)
    report = receive_files(site, [pipe, tmp_path, Path("/dev/zero"), Truck().order(tmp_path)])
    assert [one.check for one in report.findings].count("input-file") == 3
    assert report.exit_code == 2


def test_a_broken_mapping_stops_before_anything_is_recorded(site: Path, tmp_path: Path) -> None:
    """A mapping is an instruction: when it is wrong, nothing is guessed instead."""
    mapping = tmp_path / "mapping.toml"
    for text in ("kind =", 'kind = "flash"', 'kind = "flash_list"\n[columns]\nserail = "x"\n', ""):
        mapping.write_text(text)
        with_order = [Truck().order(tmp_path)]
        with pytest.raises(InputFileError) as refused:
            receive_files(site, with_order, mapping=mapping)
        assert mapping.name in refused.value.message
        assert record_entries(site) == set()


@pytest.mark.parametrize(
    ("zone", "longitude", "moment"),
    [
        ("Pacific/Apia", -171.8, "2011-12-30T07:{:02d}:00"),
        ("Asia/Kathmandu", 85.3, "2026-05-04T07:{:02d}:00"),
        ("Europe/Berlin", 11.2, "2026-03-29T02:{:02d}:00"),
        ("America/St_Johns", -52.7, "2026-11-01T01:{:02d}:00"),
        ("Antarctica/Troll", 2.5, "2026-03-29T02:{:02d}:00"),
    ],
)
def test_odd_clocks_hold_nothing_up(
    tmp_path: Path, zone: str, longitude: float, moment: str
) -> None:
    """A day that never was, a quarter of an hour, an hour skipped or doubled: rows stay used."""
    site = make_site(tmp_path, zone=zone, longitude=longitude)
    truck = Truck()
    files = [
        truck.order(tmp_path),
        truck.delivery_note(tmp_path),
        truck.scans(tmp_path, moment=moment),
        truck.flash(tmp_path),
    ]
    report = receive_files(site, files)
    assert set(verdicts(report).values()) == {"accept"}
    for table in _files(report):
        assert table["rows_reported"] == 0
