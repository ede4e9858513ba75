"""Killed at any moment, the record is whole."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import time
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest

from arraywright.findings import Verdict, worst_verdict
from arraywright.records import DeviceIdentity, FileStore, Journal
from tests.records.killed_writer import record_all

_ROOT = Path(__file__).parents[2]
_KILLS = 30
_LISTS = 150


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_killed_at_random_moments_nothing_is_lost_or_doubled(tmp_path: Path) -> None:
    """After each of 30 kills the record verifies, and repeating completes it exactly once."""
    draw = random.Random(20260302)  # noqa: S311
    killed = recorded = 0
    command = [sys.executable, "-m", "tests.records.killed_writer", str(tmp_path), str(_LISTS)]
    environment = dict(os.environ, PYTHONPATH=f"{_ROOT / 'src'}{os.pathsep}{_ROOT}")
    with subprocess.Popen(  # noqa: S603
        command,
        cwd=_ROOT,
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        for _ in range(_KILLS):
            server.stdin.write("go\n")
            server.stdin.flush()
            child, fresh, code = 0, False, None
            while code is None:
                word, number = server.stdout.readline().split()
                if word == "started":
                    child = int(number)
                elif word == "ended":
                    code = int(number)
                elif int(number) >= recorded:
                    recorded = int(number) + 1
                    if not fresh:
                        # New work has begun: the kill meets it storing or appending.
                        fresh = True
                        time.sleep(draw.uniform(0.0, 0.03))
                        os.kill(child, signal.SIGKILL)
            killed += code == -signal.SIGKILL
            _check(tmp_path, at_least=recorded)
        server.stdin.close()
    assert killed >= _KILLS * 2 // 3
    record_all(tmp_path, _LISTS)
    _check(tmp_path, at_least=_LISTS)
    assert FileStore(tmp_path / "record-files").sweep() == 0


def _check(folder: Path, *, at_least: int) -> None:
    """The record verifies, holds whole calls only, and all that the program had confirmed."""
    identity = DeviceIdentity.load_or_create(home=folder / "home")
    with Journal.open(
        folder / "record.sqlite", device=identity, person="P", now=lambda: datetime.now(UTC)
    ) as journal:
        assert journal.files is not None
        assert worst_verdict(journal.verify()) is Verdict.PASS
        assert worst_verdict(journal.files.verify()) is Verdict.PASS
        seen = Counter((entry.kind, entry.subject) for entry in journal.entries())
    assert set(seen.values()) == {1}
    kinds = Counter(kind for kind, _ in seen)
    assert kinds["flash_list_read"] >= at_least
    assert kinds["module_listed"] == 10 * kinds["flash_list_read"]
    assert kinds["flash_list_read"] <= _LISTS
