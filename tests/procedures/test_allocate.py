"""Allocating from a record: days of pallets, announced ones, modes, and the files for the crews."""

from __future__ import annotations

import csv
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from arraywright.errors import CallError
from arraywright.procedures.allocate import allocate
from arraywright.procedures.report import NO_PROGRESS, Report
from tests.procedures.making import MODULES, PERSON, Truck, make_site, receive_files, sscc

BUILDING = """
[building]
start = 2026-05-05
strings_per_day = 2
"""
YARD = """
[yard]
lift_mass_max_kg = 1500

[[yard.areas]]
name = "Gate"
x_m = 0
y_m = 40
area_m2 = 60
"""
HERE = Truck(pallets=(1, 2), delivered_on="2026-05-04")
COMING = Truck(pallets=(3, 4, 5), note="DN-2", unseen=(3, 4, 5), delivered_on="2026-05-11")


@pytest.fixture
def site(tmp_path: Path) -> Callable[[str], Path]:
    """Give a function that makes the site with more in its description."""

    def of(more: str) -> Path:
        folder = make_site(tmp_path)
        file = folder / "site.toml"
        file.write_text(file.read_text(encoding="utf-8") + more, encoding="utf-8")
        return folder

    return of


def _receive(site: Path, folder: Path, *, here: Truck = HERE, coming: Truck = COMING) -> None:
    folder.mkdir(exist_ok=True)
    files = here.files(folder)
    files[0] = here.order(folder, modules=5 * MODULES)
    receive_files(site, files)
    # notes and flash lists of trucks that are on their way
    receive_files(site, [coming.delivery_note(folder), coming.flash(folder)], hour=13)


def _allocate(
    site: Path,
    *,
    mode: str | None = None,
    replan: bool = False,
    in_progress: tuple[str, ...] = (),
    ahead: int | None = None,
    explain: str | None = None,
    day: int = 4,
    hour: int = 15,
) -> Report:
    return allocate(
        site,
        mode=mode,
        replan=replan,
        in_progress=in_progress,
        ahead=ahead,
        explain=explain,
        person=PERSON,
        now=lambda: datetime(2026, 5, day, hour, tzinfo=UTC),
        progress=NO_PROGRESS,
    )


def _rows(site: Path, name: str) -> list[dict[str, str]]:
    with (site / "out" / name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_announced_pallets_are_planned_for_the_days_after_they_come(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """Two pallets are here for the first day; the other strings wait for the truck of the 11th."""
    folder = site(BUILDING + YARD)
    _receive(folder, tmp_path / "files")
    report = _allocate(folder)
    assert report.result["announced_pallets"] == 3
    assert report.result["waiting_strings"] == 2
    picks = _rows(folder, "picking-lists.csv")
    days = {row["pallet"]: row["day"] for row in picks}
    assert {days[sscc(1)], days[sscc(2)]} == {"2026-05-05"}
    later = [row for row in picks if row["pallet"] not in (sscc(1), sscc(2))]
    assert {row["day"] for row in later} == {"2026-05-11"}
    assert all("expected on 2026-05-11" in row["remark"] for row in later)
    stacks = {row["pallet"]: row for row in _rows(folder, "yard-plan.csv")}
    assert stacks[sscc(1)]["area"] == "Gate"
    assert {stacks[row["pallet"]]["way"] for row in later} == {"from the truck"}
    (waits,) = [f for f in report.findings if f.check == "allocation-waits"]
    assert "2026-05-11" in waits.message


def test_without_building_dates_only_what_is_here_is_planned(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """Announced pallets are left out where nothing says when strings are built."""
    folder = site("")
    _receive(folder, tmp_path / "files")
    report = _allocate(folder)
    used = {row["pallet"] for row in _rows(folder, "allocation.csv")}
    assert used == {sscc(1), sscc(2)}
    assert "No building dates are described" in " ".join(report.summary)
    assert {row["day"] for row in _rows(folder, "picking-lists.csv")} == {""}


def test_the_order_names_the_day_where_no_note_does(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """A pallet known by its flash list alone is expected on the day its class is ordered for."""
    folder = site(BUILDING)
    files = tmp_path / "files"
    files.mkdir()
    here = Truck(pallets=(1, 2), delivered_on="2026-05-04", due_on="2026-05-13")
    held = here.files(files)
    held[0] = here.order(files, modules=5 * MODULES)
    receive_files(folder, held)
    receive_files(folder, [COMING.flash(files)], hour=13)
    _allocate(folder)
    arrives = {row["pallet"]: row["arrives"] for row in _rows(folder, "yard-plan.csv")}
    assert arrives[sscc(3)] == "2026-05-13"


def test_announced_pallets_without_a_day_are_left_out_and_told(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """A truck that should have come already cannot be planned with."""
    folder = site(BUILDING)
    _receive(
        folder,
        tmp_path / "files",
        coming=Truck(pallets=(3, 4), note="DN-2", unseen=(3, 4), delivered_on="2026-05-03"),
    )
    report = _allocate(folder)
    (told,) = [f for f in report.findings if f.check == "allocation-announced"]
    assert told.value == 2.0
    assert sscc(3) in told.message
    assert report.result["announced_pallets"] == 0


def test_a_pallet_held_for_another_reason_is_never_planned_with(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """A pallet missing from a delivery that has begun is not an announced one."""
    folder = site(BUILDING)
    files = tmp_path / "files"
    truck = Truck(pallets=(1, 2, 3), unseen=(3,), delivered_on="2026-05-11")
    receive_files(folder, truck.files(files))
    _allocate(folder)
    used = {row["pallet"] for row in _rows(folder, "allocation.csv")}
    assert sscc(3) not in used


def test_the_same_record_gives_the_same_plan_whenever_it_is_asked(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """The planning day is that of the record, not of the clock."""
    folder = site(BUILDING)
    _receive(folder, tmp_path / "files")
    first = _allocate(folder)
    again = _allocate(folder, day=20)
    assert not first.unchanged
    assert again.unchanged
    assert again.result["planning_day"] == "2026-05-04"
    assert again.result["picking"] == first.result["picking"]


def test_modes_are_kept_apart_and_piles_are_listed_only_while_wanted(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """Another mode is another plan; the list of piles goes when nothing is sorted any more."""
    folder = site("")
    truck = Truck()
    receive_files(folder, truck.files(tmp_path / "files"))
    piles = _allocate(folder, mode="piles")
    listed = _rows(folder, "piles.csv")
    assert len(listed) == 4 * MODULES
    assert {row["drop_point"] for row in listed} == {"R-D"}
    assert any(int(row["pile"]) > 1 for row in listed)
    assigned = {row["serial"]: row["string"] for row in _rows(folder, "allocation.csv")}
    assert all(assigned[row["serial"]] == row["string"] for row in listed)
    assert {row["remark"] for row in _rows(folder, "picking-lists.csv")} == {"sort by piles.csv"}
    # from the top of one pallet to its bottom, then the next
    tops = [(row["pallet"], int(row["stack_position"])) for row in listed]
    assert tops == sorted(tops)
    auto = _allocate(folder)
    assert not auto.unchanged
    assert auto.result["mode"] == "auto"
    assert not (folder / "out" / "piles.csv").exists()
    assert piles.result["mode"] == "piles"


def test_every_file_told_is_written_and_holds_what_its_name_says(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """Document and tables stand in the folder, the document as PDF."""
    folder = site(BUILDING + YARD)
    _receive(folder, tmp_path / "files")
    report = _allocate(folder)
    names = {path.name for path in report.written}
    assert names == {
        "picking-lists.pdf",
        "picking-lists.csv",
        "allocation.csv",
        "spares.csv",
        "yard-plan.csv",
        "yard-days.csv",
        "trade-off.csv",
    }
    assert all(path.exists() for path in report.written)
    assert (folder / "out" / "picking-lists.pdf").read_bytes().startswith(b"%PDF")
    ways = {row["way"] for row in _rows(folder, "trade-off.csv")}
    assert {"order of arrival", "this plan"} <= ways
    titles = [table.title for table in report.tables]
    assert [t.split(" (")[0] for t in titles] == [
        "Plans compared",
        "Classes",
        "Handling against mismatch",
        "Yard",
        "Pallets per drop point",
    ]


def _damage(site: Path, folder: Path, pallet: int) -> None:
    """Scan a pallet again, damaged: it is held from now on."""
    file = folder / "scans-later.csv"
    file.write_text(
        "Pallet,Scanned at,Type on label,Modules counted,Condition\n"
        f"{sscc(pallet)},2026-05-04T16:00:00,SEDGE 440,{MODULES},crushed corner\n",
        encoding="utf-8",
    )
    receive_files(site, [file], hour=16)


def test_a_broken_pallet_changes_only_the_strings_it_was_for(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """Planned anew, the strings of the sound pallets stay, and the crews read what changes."""
    folder = site("")
    files = tmp_path / "files"
    receive_files(folder, Truck(pallets=(1, 2, 3, 4, 5)).files(files))
    _allocate(folder)
    before = {row["string"]: row["pallet"] for row in _rows(folder, "allocation.csv")}
    (broken,) = {int(p[-3:-1]) for p in [before["R-S01"]]}
    _damage(folder, files, broken)
    report = _allocate(folder, replan=True, hour=17)
    after = {row["string"]: row["pallet"] for row in _rows(folder, "allocation.csv")}
    assert before["R-S01"] not in after.values()
    changed = [name for name in before if before[name] != after[name]]
    assert changed == ["R-S01"]
    (row,) = _rows(folder, "changes.csv")
    assert row["string"] == "R-S01"
    assert before["R-S01"] in row["was"]
    assert after["R-S01"] in row["now"]
    assert "held" in row["why"]
    assert report.tables[0].title == "What changes for the crews"
    assert report.result["replan_of"]
    again = _allocate(folder, replan=True, hour=18)
    assert again.unchanged
    assert (folder / "out" / "changes.csv").exists()
    scratch = _allocate(folder, hour=19)
    assert not scratch.unchanged
    assert not (folder / "out" / "changes.csv").exists()


def test_planning_anew_needs_a_plan(site: Callable[[str], Path], tmp_path: Path) -> None:
    """There is nothing to keep before the first plan."""
    folder = site("")
    receive_files(folder, Truck().files(tmp_path / "files"))
    with pytest.raises(CallError, match="nothing to keep"):
        _allocate(folder, replan=True)


def test_a_string_is_explained_the_same_before_and_after_recording(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """The explanation goes with the plan that stands, also one planned anew."""
    folder = site(BUILDING)
    files = tmp_path / "files"
    receive_files(folder, Truck(pallets=(1, 2, 3, 4, 5)).files(files))
    first = _allocate(folder, explain="R-S02")
    again = _allocate(folder, explain="R-S02")
    assert again.unchanged
    assert again.result["explanation"] == first.result["explanation"]
    planned = {row["string"]: row["pallet"] for row in _rows(folder, "allocation.csv")}
    told = first.result["explanation"]
    assert isinstance(told, dict)
    assert [share["pallet"] for share in told["pallets"]] == [planned["R-S02"]]
    _damage(folder, files, int(planned["R-S02"][-3:-1]))
    anew = _allocate(folder, replan=True, explain="R-S02", hour=17)
    once_more = _allocate(folder, replan=True, explain="R-S02", hour=18)
    assert once_more.unchanged
    assert once_more.result["explanation"] == anew.result["explanation"]
    with pytest.raises(CallError, match="Did you mean R-S02"):
        _allocate(folder, explain="R-S22")


def test_strings_in_progress_stay_and_are_named_only_with_a_plan_to_keep(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """What is being picked is not planned otherwise, and still stands in the lists."""
    folder = site("")
    receive_files(folder, Truck().files(tmp_path / "files"))
    _allocate(folder, mode="arrival")
    before = _rows(folder, "allocation.csv")
    with pytest.raises(CallError, match="not to be kept"):
        _allocate(folder, in_progress=("R-S01",))
    _allocate(folder, replan=True, in_progress=("R-S01",), mode="whole")
    after = _rows(folder, "allocation.csv")
    assert [row for row in after if row["string"] == "R-S01"] == [
        row for row in before if row["string"] == "R-S01"
    ]


def test_the_coming_days_are_planned_from_the_yard_and_the_order_counts_for_the_rest(
    site: Callable[[str], Path], tmp_path: Path
) -> None:
    """Two pallets are here, three ordered: two strings are picked, two rest on the order."""
    folder = site(BUILDING)
    (tmp_path / "files").mkdir()
    files = HERE.files(tmp_path / "files")
    files[0] = HERE.order(tmp_path / "files", modules=5 * MODULES)
    receive_files(folder, files)
    report = _allocate(folder, ahead=1)
    (kept,) = _rows(folder, "reserved.csv")
    counts = {name: int(kept[name]) for name in ("here", "to_come", "next_days", "later_to_come")}
    assert counts == {"here": 20, "to_come": 30, "next_days": 20, "later_to_come": 20}
    picked = _rows(folder, "allocation.csv")
    assert {row["string"] for row in picked} == {"R-S01", "R-S02"}
    assert {row["pallet"] for row in _rows(folder, "picking-lists.csv")} == {sscc(1), sscc(2)}
    assert "2 strings are planned until 2026-05-05" in " ".join(report.summary)
    assert "2 strings rest on pallets to come" in " ".join(report.summary)
    # asked again nothing is new; without days ahead the plan is another
    assert _allocate(folder, ahead=1, hour=16).unchanged
    whole = _allocate(folder, hour=17)
    assert not whole.unchanged
    assert not (folder / "out" / "reserved.csv").exists()
    # with the pallets come the plan in hand is kept and completed
    _allocate(folder, ahead=1, hour=18)
    more = Truck(pallets=(3, 4, 5), note="DN-2").files(tmp_path / "more")[1:]
    receive_files(folder, more, hour=19)
    later = _allocate(folder, ahead=9, replan=True, hour=20)
    changes = _rows(folder, "changes.csv")
    assert {row["string"] for row in changes} == {"R-S03", "R-S04"}
    assert {row["was"] for row in changes} == {""}
    assert not later.unchanged
    # nothing is to come any more, and what is known is counted once
    (kept,) = _rows(folder, "reserved.csv")
    assert (int(kept["here"]), int(kept["to_come"])) == (50, 0)


def test_days_ahead_need_building_dates(site: Callable[[str], Path], tmp_path: Path) -> None:
    """Where nothing says when strings are built, there are no coming days."""
    folder = site("")
    receive_files(folder, Truck().files(tmp_path / "files"))
    with pytest.raises(CallError, match="nothing says when strings are built"):
        _allocate(folder, ahead=2)


def test_an_unknown_mode_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    """The call is wrong, whatever the folder."""
    with pytest.raises(CallError, match="best"):
        _allocate(tmp_path / "nowhere", mode="best")
