"""The tables of a record, and the guards that refuse every change to what is written."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

__all__ = [
    "ENTRIES",
    "GUARDS",
    "META",
    "SCHEMA_VERSION",
    "WHOLE_NUMBER",
    "WORDS",
    "create_statements",
    "meta_tables",
]

SCHEMA_VERSION: Final = 1
"""Version of the tables below; a record written with another one is not opened."""

WORDS: Final = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")
"""Column type of text that sorts by its bytes on every server."""

WHOLE_NUMBER: Final = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
"""Column type of whole numbers of 64 bits."""

meta_tables: Final = sa.MetaData()

META: Final = sa.Table(
    "record_meta",
    meta_tables,
    sa.Column("name", WORDS, primary_key=True),
    sa.Column("content", WORDS, nullable=False),
    sqlite_strict=True,
)

ENTRIES: Final = sa.Table(
    "record_entries",
    meta_tables,
    sa.Column("server_order", WHOLE_NUMBER, primary_key=True, autoincrement=False),
    sa.Column("uuid", WORDS, nullable=False, unique=True),
    sa.Column("device", WORDS, nullable=False),
    sa.Column("sequence", WHOLE_NUMBER, nullable=False),
    sa.Column("person", WORDS, nullable=False),
    sa.Column("device_time", WORDS, nullable=False),
    sa.Column("received_time", WORDS, nullable=False),
    sa.Column("kind", WORDS, nullable=False),
    sa.Column("subject_kind", WORDS, nullable=False),
    sa.Column("subject", WORDS, nullable=False),
    sa.Column("supersedes", WORDS),
    sa.Column("body", sa.LargeBinary, nullable=False),
    sa.Column("previous_hash", sa.LargeBinary, nullable=False),
    sa.Column("entry_hash", sa.LargeBinary, nullable=False),
    sa.Column("signature", sa.LargeBinary, nullable=False),
    sa.Column("receipt", sa.LargeBinary, nullable=False),
    sa.Index("record_entries_device", "device", "sequence"),
    sa.Index("record_entries_subject", "subject", "subject_kind", "kind", "device_time"),
    sa.Index("record_entries_kind", "kind"),
    sa.Index(
        "record_entries_supersedes",
        "supersedes",
        sqlite_where=sa.text("supersedes IS NOT NULL"),
        postgresql_where=sa.text("supersedes IS NOT NULL"),
    ),
    sqlite_strict=True,
)

_WORDING: Final = "the record is append-only: nothing in it is changed or deleted"

GUARDS: Final = (
    "record_entries_no_update",
    "record_entries_no_delete",
    "record_entries_no_replace",
)
"""Names of the triggers on the table of entries."""

# INSERT OR REPLACE deletes rows without firing DELETE triggers unless the connection has set
# recursive_triggers, so a third trigger refuses an insert that would collide, whoever connects.
_SQLITE_GUARDS: Final = (
    f"""CREATE TRIGGER record_entries_no_update BEFORE UPDATE ON record_entries
        BEGIN SELECT RAISE(ABORT, '{_WORDING}'); END""",
    f"""CREATE TRIGGER record_entries_no_delete BEFORE DELETE ON record_entries
        BEGIN SELECT RAISE(ABORT, '{_WORDING}'); END""",
    f"""CREATE TRIGGER record_entries_no_replace BEFORE INSERT ON record_entries
        WHEN EXISTS (SELECT 1 FROM record_entries WHERE server_order = NEW.server_order)
          OR EXISTS (SELECT 1 FROM record_entries WHERE uuid = NEW.uuid)
        BEGIN SELECT RAISE(ABORT, '{_WORDING}'); END""",  # noqa: S608
)

_POSTGRES_GUARDS: Final = (
    f"""CREATE FUNCTION record_entries_refuse() RETURNS trigger LANGUAGE plpgsql AS
        $$ BEGIN RAISE EXCEPTION '{_WORDING}'; END $$""",
    """CREATE TRIGGER record_entries_no_update BEFORE UPDATE ON record_entries
       FOR EACH ROW EXECUTE FUNCTION record_entries_refuse()""",
    """CREATE TRIGGER record_entries_no_delete BEFORE DELETE ON record_entries
       FOR EACH ROW EXECUTE FUNCTION record_entries_refuse()""",
    """CREATE TRIGGER record_entries_no_replace BEFORE TRUNCATE ON record_entries
       FOR EACH STATEMENT EXECUTE FUNCTION record_entries_refuse()""",
)


def create_statements(dialect: str) -> tuple[str, ...]:
    """Give the statements that make the guards, for ``sqlite`` or ``postgresql``."""
    return _SQLITE_GUARDS if dialect == "sqlite" else _POSTGRES_GUARDS
