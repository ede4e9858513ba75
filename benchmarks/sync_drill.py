"""Synchronisation under faults at full size, on SQLite and on PostgreSQL.

200 devices push 200 entries each; a fifth of the requests are cut, doubled or reordered, and the
server is killed 20 times. Needs Debian's postgresql-15. Chance is drawn from a fixed seed, but for
the moments of the machine itself.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from pathlib import Path

from benchmarks.common import BenchRow, peak_rss_mb
from tests.postgres import new_database, postgres_server
from tests.web.drill import DrillResult, run_drill

__all__ = ["run"]

_EXAMPLE = Path(__file__).parents[1] / "docs" / "examples" / "small-site"


def _rows(store: str, result: DrillResult) -> list[BenchRow]:
    name = (
        f"{store}: {result.entries} entries, {result.spoilt} of {result.requests} requests cut, "
        f"doubled or reordered, {result.kills} kills"
    )
    return [
        BenchRow(
            name=f"{name}: acknowledged and lost, doubled, or missing",
            figure=float(result.lost + result.doubled + result.missing),
            unit="entries",
            peak_rss_mb=peak_rss_mb(),
            target="none, all acknowledged, counts equal, verify clean",
            met=result.sound,
        ),
        BenchRow(
            name=f"{store}: entries pushed until all devices agree",
            figure=result.entries / result.duration_s,
            unit="1/s",
            peak_rss_mb=peak_rss_mb(),
        ),
    ]


def run(*, quick: bool) -> list[BenchRow]:
    """Run the drill on both kinds of database."""
    devices, entries, kills = (20, 20, 2) if quick else (200, 200, 20)
    rows = []
    with tempfile.TemporaryDirectory() as scratch, postgres_server() as server:
        os.environ["ARRAYWRIGHT_HOME"] = str(Path(scratch) / "home")
        for store in ("SQLite", "PostgreSQL"):
            folder = Path(scratch) / store
            shutil.copytree(_EXAMPLE, folder)
            if store == "SQLite":
                result = run_drill(
                    folder,
                    Path(scratch),
                    record_url=None,
                    devices=devices,
                    entries=entries,
                    kills=kills,
                )
            else:
                with new_database(server) as url:
                    result = run_drill(
                        folder,
                        Path(scratch),
                        record_url=url,
                        devices=devices,
                        entries=entries,
                        kills=kills,
                    )
            rows += _rows(store, result)
    return rows
