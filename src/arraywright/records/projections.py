"""State from the journal: tables that can be dropped and rebuilt identically at any time."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Final, Protocol

import sqlalchemy as sa

from arraywright.errors import CallError
from arraywright.records.entry import Entry, netstrings
from arraywright.records.journal import Journal, entry_from_row, is_superseded
from arraywright.records.schema import ENTRIES, WHOLE_NUMBER, WORDS

__all__ = [
    "PROJECTION_PREFIX",
    "LatestEntry",
    "LatestProjection",
    "Projection",
    "ProjectionProgress",
    "ProjectionRunner",
]

PROJECTION_PREFIX: Final = "p_"
"""Names of projected tables begin with this; everything else is the journal itself."""

_BATCH: Final = 5_000

_progress_tables = sa.MetaData()
_PROGRESS = sa.Table(
    "p_progress",
    _progress_tables,
    sa.Column("name", WORDS, primary_key=True),
    sa.Column("version", WORDS, nullable=False),
    sa.Column("server_order", WHOLE_NUMBER, nullable=False),
    sqlite_strict=True,
)


class Projection(Protocol):
    """State made from entries.

    What stands in its tables must depend on the set of entries only, never on the order in
    which they arrived: no server order, no received time, no clock.

    Attributes:
        name: key of the projection.
        version: changes whenever the same entries would give other tables; the tables are then
            rebuilt by themselves.
        tables: its tables, names beginning with ``p_``, each with a primary key.
    """

    @property
    def name(self) -> str:
        """Key of the projection."""
        ...

    @property
    def version(self) -> str:
        """Version of what the tables mean."""
        ...

    @property
    def tables(self) -> Sequence[sa.Table]:
        """Tables that belong to this projection alone."""
        ...

    def apply(self, entries: Sequence[Entry], connection: sa.Connection) -> None:
        """Take in the next entries in server order; the journal up to the last is readable."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ProjectionProgress:
    """How far a projection has come.

    Attributes:
        name: key of the projection.
        applied: how many entries were taken in by this call.
        server_order: the last entry that is in the tables.
        rebuilt: whether the tables were made anew.
    """

    name: str
    applied: int
    server_order: int
    rebuilt: bool


class ProjectionRunner:
    """Keeps projections of a journal up to date."""

    def __init__(self, journal: Journal, projections: Sequence[Projection]) -> None:
        """Take projections with different names and tables.

        Raises:
            CallError: a name or table stands twice, or a table's name lacks the prefix.
        """
        self._store = journal.store
        self._projections = tuple(projections)
        names = [projection.name for projection in projections]
        tables = [table.name for projection in projections for table in projection.tables]
        if len(set(names)) < len(names) or len(set(tables)) < len(tables):
            raise CallError(
                "projection-doubled",
                f"Found projections {names} with tables {tables}.",
                "Give each name and table once.",
            )
        for table in tables:
            if not table.startswith(PROJECTION_PREFIX) or table == _PROGRESS.name:
                raise CallError(
                    "projection-table",
                    f"Found the projected table {table!r}.",
                    f"Begin its name with {PROJECTION_PREFIX}; {_PROGRESS.name} is taken.",
                )

    def catch_up(self) -> list[ProjectionProgress]:
        """Take in what was appended or merged since, in transactions of 5,000 entries.

        A projection that is new, or whose version differs from that of its tables, is rebuilt.

        Raises:
            MachineError: locked for too long, no room, no access.
            RecordError: the record is damaged.
        """
        return [self._catch_up(projection) for projection in self._projections]

    def rebuild(self) -> list[ProjectionProgress]:
        """Drop the tables and make them anew from the first entry, in one transaction each.

        Raises:
            MachineError: locked for too long, no room, no access.
            RecordError: the record is damaged.
        """
        return [self._rebuild(projection) for projection in self._projections]

    def content_hash(self, name: str) -> str:
        """Give the SHA-256 over all rows of a projection, sorted by primary key, in digits.

        Equal hashes mean equal tables, whatever the database and the order of arrival.

        Raises:
            CallError: there is no such projection.
        """
        projection = next((held for held in self._projections if held.name == name), None)
        if projection is None:
            raise CallError(
                "projection-unknown", f"There is no projection {name!r}.", "Check its name."
            )
        digest = hashlib.sha256()
        with self._store.read() as connection:
            for table in projection.tables:
                digest.update(netstrings(table.name.encode()))
                query = sa.select(table).order_by(*table.primary_key.columns)
                for row in connection.execute(query):
                    digest.update(netstrings(*(_cell_bytes(cell) for cell in row)))
        return digest.hexdigest()

    def _catch_up(self, projection: Projection) -> ProjectionProgress:
        with self._store.read() as connection:
            known = _position(connection, projection)
        if known is None:
            return self._rebuild(projection)
        applied = 0
        while True:
            with self._store.write() as connection:
                # Read again under the lock: another program may have caught up meanwhile.
                position = _position(connection, projection)
                if position is None:
                    break
                count, position = _apply_batch(connection, projection, position)
                applied += count
                _note(connection, projection, position)
            if count < _BATCH:
                return ProjectionProgress(
                    name=projection.name, applied=applied, server_order=position, rebuilt=False
                )
        return self._rebuild(projection)

    def _rebuild(self, projection: Projection) -> ProjectionProgress:
        applied = position = 0
        with self._store.write() as connection:
            _progress_tables.create_all(connection)
            for table in projection.tables:
                table.drop(connection, checkfirst=True)
                table.create(connection)
            while True:
                count, position = _apply_batch(connection, projection, position)
                applied += count
                if count < _BATCH:
                    break
            _note(connection, projection, position)
        return ProjectionProgress(
            name=projection.name, applied=applied, server_order=position, rebuilt=True
        )


def _position(connection: sa.Connection, projection: Projection) -> int | None:
    """Give the last entry in a projection's tables, None when they must be made anew."""
    there = set(sa.inspect(connection).get_table_names())
    if {_PROGRESS.name, *(table.name for table in projection.tables)} - there:
        return None
    row = connection.execute(
        sa.select(_PROGRESS.c.version, _PROGRESS.c.server_order).where(
            _PROGRESS.c.name == projection.name
        )
    ).one_or_none()
    return row.server_order if row is not None and row.version == projection.version else None


def _note(connection: sa.Connection, projection: Projection, position: int) -> None:
    connection.execute(_PROGRESS.delete().where(_PROGRESS.c.name == projection.name))
    connection.execute(
        _PROGRESS.insert(),
        [{"name": projection.name, "version": projection.version, "server_order": position}],
    )


def _apply_batch(
    connection: sa.Connection, projection: Projection, position: int
) -> tuple[int, int]:
    rows = (
        connection.execute(
            sa.select(ENTRIES)
            .where(ENTRIES.c.server_order > position)
            .order_by(ENTRIES.c.server_order)
            .limit(_BATCH)
        )
        .mappings()
        .all()
    )
    if rows:
        projection.apply([entry_from_row(row) for row in rows], connection)
        position = int(rows[-1]["server_order"])
    return len(rows), position


def _cell_bytes(cell: object) -> bytes:
    match cell:
        case None:
            return b"n"
        case str():
            return b"t" + cell.encode("utf-8", "surrogateescape")
        case bool() | int():
            return b"i%d" % cell
        case float():
            return b"f" + repr(cell).encode()
        case bytes() | memoryview():
            return b"b" + bytes(cell)
        case _:
            raise CallError(
                "projection-cell",
                f"Found a {type(cell).__name__} in a projected table.",
                "Use text, whole numbers, numbers or bytes.",
            )


_latest_tables = sa.MetaData()
_LATEST = sa.Table(
    "p_latest",
    _latest_tables,
    sa.Column("kind", WORDS, primary_key=True),
    sa.Column("subject_kind", WORDS, primary_key=True),
    sa.Column("subject", WORDS, primary_key=True),
    sa.Column("uuid", WORDS, nullable=False),
    sa.Column("device_time", WORDS, nullable=False),
    sqlite_strict=True,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class LatestEntry:
    """The newest live entry of a kind about a subject.

    Attributes:
        kind: what happened.
        subject_kind: kind of thing it happened to.
        subject: identity of that thing.
        uuid: UUID of the entry; ``Journal.find`` gives it.
        device_time: time by its device's clock, as text that sorts by time.
    """

    kind: str
    subject_kind: str
    subject: str
    uuid: str
    device_time: str


class LatestProjection:
    """The newest live entry of every kind about every subject, in the table ``p_latest``.

    Newest is the greatest device time; at equal times the greater device sequence number, then
    the greater UUID. So the result does not depend on the order of arrival.
    """

    name = "latest"
    version = "1"
    tables = (_LATEST,)

    def apply(self, entries: Sequence[Entry], connection: sa.Connection) -> None:
        """Look up the newest live entry of every key that the entries touch."""
        touched = _touched_keys(entries)
        by_key = (
            ENTRIES.c.kind == touched.c.kind,
            ENTRIES.c.subject_kind == touched.c.subject_kind,
            ENTRIES.c.subject == touched.c.subject,
        )
        last = entries[-1].server_order
        # The sum keeps SQLite from walking all entries of a kind by their order: it is to look
        # up the subject.
        newest = (
            sa.select(ENTRIES.c.server_order)
            .where(*by_key, ENTRIES.c.server_order + 0 <= last, ~is_superseded(last))
            .order_by(
                ENTRIES.c.device_time.desc(), ENTRIES.c.sequence.desc(), ENTRIES.c.uuid.desc()
            )
            .limit(1)
            .correlate(touched)
            .scalar_subquery()
        )
        held = ENTRIES.alias("held")
        chosen = sa.select(touched, newest.label("server_order")).subquery("chosen")
        connection.execute(
            _LATEST.delete().where(
                sa.tuple_(_LATEST.c.kind, _LATEST.c.subject_kind, _LATEST.c.subject).in_(
                    sa.select(touched.c.kind, touched.c.subject_kind, touched.c.subject)
                )
            )
        )
        connection.execute(
            _LATEST.insert().from_select(
                ["kind", "subject_kind", "subject", "uuid", "device_time"],
                sa.select(
                    chosen.c.kind,
                    chosen.c.subject_kind,
                    chosen.c.subject,
                    held.c.uuid,
                    held.c.device_time,
                ).join_from(chosen, held, held.c.server_order == chosen.c.server_order),
            )
        )

    def latest(
        self,
        journal: Journal,
        *,
        kind: str | None = None,
        subject_kind: str | None = None,
        subject: str | None = None,
    ) -> list[LatestEntry]:
        """Read the table, after ``ProjectionRunner.catch_up``, sorted by kind and subject."""
        query = sa.select(_LATEST).order_by(*_LATEST.primary_key.columns)
        for column, sought in (
            (_LATEST.c.kind, kind),
            (_LATEST.c.subject_kind, subject_kind),
            (_LATEST.c.subject, subject),
        ):
            if sought is not None:
                query = query.where(column == sought)
        with journal.store.read() as connection:
            return [LatestEntry(**row) for row in _plain(connection.execute(query).mappings())]


def _plain(rows: sa.MappingResult) -> Iterator[dict[str, Any]]:
    for row in rows:
        yield {str(name): row[name] for name in row}


def _touched_keys(entries: Sequence[Entry]) -> sa.Subquery:
    """Give the keys of entries (a run of server orders) and of those they supersede."""
    first, last = entries[0].server_order, entries[-1].server_order
    corrected, newer = ENTRIES.alias("corrected"), ENTRIES.alias("correcting")
    own = sa.select(ENTRIES.c.kind, ENTRIES.c.subject_kind, ENTRIES.c.subject).where(
        ENTRIES.c.server_order.between(first, last)
    )
    superseded = (
        sa.select(corrected.c.kind, corrected.c.subject_kind, corrected.c.subject)
        .join_from(corrected, newer, corrected.c.uuid == newer.c.supersedes)
        .where(newer.c.server_order.between(first, last), corrected.c.server_order <= last)
    )
    return sa.union(own, superseded).subquery("touched")
