"""Long work in the background: a process of its own, with stages, that can be stopped.

What became of it is kept on disk: a server that starts again knows what ended, and what was cut off
when it was stopped or killed. Nothing is begun again unless somebody asks for it.
"""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import uuid
from collections import OrderedDict
from collections.abc import Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Final, Literal, TypeAlias

from arraywright.errors import CallError
from arraywright.procedures.site_record import RECORD_URL_VARIABLE
from arraywright.web.job_store import JobStore
from arraywright.web.settings import WebSettings

__all__ = ["COMMANDS", "Job", "JobState", "Jobs"]

JobState: TypeAlias = Literal["waiting", "running", "done", "failed", "cancelled", "interrupted"]

COMMANDS: Final = ("check", "receive", "allocate", "commission", "dossier", "verify")
"""What can be run in the background."""

_KEPT: Final = 200
_OVER: Final = frozenset({"done", "failed", "cancelled", "interrupted"})
_INTERRUPTED: Final = {
    "code": "job-interrupted",
    "message": "The server was stopped or killed while this was under way.",
    "remedy": "What was recorded before is whole; run it again if it is still wanted.",
}
_AT_ONCE: Final = 2
_END_S: Final = 10.0


@dataclass(slots=True, kw_only=True)
class Job:
    """One piece of work.

    Attributes:
        id: its own key.
        command: what is done.
        options: how.
        person: in whose name.
        made: when it was asked for.
        state: how it stands.
        stages: stages begun so far.
        report: what came of it, as ``Report.as_dict`` with ``tables`` and without ``result``;
            ``Jobs.get`` gives it.
        error: what went wrong.
        ended: when it ended; when it was noticed, of work that was cut off.
        again: the work that was begun in its place.
    """

    id: str
    command: str
    options: Mapping[str, Any]
    person: str
    made: datetime
    state: JobState = "waiting"
    stages: list[str] = field(default_factory=list)
    report: dict[str, Any] | None = None
    error: dict[str, str] | None = None
    ended: datetime | None = None
    again: str = ""
    process: subprocess.Popen[str] | None = None

    @property
    def over(self) -> bool:
        """Whether nothing more will come of it."""
        return self.state in _OVER

    def as_dict(self) -> dict[str, Any]:
        """Give the job as plain data."""
        return {
            "id": self.id,
            "command": self.command,
            "person": self.person,
            "state": self.state,
            "made": self.made.isoformat(),
            "ended": self.ended and self.ended.isoformat(),
            "stages": list(self.stages),
            "report": self.report,
            "error": self.error,
            "again": self.again,
        }


def _as_kept(job: Job) -> dict[str, Any]:
    """Give what is kept of a job, its report left out."""
    held = job.as_dict()
    del held["report"]
    return held | {"options": dict(job.options)}


def _from_kept(held: Mapping[str, Any]) -> Job | None:
    """Give a job as it was kept; None when something in it is not as it must be."""
    try:
        ended = held["ended"]
        return Job(
            id=str(held["id"]),
            command=str(held["command"]),
            options=dict(held["options"]),
            person=str(held["person"]),
            made=datetime.fromisoformat(held["made"]),
            state=held["state"],
            stages=[str(one) for one in held["stages"]],
            error=held["error"],
            ended=None if ended is None else datetime.fromisoformat(ended),
            again=str(held["again"]),
        )
    except (KeyError, TypeError, ValueError):
        return None


class Jobs:
    """The jobs of a server, newest last; two run at once, the others wait."""

    def __init__(self, settings: WebSettings) -> None:
        """Begin with the jobs that an earlier server left; none of them is run again."""
        self._settings = settings
        self._store = JobStore(settings.folder)
        self._jobs: OrderedDict[str, Job] = OrderedDict()
        self._lock = threading.Lock()
        self._again_lock = threading.Lock()
        self._take_up()
        self._pool = ThreadPoolExecutor(max_workers=_AT_ONCE, thread_name_prefix="job")

    def start(self, command: str, *, person: str, options: Mapping[str, Any]) -> Job:
        """Have a procedure run in a person's name.

        Args:
            command: one of ``COMMANDS``.
            person: in whose name.
            options: what the procedure takes besides, ``files`` and ``mapping`` as paths in text.

        Raises:
            CallError: there is no such procedure.
        """
        if command not in COMMANDS:
            raise CallError(
                "command-unknown",
                f"Found the procedure {command[:50]!r}.",
                f"Choose one of {', '.join(COMMANDS)}.",
            )
        job = Job(
            id=uuid.uuid4().hex,
            command=command,
            options=dict(options),
            person=person,
            made=self._settings.now(),
        )
        with self._lock:
            self._jobs[job.id] = job
            self._store.save(job.id, _as_kept(job))
            self._forget_old()
        self._pool.submit(self._run, job)
        return job

    def again(self, job: Job, *, person: str, options: Mapping[str, Any]) -> Job:
        """Have a procedure run that did not come to its end; asked twice, it is begun once.

        Args:
            job: the work that was cut off, stopped, or failed.
            person: in whose name.
            options: as in ``start``.

        Raises:
            CallError: it is still under way, or it is done.
        """
        if not job.over or job.state == "done":
            raise CallError(
                "job-not-to-repeat",
                "This work is under way or done.",
                "Start it anew from its station.",
            )
        with self._again_lock:
            held = self._held(job.id)
            begun = None if held is None or not held.again else self._held(held.again)
            if begun is None:
                begun = self.start(job.command, person=person, options=options)
                with self._lock:
                    if held is not None:
                        held.again = begun.id
                        self._store.save(held.id, _as_kept(held))
            return begun

    def get(self, job_id: str) -> Job | None:
        """Give a job by key, with what came of it."""
        job = self._held(job_id)
        if job is None or job.report is not None or job.state != "done":
            return job
        return replace(job, report=self._store.report(job_id))

    def _held(self, job_id: str) -> Job | None:
        with self._lock:
            return self._jobs.get(job_id)

    def _take_up(self) -> None:
        """Take up what an earlier server left; what was under way was cut off."""
        kept = [_from_kept(held) for held in self._store.all()]
        jobs = sorted((job for job in kept if job is not None), key=lambda job: job.made)
        for job in jobs:
            self._jobs[job.id] = job
            if not job.over:
                job.state, job.error = "interrupted", dict(_INTERRUPTED)
                job.ended = self._settings.now()
                self._store.save(job.id, _as_kept(job))
        self._forget_old()

    def _forget_old(self) -> None:
        for old in [key for key, held in self._jobs.items() if held.over][:-_KEPT]:
            del self._jobs[old]
            self._store.remove(old)

    def newest(self, count: int = 50) -> list[Job]:
        """List jobs, the newest first, without what came of them."""
        with self._lock:
            return list(self._jobs.values())[::-1][:count]

    def running(self) -> int:
        """Count the jobs that are not over."""
        with self._lock:
            return sum(not job.over for job in self._jobs.values())

    def cancel(self, job: Job) -> None:
        """Stop a job; what it recorded before is whole."""
        self._stop(job, state="cancelled", error=None)

    def _stop(self, job: Job, *, state: JobState, error: dict[str, str] | None) -> None:
        with self._lock:
            if job.over:
                return
            job.state, job.error = state, error
            job.ended = self._settings.now()
            self._store.save(job.id, _as_kept(job))
            process = job.process
        if process is not None:
            _end(process)

    def close(self) -> None:
        """Stop what runs and take nothing more; what was under way is kept as cut off."""
        for job in self.newest(_KEPT + 1000):
            self._stop(job, state="interrupted", error=dict(_INTERRUPTED))
        self._pool.shutdown(wait=True, cancel_futures=True)

    def _run(self, job: Job) -> None:
        request = {
            "command": job.command,
            "folder": str(self._settings.folder),
            "person": job.person,
            "options": job.options,
        }
        try:
            with self._lock:
                if job.state != "waiting":
                    return
                process = self._begin()
                job.process, job.state = process, "running"
                self._store.save(job.id, _as_kept(job))
            self._follow(job, process, json.dumps(request))
        except OSError as error:
            self._close(
                job,
                error={
                    "code": "job-not-started",
                    "message": f"The work could not be started: {error}.",
                    "remedy": "Look at memory and disk of the server and repeat.",
                },
            )

    def _begin(self) -> subprocess.Popen[str]:
        environment = dict(os.environ)
        environment.pop(RECORD_URL_VARIABLE, None)
        if self._settings.record_url:
            environment[RECORD_URL_VARIABLE] = self._settings.record_url
        return subprocess.Popen(
            [sys.executable, "-m", "arraywright.web.job_worker"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            encoding="utf-8",
            env=environment,
        )

    def _follow(self, job: Job, process: subprocess.Popen[str], request: str) -> None:
        said: dict[str, Any] = {}
        with process:
            if process.stdin is None or process.stdout is None:
                raise AssertionError("both are pipes")
            with contextlib.suppress(BrokenPipeError):
                process.stdin.write(request)
                process.stdin.close()
            for line in process.stdout:
                try:
                    told = json.loads(line)
                except ValueError:
                    continue
                if "stage" in told:
                    with self._lock:
                        job.stages.append(str(told["stage"]))
                        self._store.save(job.id, _as_kept(job))
                else:
                    said = told
        self._close(job, report=said.get("report"), error=said.get("error"))

    def _close(
        self,
        job: Job,
        *,
        report: dict[str, Any] | None = None,
        error: dict[str, str] | None = None,
    ) -> None:
        with self._lock:
            job.process = None
            if job.over:
                return
            # The report is kept before the word that there is one.
            if report is not None and not self._store.save_report(job.id, report):
                job.report = report
            job.error = error
            if report is None and error is None:
                job.error = {
                    "code": "job-ended",
                    "message": "The work ended before it was done.",
                    "remedy": "What was recorded is whole; repeat it.",
                }
            job.state = "done" if report is not None else "failed"
            job.ended = self._settings.now()
            self._store.save(job.id, _as_kept(job))


def _end(process: subprocess.Popen[str]) -> None:
    with contextlib.suppress(OSError):
        process.terminate()
    try:
        process.wait(timeout=_END_S)
    except subprocess.TimeoutExpired:
        process.kill()
