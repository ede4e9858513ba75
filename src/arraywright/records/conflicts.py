"""Entries that contradict each other, shown until a person settles them by a further entry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import sqlalchemy as sa

from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict
from arraywright.records.entry import Entry, json_body, parse_body
from arraywright.records.journal import Journal
from arraywright.records.schema import ENTRIES, WHOLE_NUMBER, WORDS

__all__ = ["SUBJECT", "Conflict", "ConflictsProjection", "Exclusive"]

SUBJECT: Final = "@subject"
"""In a rule, stands for the entry's subject instead of a key of its body."""

_CHUNK: Final = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Exclusive:
    """A rule for a kind of entry: each left holds one right, and each right sits at one left.

    Kinds with the same ``space`` compete with each other.

    Attributes:
        space: name of what is shared out, for example ``placement``.
        left: key of the body whose value is the one side, for example ``position``; or SUBJECT.
        right: key of the body whose value is the other side, for example ``serial``; or SUBJECT.
        each: key of a list in the body whose objects hold the two keys, for entries that tell of
            many pairs; empty when the body itself holds them.
    """

    space: str
    left: str
    right: str
    each: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conflict:
    """Live entries that contradict each other.

    Attributes:
        space: what is shared out.
        side: the key that holds more than one, for example ``serial``; empty when the entry's
            body does not say what its kind must say.
        value: the value of that key, for example the serial that sits in two positions.
        others: the values of the other side, sorted.
        uuids: the live entries that tell so, sorted.
    """

    space: str
    side: str
    value: str
    others: tuple[str, ...]
    uuids: tuple[str, ...]

    def as_finding(self) -> Finding:
        """Give the conflict as a finding for a person to settle."""
        if not self.side:
            message = f"An entry of {self.space} does not say what it must: {self.uuids[0]}."
            remedy = "Correct the entry by one that says it."
        else:
            message = f"{self.side} {self.value} is recorded with {', '.join(self.others)}."
            remedy = (
                "Look on site which is right, and correct the wrong entry; "
                "until then neither is taken as true."
            )
        return Finding(
            check="record-conflict",
            subject_kind=self.side or "entry",
            subject=self.value or self.uuids[0],
            verdict=Verdict.REVIEW,
            message=message,
            remedy=remedy,
            found=", ".join(self.others),
            required="one" if self.side else "",
        )


_tables = sa.MetaData()
_CLAIMS = sa.Table(
    "p_claims",
    _tables,
    sa.Column("uuid", WORDS, primary_key=True),
    sa.Column("number", WHOLE_NUMBER, primary_key=True, autoincrement=False),
    sa.Column("space", WORDS, nullable=False),
    sa.Column("left_value", WORDS),
    sa.Column("right_value", WORDS),
    sa.Index("p_claims_left", "space", "left_value", "right_value"),
    sa.Index("p_claims_right", "space", "right_value", "left_value"),
    sqlite_strict=True,
)
_CONFLICTS = sa.Table(
    "p_conflicts",
    _tables,
    sa.Column("space", WORDS, primary_key=True),
    sa.Column("side", WORDS, primary_key=True),
    sa.Column("value", WORDS, primary_key=True),
    sa.Column("other", WORDS, primary_key=True),
    sa.Column("uuid", WORDS, primary_key=True),
    sqlite_strict=True,
)


class ConflictsProjection:
    """Contradictions among live entries of exclusive kinds, in the table ``p_conflicts``.

    An entry whose pair is absent or null claims nothing: that is how a correction takes a claim
    back. An entry whose body does not hold text where its rule demands it is shown itself.
    """

    name = "conflicts"
    tables = (_CLAIMS, _CONFLICTS)

    def __init__(self, rules: Mapping[str, Exclusive]) -> None:
        """Take the rule of each exclusive kind.

        Raises:
            CallError: rules of one space name their sides differently.
        """
        self._rules = dict(rules)
        self._sides: dict[str, tuple[str, str]] = {}
        for kind, rule in self._rules.items():
            sides = (rule.left, rule.right)
            if rule.left == rule.right or self._sides.setdefault(rule.space, sides) != sides:
                raise CallError(
                    "exclusive-rule",
                    f"The rule of kind {kind!r} has the sides {sides}.",
                    "Name two different sides, and the same two in all rules of one space.",
                )

    @property
    def version(self) -> str:
        """The rules themselves: other rules give other tables."""
        fields = {
            kind: [rule.space, rule.left, rule.right, rule.each]
            for kind, rule in self._rules.items()
        }
        return "1 " + json_body(fields).decode()

    def apply(self, entries: Sequence[Entry], connection: sa.Connection) -> None:
        """Keep the claims of live entries and compare those that changed with all others."""
        last = entries[-1].server_order
        gone = [entry.supersedes for entry in entries if entry.supersedes is not None]
        touched = _claims_of(connection, gone)
        for chunk in _chunks(gone):
            connection.execute(_CLAIMS.delete().where(_CLAIMS.c.uuid.in_(chunk)))
        competing = [entry for entry in entries if entry.kind in self._rules]
        dead = _superseded_among(connection, [entry.uuid for entry in competing], last)
        rows = [
            row
            for entry in competing
            if entry.uuid not in dead
            for row in _claim_rows(entry, self._rules[entry.kind])
        ]
        if rows:
            connection.execute(_CLAIMS.insert(), rows)
        touched.update((row["space"], row["left_value"], row["right_value"]) for row in rows)
        self._compare(connection, touched)
        self._show_unreadable(connection, gone, rows)

    def conflicts(self, journal: Journal) -> list[Conflict]:
        """Read what is unsettled, after ``ProjectionRunner.catch_up``."""
        query = sa.select(_CONFLICTS).order_by(*_CONFLICTS.primary_key.columns)
        grouped: dict[tuple[str, str, str], list[tuple[str, str]]] = {}
        with journal.store.read() as connection:
            for space, side, value, other, uuid in connection.execute(query):
                # An entry that cannot be read stands for itself, not with the others.
                key = (space, side, value if side else uuid)
                grouped.setdefault(key, []).append((other, uuid))
        return [
            Conflict(
                space=space,
                side=side,
                value=value if side else "",
                others=tuple(sorted({other for other, _ in told if other})),
                uuids=tuple(sorted({uuid for _, uuid in told})),
            )
            for (space, side, value), told in grouped.items()
        ]

    def _compare(
        self,
        connection: sa.Connection,
        touched: Iterable[tuple[str, str | None, str | None]],
    ) -> None:
        by_side: dict[tuple[str, int], set[str]] = {}
        for space, left, right in touched:
            if left is not None and right is not None and space in self._sides:
                by_side.setdefault((space, 0), set()).add(left)
                by_side.setdefault((space, 1), set()).add(right)
        columns = (_CLAIMS.c.left_value, _CLAIMS.c.right_value)
        for (space, index), values in sorted(by_side.items()):
            one, other = columns[index], columns[1 - index]
            side = self._sides[space][index]
            for chunk in _chunks(sorted(values)):
                connection.execute(
                    _CONFLICTS.delete().where(
                        _CONFLICTS.c.space == space,
                        _CONFLICTS.c.side == side,
                        _CONFLICTS.c.value.in_(chunk),
                    )
                )
                doubled = (
                    sa.select(one)
                    .where(_CLAIMS.c.space == space, one.in_(chunk))
                    .group_by(one)
                    .having(sa.func.count(sa.distinct(other)) > 1)
                )
                connection.execute(
                    _CONFLICTS.insert().from_select(
                        ["space", "side", "value", "other", "uuid"],
                        sa.select(_CLAIMS.c.space, sa.literal(side), one, other, _CLAIMS.c.uuid)
                        .where(_CLAIMS.c.space == space, one.in_(doubled))
                        .distinct(),
                    )
                )

    def _show_unreadable(
        self, connection: sa.Connection, gone: Sequence[str], rows: Sequence[dict[str, Any]]
    ) -> None:
        for chunk in _chunks(gone):
            connection.execute(
                _CONFLICTS.delete().where(_CONFLICTS.c.side == "", _CONFLICTS.c.uuid.in_(chunk))
            )
        unreadable = {(row["space"], row["uuid"]) for row in rows if row["left_value"] is None}
        if unreadable:
            connection.execute(
                _CONFLICTS.insert(),
                [
                    {"space": space, "side": "", "value": "", "other": "", "uuid": uuid}
                    for space, uuid in sorted(unreadable)
                ],
            )


def _claim_rows(entry: Entry, rule: Exclusive) -> list[dict[str, Any]]:
    """Give the claims of an entry; one without values when its body cannot be read as one."""
    fields = parse_body(entry.body)
    holders: Any = [fields]
    if rule.each and isinstance(fields, dict):
        holders = fields.get(rule.each)
        holders = [] if holders is None else holders
    pairs: list[tuple[str | None, str | None]] = []
    for holder in holders if isinstance(holders, list) else [None]:
        left, right = _side(entry, holder, rule.left), _side(entry, holder, rule.right)
        if left is None or right is None:
            continue
        pairs.append((left, right) if left and right else (None, None))
    return [
        {
            "uuid": entry.uuid,
            "number": number,
            "space": rule.space,
            "left_value": left,
            "right_value": right,
        }
        for number, (left, right) in enumerate(pairs)
    ]


def _side(entry: Entry, holder: object, key: str) -> str | None:
    """Give a side's value; None when it claims nothing, empty when it cannot be read."""
    if key == SUBJECT:
        return entry.subject
    if not isinstance(holder, dict):
        return ""
    held = holder.get(key)
    if held is None:
        return None
    # A control character cannot stand in a table of every database.
    return held if isinstance(held, str) and held.isprintable() else ""


def _chunks(values: Sequence[str]) -> list[Sequence[str]]:
    return [values[start : start + _CHUNK] for start in range(0, len(values), _CHUNK)]


def _claims_of(
    connection: sa.Connection, uuids: Sequence[str]
) -> set[tuple[str, str | None, str | None]]:
    found: set[tuple[str, str | None, str | None]] = set()
    for chunk in _chunks(uuids):
        query = sa.select(_CLAIMS.c.space, _CLAIMS.c.left_value, _CLAIMS.c.right_value).where(
            _CLAIMS.c.uuid.in_(chunk)
        )
        found.update((row[0], row[1], row[2]) for row in connection.execute(query))
    return found


def _superseded_among(connection: sa.Connection, uuids: Sequence[str], last: int) -> set[str]:
    dead: set[str] = set()
    for chunk in _chunks(uuids):
        query = sa.select(ENTRIES.c.supersedes).where(
            ENTRIES.c.supersedes.in_(chunk), ENTRIES.c.server_order <= last
        )
        dead.update(connection.scalars(query))
    return dead
