"""How often somebody may ask: a bucket per kind of request and per asker."""

from __future__ import annotations

import threading
import time
from typing import Any, Final

from fastapi import Depends, Request

from arraywright.web.access import AccessError, find_visitor

__all__ = ["Limiter", "limited"]

_MOST_BUCKETS: Final = 20_000


class Limiter:
    """Buckets that fill with time; each request takes one from its own."""

    def __init__(self, *, active: bool = True) -> None:
        """Begin with full buckets."""
        self._active = active
        self._held: dict[tuple[str, str], tuple[float, float]] = {}
        self._lock = threading.Lock()

    def take(self, name: str, asker: str, *, per_minute: float, at_once: int) -> float:
        """Take one from a bucket; give how long to wait when it is empty, else 0 [s].

        Args:
            name: kind of request.
            asker: who asks.
            per_minute: how many come back in a minute.
            at_once: how many a full bucket holds.
        """
        if not self._active:
            return 0.0
        moment = time.monotonic()
        key = (name, asker)
        with self._lock:
            level, seen = self._held.get(key, (float(at_once), moment))
            level = min(float(at_once), level + (moment - seen) * per_minute / 60)
            if level < 1:
                self._held[key] = (level, moment)
                return (1 - level) * 60 / per_minute
            if len(self._held) >= _MOST_BUCKETS:
                self._held.clear()
            self._held[key] = (level - 1, moment)
        return 0.0


def limited(name: str, *, per_minute: float, at_once: int) -> Any:
    """Let through so many requests of one asker; the others are told how long to wait.

    Who is signed in is counted by session, device or token, others by network address.

    Args:
        name: kind of request; routes of one name share their buckets.
        per_minute: how many in a minute.
        at_once: how many in a burst.
    """

    async def guard(request: Request) -> None:
        visitor = await find_visitor(request)
        if visitor is None:
            asker = request.client.host if request.client else "unknown"
        else:
            asker = visitor.device or visitor.session or visitor.person_id
        limiter: Limiter = request.app.state.limiter
        wait_s = limiter.take(name, asker, per_minute=per_minute, at_once=at_once)
        if wait_s:
            raise AccessError(
                429,
                "too-many-requests",
                message="Too many requests came from here.",
                remedy=f"Wait {wait_s:.0f} s and repeat.",
                headers={"Retry-After": str(int(wait_s) + 1)},
            )

    return Depends(guard)
