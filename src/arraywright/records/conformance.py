"""What every database behind a record must do: plain functions, to be run on each of them.

A place is a file or a URL for ``Journal.open``; the factory gives a new, empty one per call::

    for check in CHECKS:
        check(factory)

Each function raises AssertionError when the database does not behave.
"""

from __future__ import annotations

import dataclasses
import tempfile
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, TypeAlias

import sqlalchemy as sa

from arraywright.errors import ArraywrightError, RecordError
from arraywright.findings import worst_verdict
from arraywright.records.conflicts import ConflictsProjection, Exclusive
from arraywright.records.entry import Entry, NewEntry, json_body
from arraywright.records.files import FileStore
from arraywright.records.identity import DeviceIdentity
from arraywright.records.journal import Journal, Sought
from arraywright.records.projections import LatestProjection, ProjectionRunner
from arraywright.records.schema import ENTRIES

__all__ = ["CHECKS", "Place", "PlaceFactory"]

Place: TypeAlias = str | Path
PlaceFactory: TypeAlias = Callable[[], Place]

_START: Final = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
_RULES: Final = {
    "module_placed": Exclusive(space="placement", left="position", right="serial"),
}


class _Clock:
    """A clock that moves on by one second at every look."""

    def __init__(self, start: datetime = _START) -> None:
        self._next = start

    def __call__(self) -> datetime:
        moment = self._next
        self._next += timedelta(seconds=1)
        return moment


def _open(place: Place, seed: int = 1, *, files: FileStore | None = None) -> Journal:
    return Journal.open(
        place,
        device=DeviceIdentity.from_seed(bytes([seed]) * 32, label=f"device {seed}"),
        person=f"Person {seed}",
        now=_Clock(_START + timedelta(hours=seed)),
        files=files,
    )


def _placed(serial: str, position: str, *, supersedes: str | None = None) -> NewEntry:
    return NewEntry(
        kind="module_placed",
        subject_kind="module",
        subject=serial,
        body=json_body({"serial": serial, "position": position}),
        supersedes=supersedes,
    )


def _demand(holds: object, words: str) -> None:
    if not holds:
        raise AssertionError(words)


def _refused(action: Callable[[], object]) -> ArraywrightError:
    try:
        action()
    except ArraywrightError as error:
        return error
    raise AssertionError("what must be refused was accepted")


def appended_entries_come_back_as_they_were(factory: PlaceFactory) -> None:
    """What was appended is read back equal, in order, also after opening again."""
    place = factory()
    with _open(place) as journal:
        body = b'{ "torque_nm" : 600.0, "note": "Gr\xc3\xbc\xc3\x9fe" }'
        new = NewEntry(kind="torque", subject_kind="table", subject="T-01", body=body)
        written = journal.append([new, _placed("S1", "P1")])
    with _open(place) as journal:
        read = list(journal.entries(after=1))
        _demand(read == written, "entries differ after opening again")
        _demand(read[0].body == body, "the body's bytes differ")
        _demand([entry.server_order for entry in read] == [2, 3], "server order has gaps")
        _demand(worst_verdict(journal.verify()) == "pass", "the record does not verify")


def entries_are_found_by_kind_and_subject(factory: PlaceFactory) -> None:
    """Each filter and the cursor give exactly the entries they name."""
    with _open(factory()) as journal:
        journal.append([_placed(f"S{number}", f"P{number}") for number in range(20)])
        found = list(journal.entries(kind="module_placed", subject_kind="module", subject="S7"))
        _demand([entry.subject for entry in found] == ["S7"], "the filters do not hold")
        _demand(len(list(journal.entries(kind="module_placed", after=11))) == 10, "the cursor")
        _demand(not list(journal.entries(kind="none")), "an unknown kind finds something")


def nothing_is_written_of_a_refused_append(factory: PlaceFactory) -> None:
    """One wrong entry among many leaves the journal as it was."""
    with _open(factory()) as journal:
        journal.append([_placed("S1", "P1")])
        before = journal.seal()
        wrong = dataclasses.replace(_placed("S3", "P3"), body=b"\xff")
        _refused(lambda: journal.append([_placed("S2", "P2"), wrong]))
        unknown = _placed("S4", "P4", supersedes="5c146b14-3c52-8afd-938a-375d0df1fbf6")
        _refused(lambda: journal.append([_placed("S2", "P2"), unknown]))
        _demand(journal.seal() == before, "a refused append left something behind")


def written_entries_cannot_be_changed(factory: PlaceFactory) -> None:
    """UPDATE, DELETE and every kind of replacing are refused by the database itself."""
    with _open(factory()) as journal:
        journal.append([_placed("S1", "P1"), _placed("S2", "P2")])
        before = journal.seal()
        statements = [
            "UPDATE record_entries SET person = 'Nobody' WHERE server_order = 2",
            "DELETE FROM record_entries WHERE server_order = 2",
            "DELETE FROM record_entries",
        ]
        columns = ", ".join(column.name for column in ENTRIES.c)
        changed = columns.replace("person", "'Nobody'", 1)
        copy = f"INTO record_entries ({columns}) SELECT {changed} FROM record_entries"  # noqa: S608
        if journal.store.dialect == "sqlite":
            statements.append(f"INSERT OR REPLACE {copy} WHERE server_order = 2")
            statements.append(f"REPLACE {copy} WHERE server_order = 2")
            clause = "WHERE server_order = 2 ON CONFLICT (uuid) DO UPDATE SET person = 'Nobody'"
        else:
            statements.append("TRUNCATE record_entries")
            clause = "ON CONFLICT (uuid) DO UPDATE SET person = 'Nobody'"
        statements.append(f"INSERT {copy} {clause}")
        for statement in statements:
            error = _refused(lambda text=statement: _execute(journal, text))  # type: ignore[misc]
            guarded = isinstance(error, RecordError) and error.code == "record-append-only"
            _demand(guarded, f"refused, but not by a guard: {statement}")
        _demand(journal.seal() == before, "the record was changed")
        _demand(worst_verdict(journal.verify()) == "pass", "the record was damaged")


def _execute(journal: Journal, statement: str) -> None:
    with journal.store.write() as connection:
        connection.exec_driver_sql(statement)


def merging_is_idempotent_in_any_order(factory: PlaceFactory) -> None:
    """Entries of two devices, merged backwards and twice, give the same set and projections."""
    with _open(factory(), 1) as first, _open(factory(), 2) as second, _open(factory(), 3) as third:
        placed = first.append([_placed("S1", "P1"), _placed("S2", "P2"), _placed("S3", "P3")])
        first.append([_placed("S1", "P4", supersedes=placed[0].uuid)])
        second.append([_placed("S9", "P2"), _placed("S4", "P9")])
        ours, theirs = list(first.entries()), list(second.entries())
        outcome = third.merge(reversed([*ours, *theirs, *ours]))
        _demand(outcome.count("added") == len(ours) + len(theirs), "not every entry was added")
        _demand(outcome.count("already_there") == len(ours), "a repeated entry was not known")
        second.merge(ours)
        states = [_projected(journal) for journal in (second, third)]
        _demand(states[0] == states[1], "the order of arrival shows in a projection")
        _demand(worst_verdict(third.verify()) == "pass", "the merged record does not verify")


def _projected(journal: Journal) -> tuple[str, ...]:
    runner = ProjectionRunner(journal, [LatestProjection(), ConflictsProjection(_RULES)])
    runner.catch_up()
    state = tuple(runner.content_hash(name) for name in ("latest", "conflicts"))
    runner.rebuild()
    again = tuple(runner.content_hash(name) for name in ("latest", "conflicts"))
    _demand(state == again, "a rebuilt projection differs")
    return state


def forged_entries_are_refused(factory: PlaceFactory) -> None:
    """An entry changed on its way is refused with a reason, the others are added."""
    with _open(factory(), 1) as first, _open(factory(), 2) as second:
        first.append([_placed("S1", "P1"), _placed("S2", "P2")])
        entries = list(first.entries())
        forged = dataclasses.replace(entries[1], body=json_body({"serial": "S1"}))
        other_hand = dataclasses.replace(entries[2], signature=bytes(64))
        outcome = second.merge([entries[0], forged, other_hand])
        _demand(
            [result.status for result in outcome.results] == ["added", "refused", "refused"],
            "a forged entry was accepted",
        )
        _demand(all(result.reason for result in outcome.refused), "a refusal gives no reason")


def corrections_hide_what_they_supersede(factory: PlaceFactory) -> None:
    """The corrected entry stays readable but is no longer live, and is corrected only once."""
    with _open(factory()) as journal:
        (first,) = journal.append([_placed("S1", "P1")])
        (second,) = journal.append([_placed("S1", "P2", supersedes=first.uuid)])
        live = list(journal.live(kind="module_placed"))
        _demand(live == [second], "the corrected entry is still live")
        _demand(journal.find(first.uuid) == first, "the corrected entry was lost")
        error = _refused(lambda: journal.append([_placed("S1", "P3", supersedes=first.uuid)]))
        _demand(error.code == "superseded-already", "a second correction was accepted")


def contradictions_show_until_settled(factory: PlaceFactory) -> None:
    """One serial in two positions is a conflict until one of the entries is superseded."""
    with _open(factory()) as journal:
        conflicts = ConflictsProjection(_RULES)
        runner = ProjectionRunner(journal, [conflicts])
        (wrong, _) = journal.append([_placed("S1", "P1"), _placed("S1", "P2")])
        runner.catch_up()
        (shown,) = conflicts.conflicts(journal)
        _demand((shown.side, shown.value, shown.others) == ("serial", "S1", ("P1", "P2")), "side")
        journal.append([_placed("S5", "P1", supersedes=wrong.uuid)])
        runner.catch_up()
        _demand(not conflicts.conflicts(journal), "a settled conflict is still shown")


def repeating_doubles_nothing(factory: PlaceFactory) -> None:
    """Two writers at once that append unless it is there leave exactly one entry."""
    place = factory()
    _open(place).close()
    outcomes: list[list[Entry]] = []
    errors: list[BaseException] = []
    sought = Sought(kind="module_placed", subject_kind="module", subject="S1")

    def work(seed: int) -> None:
        try:
            with _open(place, seed) as journal:
                outcomes.append(journal.append([_placed("S1", "P1")], unless=sought))
        except BaseException as error:  # noqa: BLE001
            errors.append(error)

    threads = [threading.Thread(target=work, args=(seed,)) for seed in range(1, 5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    _demand(not errors, f"a writer failed: {errors}")
    _demand(sorted(map(len, outcomes)) == [0, 0, 0, 1], "the entry was doubled or lost")


def writers_at_once_leave_one_order(factory: PlaceFactory) -> None:
    """Several writers give server orders without gap or double, and a poller misses nothing."""
    place = factory()
    _open(place).close()
    errors: list[BaseException] = []

    def work(seed: int) -> None:
        try:
            with _open(place, seed) as journal:
                for number in range(10):
                    journal.append([_placed(f"S{seed}-{number}", f"P{seed}-{number}")])
        except BaseException as error:  # noqa: BLE001
            errors.append(error)

    threads = [threading.Thread(target=work, args=(seed,)) for seed in range(1, 4)]
    for thread in threads:
        thread.start()
    polled: list[Entry] = []
    with _open(place, 9) as journal:
        while True:
            running = any(thread.is_alive() for thread in threads)
            after = polled[-1].server_order if polled else 0
            polled.extend(journal.entries(after=after))
            if not running:
                break
        for thread in threads:
            thread.join()
        _demand(not errors, f"a writer failed: {errors}")
        orders = [entry.server_order for entry in polled]
        _demand(orders == list(range(1, 34)), "a poller missed or doubled an entry")
        _demand(worst_verdict(journal.verify()) == "pass", "the record does not verify")


def named_files_are_checked(factory: PlaceFactory) -> None:
    """An entry can name a stored file only, and verifying reads that file's bytes."""
    with tempfile.TemporaryDirectory() as folder:
        files = FileStore(Path(folder) / "files")
        with _open(factory(), files=files) as journal:
            stored = files.put_bytes(b"serial;pmax_w\nS1;405.2\n")
            new = NewEntry(
                kind="flash_list_read",
                subject_kind="file",
                subject=stored.sha256,
                body=json_body({"files": [stored.named("flash.csv")]}),
            )
            journal.append([new])
            _demand(worst_verdict(journal.verify()) == "pass", "a good file does not verify")
            absent = json_body({"files": [{"sha256": "0" * 64, "size": 1}]})
            _refused(lambda: journal.append([dataclasses.replace(new, body=absent)]))
            path = files.path(stored.sha256)
            path.chmod(0o600)
            path.write_bytes(b"serial;pmax_w\nS1;415.2\n")
            _demand(worst_verdict(journal.verify()) == "fail", "a changed file passes")
            path.unlink()
            _demand(len(journal.missing_files()) == 1, "a missing file is not listed")


def a_seal_pins_the_record(factory: PlaceFactory) -> None:
    """A seal holds for the record as it grows, and for no other record."""
    with _open(factory(), 1) as journal, _open(factory(), 2) as other:
        journal.append([_placed("S1", "P1")])
        seal = journal.seal()
        journal.append([_placed("S2", "P2")])
        other.append([_placed("S1", "P1"), _placed("S2", "P2")])
        _demand(worst_verdict(journal.verify(seal=seal)) == "pass", "the seal does not hold")
        _demand(worst_verdict(other.verify(seal=seal)) == "fail", "the seal fits another record")
        longer = dataclasses.replace(seal, entries=99)
        _demand(worst_verdict(journal.verify(seal=longer)) == "fail", "a cut record passes")


def an_older_or_newer_record_says_so(factory: PlaceFactory) -> None:
    """A record of another version is refused with words that say which side is newer."""
    for version, code in (("0", "record-older"), ("2", "record-newer"), ("x", "record-damaged")):
        place = factory()
        with _open(place) as journal, journal.store.write() as connection:
            connection.execute(
                sa.text("UPDATE record_meta SET content = :version"), {"version": version}
            )
        error = _refused(lambda there=place: _open(there))  # type: ignore[misc]
        _demand(error.code == code, f"version {version} gives {error.code}")


CHECKS: Final[tuple[Callable[[PlaceFactory], None], ...]] = (
    appended_entries_come_back_as_they_were,
    entries_are_found_by_kind_and_subject,
    nothing_is_written_of_a_refused_append,
    written_entries_cannot_be_changed,
    merging_is_idempotent_in_any_order,
    forged_entries_are_refused,
    corrections_hide_what_they_supersede,
    contradictions_show_until_settled,
    repeating_doubles_nothing,
    writers_at_once_leave_one_order,
    named_files_are_checked,
    a_seal_pins_the_record,
    an_older_or_newer_record_says_so,
)
"""Every check, in the order in which they are best read."""
