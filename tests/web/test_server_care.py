"""Backup and restore while the site is in use, and verification of what is made of entries."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from arraywright.errors import CallError, RecordError
from arraywright.findings import Verdict, worst_verdict
from arraywright.procedures.field_rows import PLACEMENT_RULES
from arraywright.procedures.report import NO_PROGRESS, Report
from arraywright.procedures.site_record import RECORD_FILE
from arraywright.procedures.verify import verify
from arraywright.records import (
    FILES_FOLDER,
    ConflictsProjection,
    DeviceIdentity,
    FileStore,
    Journal,
    NewEntry,
    Store,
    json_body,
)
from arraywright.records.people import PEOPLE_FILE, People, Role
from arraywright.web.backup import MANIFEST, backup, restore
from arraywright.web.settings import utc_now
from tests.postgres import new_database


def _journal(place: str | Path, folder: Path) -> Journal:
    return Journal.open(
        place,
        device=DeviceIdentity.from_seed(bytes([7]) * 32),
        person="Kim Crew",
        now=utc_now,
        files=FileStore(folder / FILES_FOLDER),
    )


def _placed(serial: str, position: str) -> NewEntry:
    return NewEntry(
        kind="module_placed",
        subject_kind="module",
        subject=serial,
        body=json_body({"position": position}),
    )


def _fill(place: str | Path, folder: Path) -> None:
    people_place = place if isinstance(place, str) else folder / PEOPLE_FILE
    people = People.open(people_place, now=utc_now)
    people.add("Robin Example", Role.OWNER)
    people.close()
    (folder / "out").mkdir(exist_ok=True)
    (folder / "out" / "list.csv").write_text("serial\n1\n")
    with _journal(place, folder) as journal:
        assert journal.files is not None
        stored = journal.files.put_bytes(b"a picture")
        journal.append(
            [
                *(_placed(f"S{number:03d}", f"P{number:03d}") for number in range(50)),
                NewEntry(
                    kind="defect_found",
                    subject_kind="module",
                    subject="S001",
                    body=json_body({"files": [stored.named("crack.jpg")]}),
                ),
            ]
        )


def _backup(site: Path, target: Path, **given: Any) -> Report:
    report = backup(site, target, now=utc_now, progress=NO_PROGRESS, **given)
    assert worst_verdict(report.findings) is Verdict.PASS, report.findings
    return report


def _restore(source: Path, site: Path, **given: Any) -> Report:
    return restore(source, site, now=utc_now, progress=NO_PROGRESS, **given)


def _names(place: str | Path) -> list[str]:
    people = People.open(place, now=utc_now)
    try:
        return [one.name for one in people.everyone()]
    finally:
        people.close()


def test_a_backup_restores_to_the_same_record(site_folder: Path, tmp_path: Path) -> None:
    """Entries, receipts, people, files and documents come back; the seal is the same."""
    _fill(site_folder / RECORD_FILE, site_folder)
    made = _backup(site_folder, tmp_path / "backup")
    restored = _restore(tmp_path / "backup", tmp_path / "again")
    assert worst_verdict(restored.findings) is Verdict.PASS
    assert restored.result["receipt"] == made.result["receipt"]
    assert _names(tmp_path / "again" / PEOPLE_FILE) == ["Robin Example"]
    assert (tmp_path / "again" / "out" / "list.csv").read_text() == "serial\n1\n"
    assert (tmp_path / "again" / "site.toml").read_bytes() == (
        site_folder / "site.toml"
    ).read_bytes()


def test_a_backup_made_while_others_write_is_whole(site_folder: Path, tmp_path: Path) -> None:
    """What is entered meanwhile is in this backup wholly or in the next one."""
    _fill(site_folder / RECORD_FILE, site_folder)
    stop = threading.Event()
    written: list[int] = []

    def write() -> None:
        with _journal(site_folder / RECORD_FILE, site_folder) as journal:
            while not stop.is_set():
                number = len(written)
                journal.append([_placed(f"T{number}", f"Q{number}")])
                written.append(number)

    writer = threading.Thread(target=write)
    writer.start()
    try:
        counts = [
            int(str(_backup(site_folder, tmp_path / "backup").result["entries"])) for _ in range(3)
        ]
    finally:
        stop.set()
        writer.join()
    assert 52 <= counts[0] <= counts[1] <= counts[2] <= 52 + len(written)
    last = _backup(site_folder, tmp_path / "backup")
    assert last.result["entries"] == 52 + len(written)


def test_the_next_backup_copies_only_new_files(site_folder: Path, tmp_path: Path) -> None:
    """Stored files never change, so those that are there already are not copied again."""
    _fill(site_folder / RECORD_FILE, site_folder)
    _backup(site_folder, tmp_path / "backup")
    stored = next((tmp_path / "backup" / FILES_FOLDER).glob("??/*"))
    before = stored.stat().st_mtime_ns
    stored_inode = stored.stat().st_ino
    _backup(site_folder, tmp_path / "backup")
    assert (stored.stat().st_mtime_ns, stored.stat().st_ino) == (before, stored_inode)


@pytest.mark.parametrize("name", [RECORD_FILE, PEOPLE_FILE, "site.toml", "out/list.csv"])
def test_a_backup_that_was_changed_is_not_restored(
    site_folder: Path, tmp_path: Path, name: str
) -> None:
    """One byte changed anywhere is told, and nothing is restored."""
    _fill(site_folder / RECORD_FILE, site_folder)
    _backup(site_folder, tmp_path / "backup")
    path = tmp_path / "backup" / name
    held = bytearray(path.read_bytes())
    held[-1] ^= 1
    path.write_bytes(held)
    report = _restore(tmp_path / "backup", tmp_path / "again")
    assert report.exit_code == 1
    assert [one.subject for one in report.findings] == [name]
    assert not (tmp_path / "again").exists()


def test_nothing_is_ever_overwritten(site_folder: Path, tmp_path: Path) -> None:
    """A folder in use is no target, neither of a backup nor of a restore."""
    _fill(site_folder / RECORD_FILE, site_folder)
    _backup(site_folder, tmp_path / "backup")
    with pytest.raises(CallError):
        _restore(tmp_path / "backup", site_folder)
    with pytest.raises(CallError):
        backup(site_folder, site_folder, now=utc_now, progress=NO_PROGRESS)
    with pytest.raises(CallError):
        _restore(site_folder, tmp_path / "again")
    (tmp_path / "backup" / MANIFEST).write_text(json.dumps({"format": 99}))
    with pytest.raises(CallError):
        _restore(tmp_path / "backup", tmp_path / "again")
    with pytest.raises(RecordError):
        backup(tmp_path, tmp_path / "b2", now=utc_now, progress=NO_PROGRESS)


def test_a_site_moves_between_file_and_server(
    site_folder: Path, tmp_path: Path, postgres_url: str
) -> None:
    """From the folder to PostgreSQL and back, the seal and the people stay the same."""
    _fill(site_folder / RECORD_FILE, site_folder)
    first = _backup(site_folder, tmp_path / "one")
    with new_database(postgres_url) as url:
        there = _restore(tmp_path / "one", tmp_path / "server-site", record_url=url)
        assert worst_verdict(there.findings) is Verdict.PASS
        assert _names(url) == ["Robin Example"]
        second = _backup(tmp_path / "server-site", tmp_path / "two", record_url=url)
        with pytest.raises(RecordError):
            _restore(tmp_path / "one", tmp_path / "other", record_url=url)
    back = _restore(tmp_path / "two", tmp_path / "home-again")
    assert worst_verdict(back.findings) is Verdict.PASS
    assert (
        first.result["receipt"]
        == there.result["receipt"]
        == second.result["receipt"]
        == back.result["receipt"]
    )
    assert _names(tmp_path / "home-again" / PEOPLE_FILE) == ["Robin Example"]


def test_verify_finds_a_projection_that_somebody_changed(site_folder: Path) -> None:
    """What is made of the entries is compared with what they give anew."""
    _fill(site_folder / RECORD_FILE, site_folder)

    def look() -> list[tuple[str, str]]:
        report = verify(
            site_folder,
            now=utc_now,
            progress=NO_PROGRESS,
            projections=(ConflictsProjection(PLACEMENT_RULES),),
        )
        return [
            (one.check, one.verdict.value)
            for one in report.findings
            if one.check == "record-projection"
        ]

    assert look() == [("record-projection", "pass")]
    store = Store.open(site_folder / RECORD_FILE)
    with store.write() as connection:
        connection.execute(sa.text("UPDATE p_claims SET left_value = 'X' WHERE number = 0"))
    store.close()
    assert look() == [("record-projection", "fail")]
    assert look() == [("record-projection", "pass")]
