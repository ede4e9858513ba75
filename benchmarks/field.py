"""The field page at full size: days offline on a slow phone, start, scan, pack and decoder.

Needs Debian's chromium. Work, kills and pictures are drawn from fixed seeds; the full size takes
about half an hour. The tab is killed by ending its process, at a random moment of a placement.
"""

from __future__ import annotations

import gzip
import os
import random
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from playwright.sync_api import Browser

from arraywright.procedures.site_record import open_site
from arraywright.web import field_routes
from arraywright.web.field_pack import blocks_of, make_pack, pack_bytes
from benchmarks.common import BenchRow, peak_rss_mb
from tests.web.browser import open_browser
from tests.web.field_codes import (
    READ,
    as_text,
    code_128,
    data_matrix,
    drawn_difficulty,
    photographed,
    qr_code,
)
from tests.web.field_day import Day, check_all_there
from tests.web.field_making import call, site_folder
from tests.web.field_phone import Phone, ServedSite, served

__all__ = ["run"]

SLOWDOWN = 6.0
_AT_ONCE = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class _Size:
    placements: int
    tests: int
    kills: int
    samples: int


def _row(name: str, figure: float, unit: str, *, target: str = "", met: bool = True) -> BenchRow:
    return BenchRow(
        name=name, figure=figure, unit=unit, peak_rss_mb=peak_rss_mb(), target=target, met=met
    )


def _days(browser: Browser, site: ServedSite, size: _Size) -> list[BenchRow]:
    phone = Phone.new(browser, site.address)
    phone.enrol(site.code(site.person("Noor Haddad")))
    phone.take_along()
    modules: int = phone.page.evaluate("() => arraywright.session.pack.serials.length")
    phone.slow_down(SLOWDOWN)
    phone.offline()
    draw = random.Random(20260618)  # noqa: S311
    day = Day(phone=phone, draw=draw)
    killed = set(draw.sample(range(size.placements), size.kills))
    tests = set(np.linspace(1, size.placements - 1, size.tests).astype(int).tolist())
    strings = iter(phone.page.evaluate("() => arraywright.session.pack.strings.string"))
    day.start("/place")
    for turn in range(size.placements):
        day.place(kill=turn in killed)
        if turn in tests:
            day.test(next(strings))
            phone.go("/place")
        if turn == size.placements // 2:
            _update(phone, day)
    own: int = phone.page.evaluate("() => arraywright.session.state.ofKind('module_placed').length")
    phone.offline(off=False)
    start = time.monotonic()
    phone.page.evaluate("() => arraywright.sync.run()")
    took = time.monotonic() - start
    told = phone.page.evaluate("() => arraywright.sync.status.compared")
    counts = check_all_there(day, site.site.journal("office"))
    there = told["same"] is True and counts["placed"] == own
    start_ms = float(np.percentile(day.starts, 95))
    scan_ms = float(np.percentile(day.latencies, 95))
    return [
        _row(
            f"entries in the record after {len(day.said)} placements and {len(day.tested)} string "
            f"tests confirmed offline at {SLOWDOWN:g} times slowed, tab killed {day.kills} times, "
            f"page updated once; {counts['placed']} placements, each once, chain and signatures "
            f"verified",
            counts["own"],
            "entries",
            target="nothing lost, nothing doubled, counts equal",
            met=there,
        ),
        _row("sending it all", took, "s"),
        _row(
            f"start offline, 95th percentile of {len(day.starts)}, pack of {modules:,} modules",
            start_ms,
            "ms",
            target="under 2000 ms",
            met=start_ms < 2000,
        ),
        _row(
            f"start offline, median of {len(day.starts)}",
            float(np.median(day.starts)),
            "ms",
            target="under 2000 ms",
            met=bool(np.median(day.starts) < 2000),
        ),
        _row(
            f"judgement at the scan, 95th percentile of {len(day.latencies)}",
            scan_ms,
            "ms",
            target="under 100 ms",
            met=scan_ms < 100,
        ),
    ]


def _update(phone: Phone, day: Day) -> None:
    """Let a new version come in the middle of the work: a moment of signal for the page alone."""
    held = field_routes.assets()
    fresh = field_routes.Assets(version="f" * 16, files=held.files, words=held.words)
    setattr(field_routes, "assets", lambda: fresh)  # noqa: B010
    phone.context.route("**/sync/**", lambda route: route.abort())
    phone.offline(off=False)
    phone.fetch_new_version()
    phone.offline()
    phone.context.unroute("**/sync/**")
    day.start("/place")
    phone.page.wait_for_function(
        "(version) => globalThis.arraywright && arraywright.turn"
        " && document.documentElement.dataset.version === version",
        arg=fresh.version,
    )


def _decoder(browser: Browser, site: ServedSite, samples: int) -> list[BenchRow]:
    phone = Phone.new(browser, site.address)
    phone.page.goto(f"{site.address}/field/")
    phone.page.wait_for_selector("#bar h1")
    base = phone.page.evaluate("() => document.documentElement.dataset.base")
    draw = np.random.default_rng(404)
    rows = []
    for name, drawn in (("Code 128", code_128), ("Data Matrix", data_matrix), ("QR", qr_code)):
        serials = [f"TN26{number:08d}" for number in draw.integers(0, 10**8, samples)]
        pictures = [
            photographed(drawn(one), drawn_difficulty(draw, flat=name == "Code 128"), draw)
            for one in serials
        ]
        told = []
        for start in range(0, samples, _AT_ONCE):
            some = [as_text(one) for one in pictures[start : start + _AT_ONCE]]
            told += call(phone.page, READ, {"base": base, "pictures": some})
        pairs = list(zip(serials, told, strict=True))
        read = 100 * float(np.mean([one in held["codes"] for one, held in pairs]))
        wrong = [code for one, held in pairs for code in held["codes"] if code != one]
        taken = bool(set(wrong) & set(serials)) or len(set(wrong)) < len(wrong)
        rows.append(
            _row(
                f"{name} read of {samples} blurred, tilted, noisy pictures; {len(wrong)} wrong "
                f"texts, {'SOME' if taken else 'none'} of them taken",
                read,
                "%",
                target="at least 95 %, no wrong one taken",
                met=read >= 95 and not taken,
            )
        )
    return rows


def _packs(folder: Path, when: str) -> BenchRow:
    with open_site(folder, person="office", now=lambda: datetime.now(UTC)) as record:
        pack = make_pack(record, blocks=blocks_of(record.site)["block"].to_list())
    data = pack_bytes(pack)
    return _row(
        f"work pack {when}, {pack.manifest['modules']:,} modules, "
        f"{pack.manifest['positions']:,} positions, {len(gzip.decompress(data)):,} bytes unpacked",
        len(data),
        "bytes",
        target="under 3,000,000 bytes",
        met=len(data) < 3_000_000,
    )


def run(*, quick: bool) -> list[BenchRow]:
    """Measure at full size: 1,000 placements, 50 tests, 100 kills (40, 2 and 4 when quick)."""
    size = (
        _Size(placements=40, tests=2, kills=4, samples=40)
        if quick
        else _Size(placements=1100, tests=50, kills=100, samples=400)
    )
    with tempfile.TemporaryDirectory() as room:
        os.environ["ARRAYWRIGHT_HOME"] = str(Path(room) / "home")
        folder = site_folder(Path(room) / "site", table_rows=24)
        rows = [_packs(folder, "before work")]
        with served(folder) as site, open_browser() as browser:
            rows += _decoder(browser, site, size.samples)
            rows += _days(browser, site, size)
        rows.append(_packs(folder, "after work"))
    return rows
