"""Who may use a site's server: people, invitations, browsers, devices and programs.

None of this is evidence: it lies beside the record, so that whoever is handed the record is
handed no password. Secrets are kept as hashes only.
"""

from __future__ import annotations

import hashlib
import secrets
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import Any, Final, Self

import sqlalchemy as sa

from arraywright.errors import CallError, RecordError
from arraywright.records.entry import NewEntry, content_weakness, format_time, parse_time
from arraywright.records.people_tables import (
    INVITATIONS,
    PEOPLE,
    SESSIONS,
    people_tables,
)
from arraywright.records.store import Database

__all__ = ["PEOPLE_FILE", "Invitation", "People", "Person", "Role", "Session", "secret_hash"]

PEOPLE_FILE: Final = "people.sqlite"
"""Name of the file of people beside a record's file."""

_SEEN_STEP: Final = timedelta(minutes=5)


class Role(StrEnum):
    """What a person may do; the first may do most."""

    OWNER = "owner"
    LEAD = "lead"
    TESTER = "tester"
    CREW = "crew"
    GUEST = "guest"


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who uses the server.

    Attributes:
        id: the person's own key, which never changes.
        name: the name that stands in entries; it never changes and is given once.
        role: what the person may do.
        language: language chosen, empty when none was.
        units: ``metric`` or ``us``.
        active: False when the person may not sign in any more.
        has_password: whether an invitation was taken up.
    """

    id: str
    name: str
    role: Role
    language: str
    units: str
    active: bool
    has_password: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Invitation:
    """A link by which somebody chooses a password.

    Attributes:
        person_id: whom it is for; empty when the person gives a name on taking it up.
        name: that person's name.
        role: the role given.
        expires: until when it holds.
    """

    person_id: str
    name: str
    role: Role
    expires: datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class Session:
    """A browser that is signed in.

    Attributes:
        key: hash of the secret in its cookie.
        person: who signed in.
        csrf: what forms of this session must carry.
    """

    key: str
    person: Person
    csrf: str


def secret_hash(secret: str) -> str:
    """Give what is stored of a secret of at least 128 random bits: its SHA-256 in hexadecimal.

    Source: fips-180-4 6.2
    """
    return hashlib.sha256(secret.encode("utf-8", "surrogatepass")).hexdigest()


class People(Database):
    """The tables of people; every call is one short transaction, from any thread.

    Attributes:
        clock: the clock given at opening.
    """

    clock: Callable[[], datetime]

    @classmethod
    def open(cls, path_or_url: str | Path, *, now: Callable[[], datetime]) -> Self:
        """Open the tables, making them when there are none.

        Args:
            path_or_url: a file beside the record, or the URL of the record's server.
            now: the clock.

        Raises:
            CallError: an address of another kind of server.
            MachineError: no driver, no access, locked for too long, no room.
        """
        people = cls.connect(path_or_url)
        people.clock = now
        try:
            with people.write() as connection:
                if people.dialect == "postgresql":
                    connection.exec_driver_sql("SELECT pg_advisory_xact_lock(7020386)")
                people_tables.create_all(connection)
            if people.folder is not None:
                Path(path_or_url).chmod(0o600)
        except BaseException:
            people.close()
            raise
        return people

    # People.

    def owners(self) -> int:
        """Count the owners who can sign in."""
        with self.read() as connection:
            return (
                connection.execute(
                    sa.select(sa.func.count())
                    .select_from(PEOPLE)
                    .where(
                        PEOPLE.c.role == Role.OWNER.value,
                        PEOPLE.c.active == 1,
                        PEOPLE.c.password.is_not(None),
                    )
                ).scalar()
                or 0
            )

    def everyone(self) -> list[Person]:
        """List all people by name, also those who may not sign in any more."""
        with self.read() as connection:
            rows = connection.execute(sa.select(PEOPLE).order_by(PEOPLE.c.name)).mappings().all()
        return [person_from_row(row) for row in rows]

    def person(self, person_id: str) -> Person | None:
        """Give a person by key."""
        return self._one(PEOPLE.c.id == person_id)

    def person_named(self, name: str) -> Person | None:
        """Give a person by name, small and capital letters alike."""
        return self._one(PEOPLE.c.folded == _folded(name))

    def add(self, name: str, role: Role) -> Person:
        """Add a person who has no password yet.

        Raises:
            CallError: the name cannot stand in an entry, or is taken.
        """
        with self.write() as connection:
            return self._add(connection, name, role)

    def change(
        self,
        person_id: str,
        *,
        role: Role | None = None,
        active: bool | None = None,
        language: str | None = None,
        units: str | None = None,
    ) -> Person:
        """Change what may be changed of a person; a site keeps one owner who can sign in.

        Raises:
            CallError: nobody has that key.
            RecordError: no owner would be left.
        """
        given: dict[str, Any] = {
            "role": None if role is None else role.value,
            "active": None if active is None else int(active),
            "language": language,
            "units": units,
        }
        values = {name: value for name, value in given.items() if value is not None}
        with self.write() as connection:
            if values:
                connection.execute(PEOPLE.update().where(PEOPLE.c.id == person_id).values(**values))
            left = connection.execute(
                sa.select(sa.func.count())
                .select_from(PEOPLE)
                .where(PEOPLE.c.role == Role.OWNER.value, PEOPLE.c.active == 1)
            ).scalar()
            if not left:
                raise RecordError(
                    "owner-needed",
                    "The site would be left without an owner.",
                    "Make another person owner first.",
                )
            if active is False:
                connection.execute(SESSIONS.delete().where(SESSIONS.c.person_id == person_id))
            row = (
                connection.execute(sa.select(PEOPLE).where(PEOPLE.c.id == person_id))
                .mappings()
                .one_or_none()
            )
        if row is None:
            raise CallError("person-unknown", "Nobody has this key.", "Open the list anew.")
        return person_from_row(row)

    def password_hash(self, person_id: str) -> str | None:
        """Give the stored hash of a person's password."""
        with self.read() as connection:
            return connection.execute(
                sa.select(PEOPLE.c.password).where(PEOPLE.c.id == person_id)
            ).scalar()

    def set_password_hash(self, person_id: str, hashed: str) -> None:
        """Store another hash of a person's password and end the person's sessions."""
        with self.write() as connection:
            connection.execute(
                PEOPLE.update().where(PEOPLE.c.id == person_id).values(password=hashed)
            )
            connection.execute(SESSIONS.delete().where(SESSIONS.c.person_id == person_id))

    # Invitations.

    def invite(
        self, *, role: Role, name: str = "", person_id: str = "", made_by: str, hours: float
    ) -> str:
        """Make an invitation and give its secret, which is not kept.

        Args:
            role: the role of a new person.
            name: the name of a new person; empty when the person gives it.
            person_id: an existing person, who is to choose another password.
            made_by: who invites.
            hours: how long it holds [h].

        Raises:
            CallError: the name cannot stand in an entry, or is taken.
        """
        secret = secrets.token_urlsafe(24)
        with self.write() as connection:
            if name and not person_id:
                person_id = self._add(connection, name, role).id
            if person_id:
                connection.execute(INVITATIONS.delete().where(INVITATIONS.c.person_id == person_id))
            connection.execute(
                INVITATIONS.insert().values(
                    secret=secret_hash(secret),
                    person_id=person_id,
                    role=role.value,
                    made_by=made_by,
                    expires=format_time(self.clock() + timedelta(hours=hours)),
                )
            )
        return secret

    def withdraw_invitations(self, *, made_by: str) -> None:
        """Make every open invitation of one origin worthless."""
        with self.write() as connection:
            connection.execute(INVITATIONS.delete().where(INVITATIONS.c.made_by == made_by))

    def invitation(self, secret: str) -> Invitation | None:
        """Give an invitation that still holds."""
        with self.read() as connection:
            return self._invitation(connection, secret)

    def accept(self, secret: str, *, name: str, password_hash: str) -> Person:
        """Take up an invitation: it holds once.

        Args:
            secret: the secret of the invitation.
            name: the person's name, used when the invitation is for nobody in particular.
            password_hash: the hash of the password chosen.

        Raises:
            CallError: the invitation holds no more, or the name cannot be used.
        """
        with self.write() as connection:
            found = self._invitation(connection, secret)
            if found is None:
                raise CallError(
                    "invitation-over",
                    "This invitation was used already, was withdrawn or is too old.",
                    "Ask for a new one.",
                )
            person_id = found.person_id or self._add(connection, name, found.role).id
            connection.execute(
                PEOPLE.update().where(PEOPLE.c.id == person_id).values(password=password_hash)
            )
            connection.execute(SESSIONS.delete().where(SESSIONS.c.person_id == person_id))
            connection.execute(
                INVITATIONS.delete().where(INVITATIONS.c.secret == secret_hash(secret))
            )
            row = (
                connection.execute(sa.select(PEOPLE).where(PEOPLE.c.id == person_id))
                .mappings()
                .one()
            )
        return person_from_row(row)

    # Browsers that are signed in.

    def start_session(self, person_id: str, *, days: float) -> tuple[str, Session]:
        """Sign a browser in; give the secret for its cookie, which is not kept, and the session.

        Args:
            person_id: who signs in.
            days: how long it lasts without being used [day].

        Raises:
            CallError: nobody has that key.
        """
        secret, csrf = secrets.token_urlsafe(32), secrets.token_urlsafe(24)
        moment = self.clock()
        with self.write() as connection:
            connection.execute(SESSIONS.delete().where(SESSIONS.c.expires < format_time(moment)))
            connection.execute(
                SESSIONS.insert().values(
                    secret=secret_hash(secret),
                    person_id=person_id,
                    csrf=csrf,
                    seen=format_time(moment),
                    expires=format_time(moment + timedelta(days=days)),
                    days=days,
                )
            )
        person = self.person(person_id)
        if person is None:
            raise CallError("person-unknown", "Nobody has this key.", "Sign in anew.")
        return secret, Session(key=secret_hash(secret), person=person, csrf=csrf)

    def session(self, secret: str) -> Session | None:
        """Give a session that still holds; using it prolongs it."""
        key = secret_hash(secret)
        moment = self.clock()
        with self.read() as connection:
            row = (
                connection.execute(
                    sa.select(PEOPLE, SESSIONS.c.csrf, SESSIONS.c.seen, SESSIONS.c.days)
                    .join(SESSIONS, SESSIONS.c.person_id == PEOPLE.c.id)
                    .where(
                        SESSIONS.c.secret == key,
                        SESSIONS.c.expires > format_time(moment),
                        PEOPLE.c.active == 1,
                    )
                )
                .mappings()
                .one_or_none()
            )
        if row is None:
            return None
        if moment - parse_time(row["seen"]) > _SEEN_STEP:
            until = moment + timedelta(days=row["days"])
            with self.write() as connection:
                connection.execute(
                    SESSIONS.update()
                    .where(SESSIONS.c.secret == key)
                    .values(seen=format_time(moment), expires=format_time(until))
                )
        return Session(key=key, person=person_from_row(row), csrf=row["csrf"])

    def end_session(self, key: str) -> None:
        """Sign a browser out."""
        with self.write() as connection:
            connection.execute(SESSIONS.delete().where(SESSIONS.c.secret == key))

    def _one(self, condition: sa.ColumnElement[bool]) -> Person | None:
        with self.read() as connection:
            row = connection.execute(sa.select(PEOPLE).where(condition)).mappings().one_or_none()
        return None if row is None else person_from_row(row)

    def _add(self, connection: sa.Connection, name: str, role: Role) -> Person:
        shown = " ".join(name.split())
        probe = NewEntry(kind="person", subject_kind="person", subject=shown, body=b"{}")
        weakness = content_weakness(probe).replace("subject", "the name")
        if not weakness and len(shown) > 100:
            weakness = f"the name has {len(shown)} characters, at most 100 are allowed"
        if weakness:
            raise CallError(
                "person-name",
                f"Found {name[:100]!r} as a name: {weakness}.",
                "Give the name that is to stand in the record.",
            )
        taken = connection.execute(
            sa.select(PEOPLE.c.id).where(PEOPLE.c.folded == _folded(shown))
        ).first()
        if taken:
            raise CallError(
                "person-name-taken",
                f"There is somebody of the name {shown} already.",
                "Add what tells the two apart.",
            )
        values = {
            "id": str(uuid.uuid4()),
            "name": shown,
            "folded": _folded(shown),
            "role": role.value,
            "language": "",
            "units": "metric",
            "active": 1,
            "password": None,
            "made": format_time(self.clock()),
        }
        connection.execute(PEOPLE.insert().values(**values))
        return person_from_row(values)

    def _invitation(self, connection: sa.Connection, secret: str) -> Invitation | None:
        row = (
            connection.execute(
                sa.select(INVITATIONS, PEOPLE.c.name, PEOPLE.c.role.label("held_role"))
                .outerjoin(PEOPLE, PEOPLE.c.id == INVITATIONS.c.person_id)
                .where(
                    INVITATIONS.c.secret == secret_hash(secret),
                    INVITATIONS.c.expires > format_time(self.clock()),
                )
            )
            .mappings()
            .one_or_none()
        )
        if row is None:
            return None
        return Invitation(
            person_id=row["person_id"],
            name=row["name"] or "",
            role=Role(row["held_role"] or row["role"]),
            expires=parse_time(row["expires"]),
        )


def person_from_row(row: Any) -> Person:
    """Make a person from a mapping of the columns of the table of people."""
    return Person(
        id=row["id"],
        name=row["name"],
        role=Role(row["role"]),
        language=row["language"],
        units=row["units"],
        active=bool(row["active"]),
        has_password=row["password"] is not None,
    )


def _folded(name: str) -> str:
    return " ".join(name.split()).casefold()
