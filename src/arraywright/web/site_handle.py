"""The one site a server serves: its description, record, people, and what was read of them."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, tzinfo
from pathlib import Path
from typing import Any, Self, TypeVar, cast
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from arraywright.errors import ArraywrightError
from arraywright.procedures.site_record import RECORD_FILE, SiteRecord, checked_reading
from arraywright.readers.site import SiteReading
from arraywright.records import (
    FILES_FOLDER,
    DeviceIdentity,
    FileStore,
    Journal,
    JournalSeal,
    Store,
)
from arraywright.records.people import PEOPLE_FILE, People
from arraywright.records.schema import ENTRIES
from arraywright.web.renewing import Renewals
from arraywright.web.settings import WebSettings
from arraywright.web.sync_files import ArrivingFiles

__all__ = ["SiteHandle"]

_Made = TypeVar("_Made")


@dataclass(slots=True)
class _Kept:
    lock: threading.Lock = field(default_factory=threading.Lock)
    key: object = None
    value: object = None


class SiteHandle:
    """What routes need of the site; may be used from any thread.

    Attributes:
        settings: what the server was told.
        folder: the site folder.
        store: the record's database.
        files: the bulk data beside it.
        device: the key with which the server signs what people enter on its pages.
        people: who may use the server.
        arriving: files that devices are sending.
        renewals: what is made anew in the background.
    """

    def __init__(
        self,
        settings: WebSettings,
        *,
        store: Store,
        files: FileStore,
        device: DeviceIdentity,
        people: People,
    ) -> None:
        """Use what is open; ``SiteHandle.open`` is what programs call."""
        self.settings = settings
        self.folder = settings.folder
        self.store = store
        self.files = files
        self.device = device
        self.people = people
        self.arriving = ArrivingFiles(files, most_bytes=settings.max_file_bytes)
        self.renewals = Renewals(settings.now)
        self._kept: dict[str, _Kept] = {}
        self._orders: dict[tuple[str, ...], tuple[int, int]] = {}
        self._kept_lock = threading.Lock()

    @classmethod
    def open(cls, settings: WebSettings) -> Self:
        """Open a site's record and people, making them when there are none.

        Raises:
            ArraywrightError: the folder, the record or the server cannot be used.
        """
        place: str | Path = settings.record_url or settings.folder / RECORD_FILE
        store = Store.open(place)
        try:
            people = People.open(
                settings.record_url or settings.folder / PEOPLE_FILE, now=settings.now
            )
        except BaseException:
            store.close()
            raise
        return cls(
            settings,
            store=store,
            files=FileStore(settings.folder / FILES_FOLDER),
            device=DeviceIdentity.load_or_create(label="office"),
            people=people,
        )

    def close(self) -> None:
        """Wait for what is being made of the record, and close the databases."""
        self.renewals.close()
        self.store.close()
        self.people.close()

    def journal(self, person: str) -> Journal:
        """Give the journal for one piece of work of one person, in one thread."""
        return Journal(
            self.store, device=self.device, person=person, now=self.settings.now, files=self.files
        )

    def reading(self) -> SiteReading:
        """Give the description as read; it is read again when a file of it has changed.

        Raises:
            DescriptionError: the description has mistakes.
            InputFileError: there is no site description.
        """
        return self._keep("description", self._description_stamp(), self._read)

    def name(self) -> str:
        """Give the site's name; the folder's when the description has mistakes."""
        try:
            site = self.reading().site
        except ArraywrightError:
            site = None
        return self.folder.resolve().name if site is None else site.name

    def zone(self) -> tzinfo:
        """Give the site's time zone; UTC when the description has mistakes."""
        try:
            site = self.reading().site
            return UTC if site is None else ZoneInfo(site.time_zone)
        except (ArraywrightError, ValueError, KeyError):
            return UTC

    def record(self, person: str) -> SiteRecord:
        """Give the open site for one piece of work of one person, in one thread.

        Raises:
            DescriptionError: the description has mistakes.
            InputFileError: there is no site description.
        """
        reading = self.reading()
        _, site = checked_reading(self.folder, reading)
        return SiteRecord(
            folder=self.folder,
            site=site,
            description_findings=reading.findings,
            description_inputs=reading.inputs,
            journal=self.journal(person),
            files=self.files,
            now=self.settings.now,
        )

    def seal(self) -> JournalSeal:
        """Give the count of entries and the last receipt."""
        return self.journal("server").seal()

    def last_order(self, kinds: Sequence[str] = ()) -> int:
        """Give the server order of the newest entry, of any kind or of some kinds; 0 for none."""
        query = sa.select(sa.func.max(ENTRIES.c.server_order))
        wanted = tuple(kinds)
        with self.store.read() as connection:
            newest = connection.execute(query).scalar() or 0
            if not wanted:
                return newest
            seen, order = self._orders.get(wanted, (-1, 0))
            if seen != newest:
                order = max(
                    connection.execute(query.where(ENTRIES.c.kind == kind)).scalar() or 0
                    for kind in wanted
                )
                self._orders[wanted] = (newest, order)
            return order

    def cached(
        self, name: str, make: Callable[[SiteRecord], _Made], *, kinds: Sequence[str] = ()
    ) -> _Made:
        """Give what ``make`` makes of the record, made anew only when the record has changed.

        One thread makes it, the others wait for it. What is given must not be changed.

        Args:
            name: a name of its own for what is made.
            make: makes it; the record is opened in nobody's name, for reading.
            kinds: only new entries of these kinds, or a changed description, make it anew.
        """
        key = (self._description_stamp(), self.last_order(kinds))
        return self._keep(name, key, lambda: make(self.record("server")))

    def _read(self) -> SiteReading:
        return checked_reading(self.folder)[0]

    def _description_stamp(self) -> tuple[object, ...]:
        held: list[object] = []
        for path in sorted((*self.folder.glob("*.toml"), *self.folder.glob("*.csv"))):
            try:
                stat = path.stat()
            except OSError:
                continue
            held.append((path.name, stat.st_size, stat.st_mtime_ns))
        return tuple(held)

    def _keep(self, name: str, key: object, make: Callable[[], _Made]) -> _Made:
        with self._kept_lock:
            kept = self._kept.setdefault(name, _Kept())
        with kept.lock:
            if kept.key != key or kept.value is None:
                made: Any = make()
                kept.key, kept.value = key, made
            return cast("_Made", kept.value)
