"""The journal keeps what was appended, merges in any order, and finds every change."""

from __future__ import annotations

import dataclasses
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event

from arraywright.errors import CallError, RecordError
from arraywright.findings import Verdict, worst_verdict
from arraywright.records import (
    ConflictsProjection,
    Entry,
    Exclusive,
    Journal,
    LatestProjection,
    NewEntry,
    ProjectionRunner,
    Sought,
    json_body,
    read_entries,
    write_entries,
)
from arraywright.records.exchange import entry_as_json, entry_from_json
from tests.records.making import clock, device, opened, placed, tamper

RULES = {
    "module_placed": Exclusive(space="placement", left="position", right="serial"),
    "string_filled": Exclusive(space="placement", left="position", right="serial", each="modules"),
}
FLIPPED_COLUMNS = (
    "uuid",
    "device",
    "sequence",
    "person",
    "device_time",
    "received_time",
    "kind",
    "subject_kind",
    "subject",
    "supersedes",
    "body",
    "previous_hash",
    "entry_hash",
    "signature",
    "receipt",
    "server_order",
)


def filled(serials: list[str], positions: list[str]) -> NewEntry:
    """Make the entry that a string was filled in one go."""
    pairs = zip(positions, serials, strict=True)
    modules = [{"position": position, "serial": serial} for position, serial in pairs]
    return NewEntry(
        kind="string_filled",
        subject_kind="string",
        subject="ST-1",
        body=json_body({"modules": modules}),
    )


def history(folder: Path) -> list[Entry]:
    """Make entries of three devices with corrections, contradictions and equal times."""
    with opened(folder / "one.sqlite", 1) as one, opened(folder / "two.sqlite", 2) as two:
        first = one.append([placed("S1", "P1"), placed("S2", "P2"), placed("S1", "P1")])
        one.append([placed("S1", "P3", supersedes=first[0].uuid)])
        two.append([placed("S1", "P9"), placed("S2", "P2"), filled(["S2", "S7"], ["P7", "P1"])])
        two.merge(one.entries())
        corrected = two.append([placed("S4", "P2", supersedes=first[1].uuid)])
        withdrawn = dataclasses.replace(
            placed("S4", "P2", supersedes=corrected[0].uuid), body=json_body({"serial": "S4"})
        )
        unreadable = dataclasses.replace(placed("S5", "P5"), body=b'{"serial":5,"position":""}')
        one.merge(two.entries())
        one.append([withdrawn, unreadable])
        with opened(folder / "three.sqlite", 3) as three:
            three.append([placed("S9", "P9")])
            one.merge(three.entries())
        return list(one.entries())


def state(journal: Journal, *, in_steps: bool = False) -> dict[str, str]:
    """Give the content of all projections."""
    runner = ProjectionRunner(journal, [LatestProjection(), ConflictsProjection(RULES)])
    if not in_steps:
        runner.rebuild()
    runner.catch_up()
    return {name: runner.content_hash(name) for name in ("latest", "conflicts")}


@given(data=st.data())
@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
def test_order_of_arrival_does_not_matter(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Any permutation, repetition and cutting into merges gives identical projections."""
    folder = tmp_path_factory.mktemp("arrival")
    entries = history(folder)
    shuffled = data.draw(st.permutations(entries)) + data.draw(
        st.lists(st.sampled_from(entries), max_size=5)
    )
    cuts = sorted(data.draw(st.lists(st.integers(0, len(shuffled)), max_size=4)))
    with opened(folder / "straight.sqlite", 8) as straight:
        straight.merge(entries)
        expected = state(straight)
    with opened(folder / "shuffled.sqlite", 9) as journal:
        for start, end in zip([0, *cuts], [*cuts, len(shuffled)], strict=True):
            outcome = journal.merge(shuffled[start:end])
            assert outcome.refused == ()
            stepwise = state(journal, in_steps=True)
        assert stepwise == expected
        assert state(journal) == expected
        assert worst_verdict(journal.verify()) is Verdict.PASS


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Give the bytes of a small record with a correction, all in one file."""
    path = tmp_path_factory.mktemp("sound") / "record.sqlite"
    with opened(path) as journal:
        (first, _) = journal.append([placed("S1", "P1"), placed("S2", "P2")])
        journal.append([placed("S1", "P3", supersedes=first.uuid)])
    return path.read_bytes()


@pytest.mark.parametrize("column", FLIPPED_COLUMNS)
@given(data=st.data())
@settings(max_examples=20, deadline=None, suppress_health_check=list(HealthCheck))
def test_any_changed_byte_is_found(
    column: str, data: st.DataObject, sound: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever byte of whatever field another program changes, verifying fails."""
    path = tmp_path_factory.mktemp("flipped") / "record.sqlite"
    path.write_bytes(sound)
    order = 4 if column == "supersedes" else data.draw(st.integers(1, 4))
    with closing(sqlite3.connect(path)) as connection:
        held = connection.execute(
            f"SELECT CAST({column} AS BLOB), typeof({column}) FROM record_entries "  # noqa: S608
            "WHERE server_order = ?",
            (order,),
        ).fetchone()
    raw, kind = bytes(held[0]), held[1]
    position = data.draw(st.integers(0, len(raw) - 1))
    if kind == "integer":
        changed: object = int(raw) + data.draw(st.sampled_from([-7, 7, 1_000_000]))
    else:
        mask = data.draw(st.integers(1, 255))
        changed = raw[:position] + bytes([raw[position] ^ mask]) + raw[position + 1 :]
    target = {"integer": "?", "blob": "?", "text": "CAST(? AS TEXT)"}[kind]
    tamper(
        path,
        f"UPDATE record_entries SET {column} = {target} WHERE server_order = ?",  # noqa: S608
        (changed, order),
    )
    with opened(path) as journal:
        findings = journal.verify()
    assert worst_verdict(findings) is Verdict.FAIL
    for finding in findings:
        finding.message.encode()


@pytest.mark.parametrize("order", [1, 2, 3])
def test_a_removed_entry_is_found(order: int, tmp_path: Path) -> None:
    """An entry taken out of the middle leaves a gap that is named."""
    path = tmp_path / "record.sqlite"
    with opened(path) as journal:
        journal.append([placed("S1", "P1"), placed("S2", "P2"), placed("S3", "P3")])
    tamper(path, "DELETE FROM record_entries WHERE server_order = ?", (order,))
    with opened(path) as journal:
        found = {finding.check for finding in journal.verify() if finding.verdict == "fail"}
    assert {"record-gap", "record-order", "record-receipt"} <= found


def test_a_cut_end_is_found_with_the_seal(tmp_path: Path) -> None:
    """Entries removed from the end show against the seal kept elsewhere."""
    path = tmp_path / "record.sqlite"
    with opened(path) as journal:
        journal.append([placed("S1", "P1"), placed("S2", "P2")])
        seal = journal.seal()
    tamper(path, "DELETE FROM record_entries WHERE server_order = 3")
    with opened(path) as journal:
        assert worst_verdict(journal.verify()) is Verdict.PASS
        assert worst_verdict(journal.verify(seal=seal)) is Verdict.FAIL


def test_a_removed_guard_is_found(tmp_path: Path) -> None:
    """A database whose triggers were dropped does not pass."""
    path = tmp_path / "record.sqlite"
    with opened(path) as journal:
        journal.append([placed("S1", "P1")])
        with closing(sqlite3.connect(path)) as connection:
            connection.execute("DROP TRIGGER record_entries_no_delete")
            connection.commit()
        (finding,) = [held for held in journal.verify() if held.verdict == "fail"]
    assert finding.check == "record-guards"


@pytest.mark.parametrize("recursive", ["ON", "OFF"])
@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE record_entries SET person = 'x'",
        "UPDATE OR REPLACE record_entries SET server_order = 1 WHERE server_order = 2",
        "DELETE FROM record_entries WHERE server_order = 1",
        "INSERT OR REPLACE INTO record_entries SELECT * FROM record_entries",
        "REPLACE INTO record_entries SELECT * FROM record_entries WHERE server_order = 2",
        "INSERT OR IGNORE INTO record_entries SELECT * FROM record_entries",
    ],
)
def test_other_programs_cannot_change_entries(
    recursive: str, statement: str, tmp_path: Path
) -> None:
    """The guards hold for any program that opens the file, whatever it has set."""
    path = tmp_path / "record.sqlite"
    with opened(path) as journal:
        journal.append([placed("S1", "P1"), placed("S2", "P2")])
        with closing(sqlite3.connect(path)) as connection:
            connection.execute(f"PRAGMA recursive_triggers={recursive}")
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                connection.execute(statement)
            connection.rollback()
        assert worst_verdict(journal.verify()) is Verdict.PASS


def test_a_fork_keeps_both_and_asks_a_person(tmp_path: Path) -> None:
    """A record copied and used in both places loses nothing when merged again."""
    with opened(tmp_path / "a.sqlite") as journal:
        journal.append([placed("S1", "P1")])
    (tmp_path / "b.sqlite").write_bytes((tmp_path / "a.sqlite").read_bytes())
    with opened(tmp_path / "a.sqlite") as one, opened(tmp_path / "b.sqlite") as other:
        one.append([placed("S2", "P2")])
        other.append([placed("S3", "P3")])
        one.merge(other.entries())
        other.merge(one.entries())
        assert {entry.subject for entry in one.live(kind="module_placed")} == {"S1", "S2", "S3"}
        assert state(one) == state(other)
        findings = one.verify()
        assert worst_verdict(findings) is Verdict.REVIEW
        assert [finding.check for finding in findings if finding.verdict == "review"] == [
            "record-fork"
        ]
        one.append([placed("S4", "P4")])
        assert worst_verdict(one.verify()) is Verdict.REVIEW


@pytest.mark.parametrize(
    "change",
    [
        {"person": "Somebody"},
        {"sequence": 7},
        {"device": "0" * 64},
        {"device": "f" * 63},
        {"signature": b""},
        {"previous_hash": bytes(32)},
        {"uuid": "5c146b14-3c52-8afd-938a-375d0df1fbf6"},
        {"body": b"{}"},
        {"entry_hash": bytes(32)},
        {"kind": "device_introduced"},
        {"device_time": None},
        {"supersedes": "5c146b14-3c52-8afd-938a-375d0df1fbf6"},
    ],
    ids=lambda change: next(iter(change)),
)
def test_forged_entries_are_refused_with_a_reason(
    change: dict[str, object], tmp_path: Path
) -> None:
    """A foreign entry with any field changed is not added."""
    with opened(tmp_path / "a.sqlite") as one, opened(tmp_path / "b.sqlite", 2) as other:
        (entry,) = one.append([placed("S1", "P1")])
        forged = dataclasses.replace(entry, **change)  # type: ignore[arg-type]
        outcome = other.merge([forged])
        assert outcome.count("refused") == 1
        assert outcome.refused[0].reason
        assert list(other.entries()) == []


def test_a_gap_closes_when_the_missing_entry_arrives(tmp_path: Path) -> None:
    """Until the entry before is there the record does not pass, and then it does."""
    with opened(tmp_path / "a.sqlite") as one, opened(tmp_path / "b.sqlite", 2) as other:
        one.append([placed("S1", "P1"), placed("S2", "P2")])
        entries = list(one.entries())
        other.merge([entries[0], entries[2]])
        (gap,) = [held for held in other.verify() if held.verdict == "fail"]
        assert gap.check == "record-gap"
        assert "entry 2 is missing" in gap.message
        other.merge([entries[1]])
        assert worst_verdict(other.verify()) is Verdict.PASS


def test_a_command_repeated_appends_nothing(tmp_path: Path) -> None:
    """The same thing recorded twice is there once, until its entry has been corrected."""
    sought = Sought(kind="module_placed", subject_kind="module", subject="S1")
    with opened(tmp_path / "a.sqlite") as journal:
        (entry,) = journal.append([placed("S1", "P1")], unless=sought)
        assert journal.append([placed("S1", "P1")], unless=sought) == []
        assert journal.append([]) == []
        assert list(journal.live(kind="module_placed")) == [entry]


def test_corrections_of_unknown_entries_are_refused(tmp_path: Path) -> None:
    """A correction must name an entry that is there and not corrected yet, once per call."""
    unknown = "5c146b14-3c52-8afd-938a-375d0df1fbf6"
    with opened(tmp_path / "a.sqlite") as journal:
        with pytest.raises(RecordError, match="not in this record"):
            journal.append([placed("S1", "P1", supersedes=unknown)])
        (entry,) = journal.append([placed("S1", "P1")])
        with pytest.raises(RecordError, match="corrected already"):
            journal.append([placed("S1", position, supersedes=entry.uuid) for position in "PQ"])
        with pytest.raises(RecordError, match="by the journal itself"):
            journal.append([dataclasses.replace(placed("S1", "P1"), kind="device_introduced")])
        assert len(list(journal.entries())) == 2


def test_a_person_must_have_a_name(tmp_path: Path) -> None:
    """Entries by nobody are not made."""
    with pytest.raises(CallError, match="person"):
        Journal.open(tmp_path / "a.sqlite", device=device(1), person="", now=clock())
    assert not (tmp_path / "a.sqlite").exists()


def test_opening_writes_no_entry(tmp_path: Path) -> None:
    """Looking at a record leaves it as it is; the first append introduces the device."""
    with opened(tmp_path / "a.sqlite") as journal:
        assert list(journal.entries()) == []
        assert worst_verdict(journal.verify()) is Verdict.PASS
        journal.append([placed("S1", "P1")])
        introduced = next(journal.entries())
    assert introduced.kind == "device_introduced"
    assert introduced.subject == device(1).device
    assert b"tablet 1" in introduced.body


def test_latest_follows_device_time_not_arrival(tmp_path: Path) -> None:
    """The newest live entry wins, and a corrected one falls back to the one before."""
    latest = LatestProjection()
    with opened(tmp_path / "a.sqlite") as journal:
        runner = ProjectionRunner(journal, [latest])
        first = journal.append([placed("S1", "P1"), placed("S1", "P2")])
        runner.catch_up()
        (held,) = latest.latest(journal, kind="module_placed", subject="S1")
        assert held.uuid == first[1].uuid
        moved = dataclasses.replace(placed("S8", "P2"), supersedes=first[1].uuid)
        journal.append([moved])
        (progress,) = runner.catch_up()
        assert (progress.applied, progress.rebuilt) == (1, False)
        (held,) = latest.latest(journal, kind="module_placed", subject="S1")
        assert held.uuid == first[0].uuid


def test_projections_rebuild_when_their_meaning_changes(tmp_path: Path) -> None:
    """Other rules, or dropped tables, make the tables anew without being asked."""
    with opened(tmp_path / "a.sqlite") as journal:
        journal.append([placed("S1", "P1"), placed("S1", "P2")])
        without = ConflictsProjection({})
        ProjectionRunner(journal, [without]).catch_up()
        assert without.conflicts(journal) == []
        rules = ConflictsProjection(RULES)
        (progress,) = ProjectionRunner(journal, [rules]).catch_up()
        assert progress.rebuilt
        (conflict,) = rules.conflicts(journal)
        assert conflict.others == ("P1", "P2")
        assert conflict.as_finding().verdict is Verdict.REVIEW
        with journal.store.write() as connection:
            connection.exec_driver_sql("DROP TABLE p_conflicts")
        (progress,) = ProjectionRunner(journal, [rules]).catch_up()
        assert progress.rebuilt
        assert rules.conflicts(journal) == [conflict]


def test_conflicts_of_many_pairs_and_unreadable_bodies(tmp_path: Path) -> None:
    """A bulk entry contradicts single ones pair by pair; what cannot be read is shown."""
    conflicts = ConflictsProjection(RULES)
    with opened(tmp_path / "a.sqlite") as journal:
        journal.append([filled(["S1", "S2"], ["P1", "P2"]), placed("S3", "P2")])
        wrong = dataclasses.replace(filled([], []), body=b'{"modules":[{"position":["P8"]}, 7]}')
        (unreadable,) = journal.append([wrong])
        ProjectionRunner(journal, [conflicts]).catch_up()
        found = conflicts.conflicts(journal)
        assert [(held.side, held.value, held.others) for held in found] == [
            ("", "", ()),
            ("position", "P2", ("S2", "S3")),
        ]
        assert found[0].uuids == (unreadable.uuid,)
        assert unreadable.uuid in found[0].as_finding().message
        journal.append([dataclasses.replace(filled([], []), supersedes=unreadable.uuid)])
        ProjectionRunner(journal, [conflicts]).catch_up()
        assert [held.value for held in conflicts.conflicts(journal)] == ["P2"]


def test_rules_of_one_space_must_agree() -> None:
    """Kinds that compete name their sides alike, else nothing could be compared."""
    other = Exclusive(space="placement", left="place", right="serial")
    with pytest.raises(CallError, match="sides"):
        ConflictsProjection(RULES | {"module_moved": other})


def test_projections_must_not_share_names(tmp_path: Path) -> None:
    """Two projections with one name would overwrite each other."""
    with opened(tmp_path / "a.sqlite") as journal:
        with pytest.raises(CallError, match="once"):
            ProjectionRunner(journal, [LatestProjection(), LatestProjection()])
        with pytest.raises(CallError, match="no projection"):
            ProjectionRunner(journal, []).content_hash("latest")


def test_entries_travel_in_a_file(tmp_path: Path) -> None:
    """Written to a file and merged elsewhere, every byte is the same."""
    entries = history(tmp_path)
    path = tmp_path / "entries.jsonl"
    assert write_entries(path, entries) == len(entries)
    with opened(tmp_path / "b.sqlite", 5) as journal:
        assert journal.merge(read_entries(path)).count("added") == len(entries)
        for one, other in zip(entries, journal.entries(), strict=True):
            assert (
                dataclasses.replace(
                    other, received_time=one.received_time, server_order=one.server_order
                )
                == one
            )


@given(
    mangled=st.dictionaries(
        st.sampled_from([field.name for field in dataclasses.fields(Entry)]),
        st.none() | st.integers() | st.text(max_size=8) | st.lists(st.integers(), max_size=2),
    )
)
@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
def test_mangled_entries_are_named_not_crashed_on(
    mangled: dict[str, object], tmp_path_factory: pytest.TempPathFactory
) -> None:
    """An entry with any fields replaced is refused as text or by merging, never otherwise."""
    folder = tmp_path_factory.getbasetemp() / "mangled"
    folder.mkdir(exist_ok=True)
    with opened(folder / "a.sqlite") as one, opened(folder / "b.sqlite", 2) as other:
        entry = next(one.entries(), None) or one.append([placed("S1", "P1")])[0]
        fields = entry_as_json(entry) | mangled
        try:
            read = entry_from_json(fields)
        except ValueError:
            return
        outcome = other.merge([read])
        assert outcome.count("refused") == (entry_as_json(read) != entry_as_json(entry))


def _database_work(folder: Path, count: int) -> int:
    """Count the thousands of steps SQLite takes to bring projections up to date."""
    steps = 0

    def count_steps() -> int:
        nonlocal steps
        steps += 1
        return 0

    with opened(folder / f"{count}.sqlite") as journal:
        journal.append([placed(f"S{number}", f"P{number}") for number in range(count)])
        journal.store.close()

        @event.listens_for(journal.store.engine, "connect")
        def connected(connection: sqlite3.Connection, _record: object) -> None:
            connection.set_progress_handler(count_steps, 1000)

        runner = ProjectionRunner(journal, [LatestProjection(), ConflictsProjection(RULES)])
        runner.catch_up()
        for number in range(20):
            assert list(
                journal.entries(kind="module_placed", subject_kind="module", subject=f"S{number}")
            )
    return steps


def test_work_grows_with_the_entries_not_their_square(tmp_path: Path) -> None:
    """Four times the entries take about four times the work: every look-up uses an index."""
    small, large = (_database_work(tmp_path, count) for count in (500, 2000))
    assert small > 10
    assert large < 6 * small
