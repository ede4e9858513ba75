"""What a server is told at its start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

__all__ = ["MEBIBYTE", "WebSettings", "utc_now"]

MEBIBYTE: Final = 1 << 20


def utc_now() -> datetime:
    """Give the time by this machine's clock."""
    return datetime.now(UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class WebSettings:
    """What a server is told at its start.

    Attributes:
        folder: the site folder.
        record_url: address of a PostgreSQL server that holds the record; None for the record in
            the site folder.
        address: how people reach the server, ``https://office.local:8443``, without slash at the
            end; it stands in links and QR codes.
        now: the clock.
        max_upload_bytes: the greatest request that hands in tables.
        max_file_bytes: the greatest single file that a device sends.
        session_days: how long a browser stays signed in without being used [day].
        invitation_hours: how long an invitation and a code for a device hold [h].
        limit_rates: whether requests are counted and too many refused.
        judge_phones: whether readings that phones hand in are judged without anybody asking.
        judge_quiet_s: how long phones must have handed in nothing before that [s].
        judge_apart_s: how long after the last such judging the next begins at the earliest [s].
        map_patience_s: how long the map waits for what the record says anew before it shows the
            last state, marked with its time [s].
    """

    folder: Path
    record_url: str | None = None
    address: str = "http://127.0.0.1:8440"
    now: Callable[[], datetime] = field(default=utc_now)
    max_upload_bytes: int = 256 * MEBIBYTE
    max_file_bytes: int = 64 * MEBIBYTE
    session_days: int = 14
    invitation_hours: int = 72
    limit_rates: bool = True
    judge_phones: bool = True
    judge_quiet_s: float = 20.0
    judge_apart_s: float = 300.0
    map_patience_s: float = 0.5

    @property
    def https(self) -> bool:
        """Whether people reach the server encrypted."""
        return self.address.startswith("https://")
