"""The fault drill: many devices push while requests are spoilt and the server is killed.

Afterwards nothing that was acknowledged may be missing, and nothing may be there twice.
"""

from __future__ import annotations

import hashlib
import json
import random
import socket
import threading
import time
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx2 as httpx

from arraywright.findings import worst_verdict
from arraywright.records import DeviceIdentity, Entry
from arraywright.records.people import Role
from arraywright.records.people_access import enrol_device, make_device_code
from arraywright.web.settings import WebSettings
from arraywright.web.site_handle import SiteHandle
from tests.web.phones import Phone
from tests.web.serving import RunningServer, free_port, run_server

__all__ = ["DrillResult", "run_drill"]

SPOILT_RATIO = 0.2
WORKERS = 24
MOST_S = 1_500.0


@dataclass(frozen=True, kw_only=True)
class DrillResult:
    """What came of a drill."""

    entries: int
    acknowledged: int
    lost: int
    doubled: int
    missing: int
    verified: bool
    all_same: bool
    kills: int
    requests: int
    spoilt: int
    duration_s: float

    @property
    def sound(self) -> bool:
        """Whether nothing acknowledged was lost, nothing doubled, and all of it verifies."""
        return (
            self.lost == self.doubled == self.missing == 0
            and self.verified
            and self.all_same
            and self.acknowledged == self.entries
        )


@dataclass(kw_only=True)
class _Drill:
    """What all devices share."""

    port: int
    acknowledged: set[str] = field(default_factory=set)
    requests: int = 0
    spoilt: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def acknowledge(self, uuids: Sequence[str]) -> None:
        with self.lock:
            self.acknowledged.update(uuids)

    def count(self, *, spoilt: bool) -> None:
        with self.lock:
            self.requests += 1
            self.spoilt += spoilt


def _prepare(folder: Path, record_url: str | None, *, devices: int, entries: int) -> list[Phone]:
    site = SiteHandle.open(WebSettings(folder=folder, record_url=record_url))
    phones = []
    try:
        for number in range(devices):
            person = site.people.add(f"Crew {number:03d}", Role.CREW)
            seed = hashlib.sha256(f"drill {number}".encode()).digest()
            phone = Phone(
                identity=DeviceIdentity.from_seed(seed, label=f"phone {number}"),
                person=person.name,
            )
            first = phone.introduce()
            code = make_device_code(site.people, person.id, hours=24)
            phone.token, _ = enrol_device(
                site.people, code=code, device=phone.identity.device, label=phone.identity.label
            )
            site.journal(person.name).merge([first])
            for place in range(entries):
                phone.place(f"S{number:03d}-{place:04d}", f"P{number:03d}-{place:04d}")
            phones.append(phone)
    finally:
        site.close()
    return phones


def _cut(drill: _Drill, phone: Phone, content: bytes, draw: random.Random) -> None:
    """Send a request and break the connection: in the middle, or before the answer is read."""
    sent = len(content) if draw.random() < 0.5 else draw.randrange(len(content))
    head = (
        "POST /sync/v1/push HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Type: application/json\r\n"
        f"Authorization: Bearer {phone.token}\r\nContent-Length: {len(content)}\r\n\r\n"
    )
    try:
        with socket.create_connection(("127.0.0.1", drill.port), timeout=10) as line:
            line.sendall(head.encode() + content[:sent])
            time.sleep(draw.random() * 0.02)
    except OSError:
        return


def _push(drill: _Drill, client: httpx.Client, phone: Phone, content: bytes) -> bool:
    try:
        answer = client.post(
            f"http://127.0.0.1:{drill.port}/sync/v1/push",
            content=content,
            headers=phone.headers | {"Content-Type": "application/json"},
        )
    except httpx.TransportError:
        time.sleep(0.1)
        return False
    if answer.status_code != 200:
        assert answer.status_code in {429, 503}, answer.text
        time.sleep(0.1)
        return False
    results = answer.json()["results"]
    assert all(one["outcome"] != "refused" for one in results), results
    drill.acknowledge([one["uuid"] for one in results])
    return True


def _same(drill: _Drill, client: httpx.Client, phone: Phone) -> bool:
    held = {
        "device": phone.identity.device,
        "entries": len(phone.entries),
        "last_sequence": len(phone.entries),
        "last_hash": phone.entries[-1].entry_hash.hex(),
    }
    try:
        answer = client.post(
            f"http://127.0.0.1:{drill.port}/sync/v1/compare",
            json={"devices": [held]},
            headers=phone.headers,
        )
    except httpx.TransportError:
        return False
    return answer.status_code == 200 and answer.json()["results"][0]["same"]


def _work(drill: _Drill, phone: Phone, seed: int, deadline: float) -> bool:
    """Push everything of one device, spoiling every fifth request, until both sides agree."""
    draw = random.Random(seed)  # noqa: S311
    with httpx.Client(timeout=60) as client:
        while time.monotonic() < deadline:
            unsent: list[Entry] = [
                entry for entry in phone.entries if entry.uuid not in drill.acknowledged
            ]
            if not unsent:
                if _same(drill, client, phone):
                    return True
                time.sleep(0.1)
                continue
            chosen = unsent[: draw.randrange(5, 40)]
            spoilt = draw.random() < SPOILT_RATIO
            drill.count(spoilt=spoilt)
            way = draw.choice(("cut", "doubled", "reordered")) if spoilt else ""
            if way == "reordered":
                again = [entry for entry in phone.entries if entry.uuid in drill.acknowledged]
                chosen = [*chosen, *draw.sample(again, min(5, len(again)))]
                draw.shuffle(chosen)
            content = json.dumps(phone.batch(chosen)).encode()
            if way == "cut":
                _cut(drill, phone, content, draw)
                continue
            if way == "doubled":
                twin = threading.Thread(target=_cut, args=(drill, phone, content, draw))
                twin.start()
                _push(drill, client, phone, content)
                twin.join()
                continue
            _push(drill, client, phone, content)
    return False


def _kill_now_and_then(
    drill: _Drill,
    start: Any,
    server: RunningServer,
    *,
    total: int,
    kills: int,
    stop: threading.Event,
) -> tuple[RunningServer, int]:
    done = 0
    while done < kills and not stop.is_set():
        if len(drill.acknowledged) < total * (done + 1) / (kills + 1):
            time.sleep(0.005)
            continue
        server.kill()
        done += 1
        server = start()
    return server, done


def run_drill(
    folder: Path,
    scratch: Path,
    *,
    record_url: str | None,
    devices: int,
    entries: int,
    kills: int,
    seed: int = 20260618,
) -> DrillResult:
    """Run a drill on a site folder without a record.

    Args:
        folder: the site folder.
        scratch: where the server's log goes.
        record_url: the PostgreSQL server of the record, None for the record in the folder.
        devices: how many devices push.
        entries: how many entries each pushes.
        kills: how often the server is killed.
        seed: seed of all chance but that of the machine.
    """
    phones = _prepare(folder, record_url, devices=devices, entries=entries)
    drill = _Drill(port=free_port())
    total = devices * (entries + 1)

    def start() -> RunningServer:
        return run_server(folder, port=drill.port, log=scratch / "log", record_url=record_url)

    server = start()
    stop = threading.Event()
    begun = time.monotonic()
    with ThreadPoolExecutor(WORKERS + 1) as pool:
        killer = pool.submit(
            _kill_now_and_then, drill, start, server, total=total, kills=kills, stop=stop
        )
        try:
            ends = [
                pool.submit(_work, drill, phone, seed + number, begun + MOST_S)
                for number, phone in enumerate(phones)
            ]
            agreed = [end.result() for end in ends]
        finally:
            stop.set()
            server, done = killer.result()
            server.stop()
    duration_s = time.monotonic() - begun
    site = SiteHandle.open(WebSettings(folder=folder, record_url=record_url))
    try:
        journal = site.journal("drill")
        held = Counter(entry.uuid for entry in journal.entries())
        findings = journal.verify()
    finally:
        site.close()
    made = {entry.uuid for phone in phones for entry in phone.entries}
    return DrillResult(
        entries=total,
        acknowledged=len(drill.acknowledged | {phone.entries[0].uuid for phone in phones}),
        lost=sum(uuid not in held for uuid in drill.acknowledged),
        doubled=sum(count > 1 for count in held.values()) + len(held.keys() - made),
        missing=len(made - held.keys()),
        verified=worst_verdict(findings) == "pass",
        all_same=all(agreed),
        kills=done,
        requests=drill.requests,
        spoilt=drill.spoilt,
        duration_s=duration_s,
    )
