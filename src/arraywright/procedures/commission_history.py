"""How the verdicts of strings came about: one row per string and entry that changed one."""

from __future__ import annotations

from typing import Final

import polars as pl

from arraywright.procedures.site_record import SiteRecord

__all__ = ["HISTORY_SCHEMA", "verdict_history"]

HISTORY_SCHEMA: Final[dict[str, pl.DataType | type[pl.DataType]]] = {
    "string": pl.String,
    "at": pl.Datetime("us", "UTC"),
    "person": pl.String,
    "entry": pl.String,
    "before": pl.String,
    "after": pl.String,
    "because": pl.String,
}
"""Columns of the history; ``before`` is missing where the string was judged first."""


def verdict_history(record: SiteRecord, *, kind: str, string: str | None = None) -> pl.DataFrame:
    """Give every change of an overall verdict, by the entries of judging, oldest first.

    A verdict stands in an entry that is never edited; a new one comes by a further entry that
    supersedes it. A string is told from its first reading on.

    Args:
        record: the record of the site.
        kind: kind of the entries that hold verdicts in a frame ``strings``.
        string: only of this string; of all when not given.
    """
    wanted = pl.lit(value=True) if string is None else pl.col("string") == string
    parts = [
        record.scan_frame(entry, "strings")
        .filter(wanted)
        .select(
            "string",
            at=pl.lit(entry.device_time, dtype=pl.Datetime("us", "UTC")),
            person=pl.lit(entry.person),
            entry=pl.lit(entry.uuid),
            after=pl.col("verdict"),
            because=pl.col("reasons").list.first().fill_null(""),
            read=pl.col("readings") > 0,
        )
        .collect()
        for entry in record.journal.entries(kind=kind)
    ]
    if not parts:
        return pl.DataFrame(schema=HISTORY_SCHEMA)
    return (
        pl.concat(parts)
        .with_columns(read=pl.col("read").cum_max().over("string"))
        .filter("read")
        .with_columns(before=pl.col("after").shift(1).over("string"))
        .filter(pl.col("before").is_null() | (pl.col("before") != pl.col("after")))
        .select([pl.col(name).cast(dtype) for name, dtype in HISTORY_SCHEMA.items()])
    )
