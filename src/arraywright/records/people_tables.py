"""The tables of people and of what they sign in with."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

from arraywright.records.schema import WHOLE_NUMBER, WORDS

__all__ = [
    "DEVICES",
    "DEVICE_CODES",
    "INVITATIONS",
    "PEOPLE",
    "SESSIONS",
    "TOKENS",
    "people_tables",
]

people_tables: Final = sa.MetaData()

PEOPLE: Final = sa.Table(
    "people",
    people_tables,
    sa.Column("id", WORDS, primary_key=True),
    sa.Column("name", WORDS, nullable=False, unique=True),
    sa.Column("folded", WORDS, nullable=False, unique=True),
    sa.Column("role", WORDS, nullable=False),
    sa.Column("language", WORDS, nullable=False),
    sa.Column("units", WORDS, nullable=False),
    sa.Column("active", WHOLE_NUMBER, nullable=False),
    sa.Column("password", WORDS),
    sa.Column("made", WORDS, nullable=False),
)

INVITATIONS: Final = sa.Table(
    "people_invitations",
    people_tables,
    sa.Column("secret", WORDS, primary_key=True),
    sa.Column("person_id", WORDS, nullable=False),
    sa.Column("role", WORDS, nullable=False),
    sa.Column("made_by", WORDS, nullable=False),
    sa.Column("expires", WORDS, nullable=False),
)

SESSIONS: Final = sa.Table(
    "people_sessions",
    people_tables,
    sa.Column("secret", WORDS, primary_key=True),
    sa.Column("person_id", WORDS, nullable=False, index=True),
    sa.Column("csrf", WORDS, nullable=False),
    sa.Column("seen", WORDS, nullable=False),
    sa.Column("expires", WORDS, nullable=False),
    sa.Column("days", sa.Float, nullable=False),
)

DEVICES: Final = sa.Table(
    "people_devices",
    people_tables,
    sa.Column("device", WORDS, primary_key=True),
    sa.Column("person_id", WORDS, nullable=False),
    sa.Column("label", WORDS, nullable=False),
    sa.Column("secret", WORDS, nullable=False, unique=True),
    sa.Column("enrolled", WORDS, nullable=False),
    sa.Column("seen", WORDS, nullable=False),
    sa.Column("clock_ahead_s", sa.Float),
    sa.Column("revoked", WORDS),
)

DEVICE_CODES: Final = sa.Table(
    "people_device_codes",
    people_tables,
    sa.Column("secret", WORDS, primary_key=True),
    sa.Column("person_id", WORDS, nullable=False),
    sa.Column("device", WORDS),
    sa.Column("expires", WORDS, nullable=False),
)

TOKENS: Final = sa.Table(
    "people_tokens",
    people_tables,
    sa.Column("id", WORDS, primary_key=True),
    sa.Column("secret", WORDS, nullable=False, unique=True),
    sa.Column("name", WORDS, nullable=False),
    sa.Column("scopes", WORDS, nullable=False),
    sa.Column("person_id", WORDS, nullable=False),
    sa.Column("made", WORDS, nullable=False),
    sa.Column("expires", WORDS),
    sa.Column("revoked", WORDS),
)
