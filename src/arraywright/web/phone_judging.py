"""Readings that phones hand in are judged without anybody asking, seldom and never twice."""

from __future__ import annotations

import logging
import threading
import time
from typing import Final

from arraywright.procedures.field_rows import STRING_TESTED
from arraywright.web.jobs import Jobs
from arraywright.web.phone_intake import phone_files, unjudged_readings
from arraywright.web.site_handle import SiteHandle

__all__ = ["SERVER", "PhoneJudging"]

SERVER: Final = "server, by itself"
"""In whose name the work is done when nobody asked for it."""

_LOG: Final = logging.getLogger("arraywright.web")
_COMMAND: Final = "commission"


class PhoneJudging:
    """Starts the work of judging when phones have handed in readings.

    A thread waits until phones have been quiet for a while, the last work was begun long enough
    ago and none is under way, and then looks whether the readings of phones are others than those
    that were judged. The same readings are tried once.
    """

    def __init__(self, site: SiteHandle, jobs: Jobs) -> None:
        """Make it; ``start`` begins to wait.

        Args:
            site: the site; its settings say how long to wait, and whether at all.
            jobs: where the work is started.
        """
        self._site = site
        self._jobs = jobs
        self._changed = threading.Condition()
        self._noticed = time.monotonic()
        self._pending = True
        self._closing = False
        self._begun: float | None = None
        self._tried = ""
        self._seen = -1
        self._thread = threading.Thread(target=self._work, name="phone-judging", daemon=True)

    def start(self) -> None:
        """Begin to wait; readings that came while no server ran are looked at first."""
        if self._site.settings.judge_phones:
            self._thread.start()

    def notice(self) -> None:
        """Learn that phones handed something in."""
        with self._changed:
            self._noticed, self._pending = time.monotonic(), True
            self._changed.notify()

    def close(self) -> None:
        """Stop waiting; work that was begun is not this one's to stop."""
        with self._changed:
            self._closing = True
            self._changed.notify()
        if self._thread.is_alive():
            self._thread.join()

    def _rest_s(self) -> float | None:
        """Seconds to wait before looking; None for until something is noticed."""
        if not self._pending:
            return None
        settings, now = self._site.settings, time.monotonic()
        rest = self._noticed + settings.judge_quiet_s - now
        if self._begun is not None:
            rest = max(rest, self._begun + settings.judge_apart_s - now)
        if rest <= 0.0 and self._busy():
            rest = settings.judge_quiet_s
        return max(rest, 0.0)

    def _busy(self) -> bool:
        """Whether tests are being judged, for whomever."""
        return any(job.command == _COMMAND and not job.over for job in self._jobs.newest())

    def _work(self) -> None:
        while True:
            with self._changed:
                while not self._closing and (rest := self._rest_s()) != 0.0:
                    self._changed.wait(rest)
                if self._closing:
                    return
                self._pending = False
            try:
                self._judge()
            except Exception as error:  # noqa: BLE001 - one failure must not end the watching
                # The description may have mistakes, or the record's server be away; what phones
                # hand in next asks anew.
                code = getattr(error, "code", type(error).__name__)
                _LOG.warning('{"what": "phones-not-judged", "code": "%s"}', code)

    def _judge(self) -> None:
        newest = self._site.last_order((STRING_TESTED,))
        if newest == self._seen:
            return
        digest = unjudged_readings(self._site)
        if digest not in {"", self._tried}:
            options = phone_files(self._site, SERVER)
            self._jobs.start(_COMMAND, person=SERVER, options=options)
            self._tried, self._begun = digest, time.monotonic()
        self._seen = newest
