"""Devices and programs that use a site's server in a person's name."""

from __future__ import annotations

import secrets
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa

from arraywright.errors import CallError
from arraywright.records.entry import format_time, parse_time
from arraywright.records.people import People, Person, person_from_row, secret_hash
from arraywright.records.people_tables import DEVICE_CODES, DEVICES, PEOPLE, TOKENS

__all__ = [
    "Device",
    "ProgramToken",
    "device_by_secret",
    "devices",
    "enrol_device",
    "make_device_code",
    "make_token",
    "note_clock",
    "person_of_code",
    "revoke_device",
    "revoke_token",
    "token_by_secret",
    "tokens",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Device:
    """A device that may synchronise.

    Attributes:
        device: device id, the public key in hexadecimal digits.
        label: words by which people know it.
        person: whose it is; entries it makes carry this person's name.
        enrolled: when the server learned it.
        seen: when it last synchronised.
        clock_ahead_s: how far its clock was ahead of the server's, None when not known [s].
        revoked: since when it is refused, None when it is not.
    """

    device: str
    label: str
    person: Person
    enrolled: datetime
    seen: datetime
    clock_ahead_s: float | None
    revoked: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProgramToken:
    """What another program uses to read or write in a person's name.

    Attributes:
        id: the token's own key.
        name: what it is for.
        scopes: what it may be used for.
        person: who made it; it may never do more than that person.
        made: when it was made.
        expires: until when it holds, None without end.
        revoked: since when it is refused, None when it is not.
    """

    id: str
    name: str
    scopes: tuple[str, ...]
    person: Person
    made: datetime
    expires: datetime | None
    revoked: datetime | None


def make_device_code(people: People, person_id: str, *, hours: float) -> str:
    """Make a code by which one device becomes this person's, and give it; it is not kept.

    Args:
        people: the tables.
        person_id: whose the device will be.
        hours: how long it holds [h].
    """
    code = secrets.token_urlsafe(24)
    with people.write() as connection:
        connection.execute(
            DEVICE_CODES.delete().where(DEVICE_CODES.c.expires < format_time(people.clock()))
        )
        connection.execute(
            DEVICE_CODES.insert().values(
                secret=secret_hash(code),
                person_id=person_id,
                device=None,
                expires=format_time(people.clock() + timedelta(hours=hours)),
            )
        )
    return code


def person_of_code(people: People, code: str) -> Person | None:
    """Give whose device a code makes; None when it holds no more."""
    with people.read() as connection:
        row = _code_row(connection, people, code)
    return None if row is None else person_from_row(row)


def enrol_device(people: People, *, code: str, device: str, label: str) -> tuple[str, Person]:
    """Bind a device to the person of a code; give the device's secret and the person.

    The same device may use its code again while the code holds, for an answer that was lost; its
    earlier secret is worthless then.

    Raises:
        CallError: the code holds no more or made another device, or the device is another
            person's or was revoked.
    """
    secret = secrets.token_urlsafe(32)
    moment = format_time(people.clock())
    with people.write() as connection:
        row = _code_row(connection, people, code)
        if row is None or row["code_device"] not in {None, device}:
            raise CallError(
                "code-over",
                "This code was used for another device or is too old.",
                "Ask in the office for a new one.",
            )
        person = person_from_row(row)
        held = (
            connection.execute(sa.select(DEVICES).where(DEVICES.c.device == device))
            .mappings()
            .one_or_none()
        )
        if held is not None and (held["revoked"] or held["person_id"] != person.id):
            raise CallError(
                "device-not-yours",
                "This device was given up or belongs to somebody else.",
                "Let the device make a new key.",
            )
        connection.execute(
            DEVICE_CODES.update()
            .where(DEVICE_CODES.c.secret == secret_hash(code))
            .values(device=device)
        )
        if held is None:
            connection.execute(
                DEVICES.insert().values(
                    device=device,
                    person_id=person.id,
                    label=label,
                    secret=secret_hash(secret),
                    enrolled=moment,
                    seen=moment,
                )
            )
        else:
            connection.execute(
                DEVICES.update()
                .where(DEVICES.c.device == device)
                .values(secret=secret_hash(secret), label=label, seen=moment)
            )
    return secret, person


def device_by_secret(people: People, secret: str) -> Device | None:
    """Give the device that holds a secret, unless it or its person was shut out."""
    found = _devices(
        people,
        DEVICES.c.secret == secret_hash(secret),
        DEVICES.c.revoked.is_(None),
        PEOPLE.c.active == 1,
    )
    return found[0] if found else None


def devices(people: People, *, among: Sequence[str] | None = None) -> list[Device]:
    """List devices, also revoked ones: all of them, or those among some ids."""
    if among is None:
        return _devices(people)
    held: list[Device] = []
    for start in range(0, len(among), 500):
        held += _devices(people, DEVICES.c.device.in_(list(among[start : start + 500])))
    return held


def note_clock(people: People, device: str, *, ahead_s: float) -> None:
    """Keep how far a device's clock is ahead of the server's, and that it was seen."""
    with people.write() as connection:
        connection.execute(
            DEVICES.update()
            .where(DEVICES.c.device == device)
            .values(seen=format_time(people.clock()), clock_ahead_s=ahead_s)
        )


def revoke_device(people: People, device: str) -> None:
    """Refuse a device from now on."""
    with people.write() as connection:
        connection.execute(
            DEVICES.update()
            .where(DEVICES.c.device == device, DEVICES.c.revoked.is_(None))
            .values(revoked=format_time(people.clock()))
        )


def make_token(
    people: People,
    person_id: str,
    *,
    name: str,
    scopes: Sequence[str],
    days: float | None,
) -> str:
    """Make a token for another program and give its secret, which is not kept.

    Args:
        people: the tables.
        person_id: in whose name the program works.
        name: what it is for.
        scopes: what it may be used for.
        days: how long it holds, None without end [day].
    """
    secret = f"aw_{secrets.token_urlsafe(32)}"
    moment = people.clock()
    with people.write() as connection:
        connection.execute(
            TOKENS.insert().values(
                id=str(uuid.uuid4()),
                secret=secret_hash(secret),
                name=name,
                scopes=" ".join(sorted(scopes)),
                person_id=person_id,
                made=format_time(moment),
                expires=None if days is None else format_time(moment + timedelta(days=days)),
            )
        )
    return secret


def token_by_secret(people: People, secret: str) -> ProgramToken | None:
    """Give the token of a secret, unless it or its person was shut out or it is too old."""
    moment = format_time(people.clock())
    found = _tokens(
        people,
        TOKENS.c.secret == secret_hash(secret),
        TOKENS.c.revoked.is_(None),
        sa.or_(TOKENS.c.expires.is_(None), TOKENS.c.expires > moment),
        PEOPLE.c.active == 1,
    )
    return found[0] if found else None


def tokens(people: People) -> list[ProgramToken]:
    """List all tokens, also revoked ones."""
    return _tokens(people)


def revoke_token(people: People, token_id: str) -> None:
    """Refuse a token from now on."""
    with people.write() as connection:
        connection.execute(
            TOKENS.update()
            .where(TOKENS.c.id == token_id, TOKENS.c.revoked.is_(None))
            .values(revoked=format_time(people.clock()))
        )


def _code_row(connection: sa.Connection, people: People, code: str) -> Any:
    return (
        connection.execute(
            sa.select(PEOPLE, DEVICE_CODES.c.device.label("code_device"))
            .join(DEVICE_CODES, DEVICE_CODES.c.person_id == PEOPLE.c.id)
            .where(
                DEVICE_CODES.c.secret == secret_hash(code),
                DEVICE_CODES.c.expires > format_time(people.clock()),
                PEOPLE.c.active == 1,
            )
        )
        .mappings()
        .one_or_none()
    )


def _devices(people: People, *conditions: sa.ColumnElement[bool]) -> list[Device]:
    query = (
        sa.select(
            PEOPLE,
            *(DEVICES.c[name] for name in ("device", "label", "enrolled", "seen", "revoked")),
            DEVICES.c.clock_ahead_s,
        )
        .join(PEOPLE, DEVICES.c.person_id == PEOPLE.c.id)
        .where(*conditions)
        .order_by(PEOPLE.c.name, DEVICES.c.enrolled)
    )
    with people.read() as connection:
        rows = connection.execute(query).mappings().all()
    return [
        Device(
            device=row["device"],
            label=row["label"],
            person=person_from_row(row),
            enrolled=parse_time(row["enrolled"]),
            seen=parse_time(row["seen"]),
            clock_ahead_s=row["clock_ahead_s"],
            revoked=None if row["revoked"] is None else parse_time(row["revoked"]),
        )
        for row in rows
    ]


def _tokens(people: People, *conditions: sa.ColumnElement[bool]) -> list[ProgramToken]:
    query = (
        sa.select(
            PEOPLE,
            TOKENS.c.id.label("token_id"),
            TOKENS.c.name.label("token_name"),
            TOKENS.c.made.label("token_made"),
            TOKENS.c.scopes,
            TOKENS.c.expires,
            TOKENS.c.revoked,
        )
        .join(PEOPLE, TOKENS.c.person_id == PEOPLE.c.id)
        .where(*conditions)
        .order_by(TOKENS.c.made)
    )
    with people.read() as connection:
        rows = connection.execute(query).mappings().all()
    return [
        ProgramToken(
            id=row["token_id"],
            name=row["token_name"],
            scopes=tuple(row["scopes"].split()),
            person=person_from_row(row),
            made=parse_time(row["token_made"]),
            expires=None if row["expires"] is None else parse_time(row["expires"]),
            revoked=None if row["revoked"] is None else parse_time(row["revoked"]),
        )
        for row in rows
    ]
