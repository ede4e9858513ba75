"""A server for tests: in this process for routes, in a second one for browsers and kills."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO

import httpx2 as httpx
from fastapi.testclient import TestClient

from arraywright.records.people import Person, Role
from arraywright.web.app import create_app
from arraywright.web.settings import WebSettings
from arraywright.web.site_handle import SiteHandle

__all__ = ["Office", "RunningServer", "free_port", "open_office", "run_server"]


@dataclass(frozen=True, kw_only=True)
class Office:
    """An application in this process, with a person of every role."""

    client: TestClient
    site: SiteHandle
    people: dict[Role, Person]

    def signed_in(self, role: Role) -> TestClient:
        """Give a client that is signed in in a role and sends the session's mark."""
        secret, session = self.site.people.start_session(self.people[role].id, days=1)
        client = TestClient(self.client.app, base_url="http://127.0.0.1:8440")
        client.cookies.set("arraywright", secret)
        client.headers["X-CSRF-Token"] = session.csrf
        return client


@contextlib.contextmanager
def open_office(
    folder: Path,
    *,
    record_url: str | None = None,
    judge_phones: bool = False,
    map_patience_s: float = 60.0,
) -> Iterator[Office]:
    """Open a site folder as the server does, with a person of every role.

    With ``judge_phones`` readings of phones are judged at once, the next not within a minute. The
    map waits ``map_patience_s`` for what the record says anew [s].
    """
    settings = WebSettings(
        folder=folder,
        map_patience_s=map_patience_s,
        record_url=record_url,
        limit_rates=False,
        judge_phones=judge_phones,
        judge_quiet_s=0.05,
        judge_apart_s=60.0,
    )
    app = create_app(settings)
    with TestClient(app, base_url="http://127.0.0.1:8440") as client:
        site: SiteHandle = app.state.site
        people = {role: site.people.add(f"{role.value.title()} One", role) for role in Role}
        for person in people.values():
            site.people.set_password_hash(person.id, "$argon2id$none")
        yield Office(client=client, site=site, people=people)


def free_port() -> int:
    """Give a port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


@dataclass(kw_only=True)
class RunningServer:
    """A server in a process of its own."""

    process: subprocess.Popen[str]
    address: str
    first_link: str
    log: IO[str]

    def kill(self) -> None:
        """End it at once, as a power cut would."""
        self.process.kill()
        self.process.wait(timeout=20)
        self.log.close()

    def stop(self) -> int:
        """Ask it to stop and give its exit code."""
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(timeout=30)
        self.log.close()
        return code


def run_server(
    folder: Path, *, port: int, log: Path, record_url: str | None = None
) -> RunningServer:
    """Start ``arraywright serve`` and wait until it answers; phones' readings wait for a button."""
    written = log.open("a+")
    start_program = "from arraywright.cli.main import main; main()"
    words = [sys.executable, "-c", start_program, "serve", str(folder), "--port", str(port)]
    words += ["--no-judge-phones"]
    if record_url:
        words += ["--record-url", record_url]
    start = written.seek(0, 2)
    process = subprocess.Popen(  # noqa: S603
        words, stdout=written, stderr=subprocess.STDOUT, text=True, env=os.environ.copy()
    )
    address = f"http://127.0.0.1:{port}"
    deadline = time.monotonic() + 60
    while True:
        with contextlib.suppress(httpx.TransportError):
            if httpx.get(f"{address}/health", timeout=5).status_code == 200:
                break
        if process.poll() is not None or time.monotonic() > deadline:
            process.kill()
            written.seek(start)
            with written:
                raise AssertionError(f"the server did not start: {written.read()}")
        time.sleep(0.05)
    written.seek(start)
    found = re.search(r"http://\S+/join/\S+", written.read())
    return RunningServer(
        process=process, address=address, first_link=found[0] if found else "", log=written
    )
