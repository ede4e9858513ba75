"""What takes long to make of the record: made anew in the background, the last given meanwhile."""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from concurrent.futures import TimeoutError as Unready
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, Final, Generic, TypeVar, cast

__all__ = ["Renewals", "Standing"]

_Made = TypeVar("_Made")
_REST: Final = 2.0
"""How many times as long as a making took nothing is made after it: a third of one processor at
most goes into making."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing(Generic[_Made]):
    """Something made of the record.

    Attributes:
        value: what was made.
        as_of: the moment its making began: the record as it stood then is in it.
        renewing: whether the record says more, and the next one is being made.
    """

    value: _Made
    as_of: datetime
    renewing: bool


@dataclass(slots=True)
class _Held:
    lock: threading.Lock = field(default_factory=threading.Lock)
    ground: object = None
    key: object = None
    value: Any = None
    as_of: datetime | None = None
    rest_until_s: float = 0.0
    making: Future[None] | None = None


class Renewals:
    """Keeps what was made by name; one thread makes what comes next."""

    def __init__(self, now: Callable[[], datetime]) -> None:
        """Begin with nothing.

        Args:
            now: the clock that tells as of when something is.
        """
        self._now = now
        self._held: dict[str, _Held] = {}
        self._lock = threading.Lock()
        self._closing = threading.Event()
        self._pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="renewal")

    def give(
        self,
        name: str,
        *,
        ground: object,
        key: object,
        make: Callable[[_Made | None], _Made],
        wait_s: float,
    ) -> Standing[_Made]:
        """Give what was made last, and have it made anew when the key has changed.

        Args:
            name: a name of its own for what is made.
            ground: what it rests on; where that is another, the last one is worthless and the
                caller waits.
            key: the state of the record; another one has it made anew.
            make: makes it, of the last one on the same ground, or of None.
            wait_s: how long to wait for the new one before the last one is given [s].

        Raises:
            Exception: what ``make`` raises, where the caller waits for it.
        """
        with self._lock:
            held = self._held.setdefault(name, _Held())
        with held.lock:
            if held.as_of is None or held.ground is not ground:
                as_of = self._now()
                held.value = make(None)
                held.ground, held.key, held.as_of = ground, key, as_of
            if held.key != key and (held.making is None or held.making.done()):
                held.making = self._pool.submit(
                    self._renew, held, ground=ground, key=key, make=make
                )
            making = held.making if held.key != key else None
        if making is not None:
            with contextlib.suppress(Unready):
                making.result(timeout=wait_s)
        with held.lock:
            if held.as_of is None:
                raise AssertionError("it was made above")
            return Standing(
                value=cast("_Made", held.value),
                as_of=held.as_of,
                renewing=held.key != key and held.ground is ground,
            )

    def close(self) -> None:
        """Make nothing more, and wait for what is being made."""
        self._closing.set()
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _renew(
        self, held: _Held, *, ground: object, key: object, make: Callable[[Any], Any]
    ) -> None:
        if self._closing.wait(max(0.0, held.rest_until_s - time.monotonic())):
            return
        began, as_of = time.monotonic(), self._now()
        value = make(held.value)
        with held.lock:
            if held.ground is ground:
                held.key, held.value, held.as_of = key, value, as_of
                ended = time.monotonic()
                held.rest_until_s = ended + _REST * (ended - began)
