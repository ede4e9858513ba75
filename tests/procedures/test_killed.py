"""Killed at any moment of receiving, the record is whole and repeating the command completes it."""

from __future__ import annotations

import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest

from arraywright.errors import RecordError
from arraywright.findings import Verdict
from arraywright.procedures.report import NO_PROGRESS
from arraywright.procedures.verify import verify
from tests.procedures.making import (
    PERSON,
    Truck,
    make_site,
    output_digests,
    receive_files,
    record_entries,
    verdicts,
)

_ROOT = Path(__file__).parents[2]
_KILLS = 100
_SEED = 20_260_504


class _Commands:
    """Runs commands in forks and kills them."""

    def __init__(self, server: subprocess.Popen[str]) -> None:
        assert server.stdin is not None
        assert server.stdout is not None
        self._to, self._from = server.stdin, server.stdout

    def run(self, words: list[str], *, within_s: float) -> tuple[int, float]:
        """Run a command; give its exit code, negative when it was killed, and its seconds."""
        self._to.write("\t".join([str(within_s), *words]) + "\n")
        self._to.flush()
        code, seconds = self._from.readline().split()
        return int(code), float(seconds)


def _whole(site: Path) -> str:
    """Say how far the record is; whatever is there verifies."""
    try:
        report = verify(site, now=lambda: datetime(2026, 5, 4, tzinfo=UTC), progress=NO_PROGRESS)
    except RecordError as error:
        if error.code != "record-missing":
            raise
        return "none"
    assert {finding.verdict for finding in report.findings} == {Verdict.PASS}
    return "entries" if record_entries(site) else "empty"


@pytest.mark.skipif(os.name != "posix", reason="needs SIGKILL")
def test_killed_at_a_hundred_moments_nothing_is_lost_or_doubled(
    tmp_path: Path, device_home: Path
) -> None:
    """After each kill the record verifies, and the repeated command ends as if undisturbed."""
    draw = random.Random(_SEED)  # noqa: S311
    files = Truck(counted={2: 9}, spoiled=(5,)).files(tmp_path / "inputs")
    undisturbed = make_site(tmp_path, name="undisturbed")
    expected = verdicts(receive_files(undisturbed, files))
    entries, tables = record_entries(undisturbed), _tables(undisturbed)
    environment = os.environ | {
        "ARRAYWRIGHT_HOME": str(device_home),
        "PYTHONPATH": f"{_ROOT / 'src'}{os.pathsep}{_ROOT}",
    }
    states = dict.fromkeys(("none", "empty", "entries"), 0)
    killed = 0
    with subprocess.Popen(
        [sys.executable, "-m", "tests.procedures.killed_receive"],
        cwd=_ROOT,
        env=environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as server:
        commands = _Commands(server)
        rest = [*map(str, files), "--person", PERSON]
        whole_s = []
        for number in range(3):
            site = make_site(tmp_path, name=f"whole-{number}")
            code, seconds = commands.run(["receive", str(site), *rest], within_s=600.0)
            assert code == 1
            assert record_entries(site) == entries
            whole_s.append(seconds)
        site = make_site(tmp_path, name="killed-0")
        for number in range(1, _KILLS + 1):
            moment = draw.uniform(0.0, statistics.median(whole_s))
            code, _ = commands.run(["receive", str(site), *rest], within_s=moment)
            killed += code == -signal.SIGKILL
            states[state := _whole(site)] += 1
            if state != "entries" and number < _KILLS:
                continue  # the next command goes on where this one was killed, and is killed too
            # All of a command is recorded, or nothing.
            assert state != "entries" or record_entries(site) == entries
            assert verdicts(receive_files(site, files)) == expected
            assert _whole(site) == "entries"
            assert record_entries(site) == entries
            assert _tables(site) == tables
            shutil.rmtree(site)
            site = make_site(tmp_path, name=f"killed-{number}")
        assert server.stdin is not None
        server.stdin.close()
    # The moments lie all over the command: before, while and after the record is written.
    assert killed >= _KILLS * 2 // 3
    assert min(states["none"] + states["empty"], states["entries"]) >= 10


def _tables(site: Path) -> dict[str, str]:
    """Give the digests of the tables; a document tells the moment of its reconciliation too."""
    return {name: sha for name, sha in output_digests(site).items() if name.endswith(".csv")}
