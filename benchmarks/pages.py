"""Office pages under load: 50 people at once on a site of 200,000 modules.

The site was received, seven tenths of it is in place by as-built lists, and it has readings;
nothing was planned. The people are threads of a second process, each signed in, opening one page
after the other with a pause of half a second to a second and a half, as fast readers do; they
begin within the first second and a half, not in one instant.
"""

from __future__ import annotations

import multiprocessing
import os
import random
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import httpx2 as httpx
import numpy as np
import polars as pl

from arraywright.procedures.commission import commission
from arraywright.procedures.receive import receive
from arraywright.procedures.report import NO_PROGRESS
from arraywright.readers import read_site
from arraywright.records.people import Role
from arraywright.web.settings import WebSettings, utc_now
from arraywright.web.site_handle import SiteHandle
from benchmarks.common import BenchRow, peak_rss_mb
from tests.web.map_making import EXAMPLE, _block
from tests.web.serving import free_port, run_server

__all__ = ["run"]

_PAGES = ("/design", "/yard", "/build", "/test", "/keep", "/documents", "/people", "/map")
_PEOPLE = 50
_TARGET_MS = 150.0


def _person(address: str, secret: str, seed: int, seconds: float) -> list[tuple[str, float]]:
    draw = random.Random(seed)  # noqa: S311
    taken = []
    with httpx.Client(cookies={"arraywright": secret}, timeout=60) as client:
        end = time.monotonic() + seconds
        time.sleep(1.5 * draw.random())
        while time.monotonic() < end:
            page = draw.choice(_PAGES)
            begun = time.perf_counter()
            answer = client.get(address + page, headers={"Accept": "text/html"})
            taken.append((page, 1000 * (time.perf_counter() - begun)))
            if answer.status_code != 200:
                raise AssertionError((page, answer.status_code, answer.text[:300]))
            time.sleep(0.5 + draw.random())
    return taken


def _load(address: str, secrets: list[str], seconds: float, pipe: Any) -> None:
    with ThreadPoolExecutor(len(secrets)) as pool:
        people = [
            pool.submit(_person, address, secret, seed, seconds)
            for seed, secret in enumerate(secrets)
        ]
        pipe.send([one for person in people for one in person.result()])


def _make_site(folder: Path, *, blocks: int) -> int:
    folder.mkdir()
    head = EXAMPLE.read_text("utf-8").partition("[[layout.block]]")[0]
    text = head + "".join(_block(one, 3) for one in range(blocks))
    (folder / "site.toml").write_text(text, "utf-8")
    site = read_site(folder).site
    if site is None:
        raise AssertionError("the generated description is sound")
    count = site.positions.height
    number = pl.Series(range(count))
    serials = pl.select(pl.format("MY{}", number.cast(pl.String).str.zfill(10))).to_series()
    pallets = pl.select(pl.format("P-{}", (number // 36).cast(pl.String).str.zfill(6))).to_series()
    flash = pl.DataFrame(
        {
            "Serial": serials,
            "Pallet": pallets,
            "Module type": "MILL 440",
            "Power class [W]": 440,
            "Pmax [W]": 440.23,
            "Voc [V]": 39.6,
            "Isc [A]": 14.02,
            "Vmp [V]": 33.2,
            "Imp [A]": 13.26,
        }
    )
    scans = pl.DataFrame({"Pallet label": pallets.unique(maintain_order=True)}).with_columns(
        pl.lit("MILL 440").alias("Type on label"),
        pl.lit(440).alias("Power class on label (W)"),
        pl.lit(36).alias("Modules counted"),
        pl.lit("ok").alias("Condition"),
    )
    built = site.positions.head(int(0.7 * count)).select("string", "place_in_string")
    placed = pl.DataFrame({"Serial number": serials.head(built.height)}).with_columns(
        built["string"].alias("String"),
        built["place_in_string"].alias("Place in string"),
        pl.lit("2026-06-02T11:30:00+02:00").alias("Placed at"),
        pl.lit("crew 1").alias("Placed by"),
    )
    strings = built["string"].unique(maintain_order=True)
    readings = pl.DataFrame({"String": strings}).with_columns(
        pl.lit("2026-06-18T12:00:00+02:00").alias("Measured at"),
        pl.lit("ok").alias("Polarity"),
        pl.lit(1060.0).alias("Voc [V]"),
        pl.lit(10.0).alias("Isc [A]"),
    )
    inputs = folder / "inputs"
    inputs.mkdir()
    paths = {}
    for name, frame in (
        ("flash-list", flash),
        ("pallet-scans", scans),
        ("as-built", placed),
        ("string-readings", readings),
    ):
        paths[name] = inputs / f"{name}.csv"
        frame.write_csv(paths[name])
    receive(
        folder,
        [paths["flash-list"], paths["pallet-scans"]],
        person="Maker",
        now=utc_now,
        progress=NO_PROGRESS,
    )
    commission(
        folder,
        [paths["as-built"], paths["string-readings"]],
        person="Maker",
        now=utc_now,
        progress=NO_PROGRESS,
    )
    return count


def _sessions(folder: Path) -> list[str]:
    site = SiteHandle.open(WebSettings(folder=folder))
    try:
        secrets = []
        for number in range(_PEOPLE):
            person = site.people.add(f"Person {number}", Role.OWNER)
            site.people.set_password_hash(person.id, "$argon2id$none")
            secrets.append(site.people.start_session(person.id, days=1)[0])
        return secrets
    finally:
        site.close()


def run(*, quick: bool) -> list[BenchRow]:
    """Measure how long pages take to be answered."""
    with tempfile.TemporaryDirectory() as scratch:
        os.environ["ARRAYWRIGHT_HOME"] = str(Path(scratch) / "home")
        folder = Path(scratch) / "site"
        modules = _make_site(folder, blocks=1 if quick else 7)
        secrets = _sessions(folder)
        server = run_server(folder, port=free_port(), log=Path(scratch) / "log")
        try:
            for page in _PAGES:  # a warm server, as in the middle of a working day
                _person_once(server.address, secrets[0], page)
            ours, theirs = multiprocessing.Pipe()
            context = multiprocessing.get_context("spawn")
            crowd = context.Process(
                target=_load, args=(server.address, secrets, 5.0 if quick else 40.0, theirs)
            )
            crowd.start()
            taken = ours.recv()
            crowd.join()
        finally:
            server.stop()
    rows = []
    for page in ("all pages", *_PAGES):
        times_ms = np.array([one for name, one in taken if page in {name, "all pages"}])
        high_ms = float(np.quantile(times_ms, 0.95))
        judged = page == "all pages" and not quick
        rows.append(
            BenchRow(
                name=f"{page}: {times_ms.size} answers to {_PEOPLE} people at once, site of "
                f"{modules} modules: 95th percentile",
                figure=high_ms,
                unit="ms",
                peak_rss_mb=peak_rss_mb(),
                target=f"under {_TARGET_MS:g} ms" if judged else "",
                met=high_ms < _TARGET_MS or not judged,
            )
        )
    return rows


def _person_once(address: str, secret: str, page: str) -> None:
    with httpx.Client(cookies={"arraywright": secret}, timeout=300) as client:
        answer = client.get(address + page, headers={"Accept": "text/html"})
        if answer.status_code != 200:
            raise AssertionError((page, answer.status_code, answer.text[:300]))
