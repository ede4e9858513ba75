"""The map of two million modules: layout, state, first picture, frames while it is moved.

The page is measured in Chromium without a graphics unit, from a server in a process of its own.
"""

from __future__ import annotations

import math
import os
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
from playwright.sync_api import Page

from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.site_record import open_site
from arraywright.web.map_geometry import map_geometry
from arraywright.web.map_state import map_state
from arraywright.web.map_values import COLOURINGS, colouring
from benchmarks.common import BenchRow, peak_rss_mb, timed
from tests.web.browser import open_browser
from tests.web.clicking import join_as
from tests.web.map_making import make_map_site
from tests.web.serving import free_port, run_server

__all__ = ["run"]

_MODULES = 2_000_000
_QUICK_MODULES = 28_000
_VISIBLE = 100_000
_FIRST_PICTURE_S = 3.0
_FRAMES_PER_S = 30.0
_WORST_S = 1.0
_LOADS = 3
_SCALE = 1.325
"""Pixels per metre at which a module's shorter side has just over 1.5 pixels."""
_DRAWING = ("--use-angle=swiftshader-webgl", "--enable-unsafe-swiftshader")

_MOVE = """async (seconds) => {
  const ground = document.getElementById("map-ground");
  const frame = document.getElementById("map-frame");
  const held = ground.getBoundingClientRect();
  ground.setPointerCapture = () => {};
  const send = (kind, right, down) => ground.dispatchEvent(new PointerEvent(kind, {
    pointerId: 1, button: 0, bubbles: true,
    clientX: held.left + held.width / 2 + right, clientY: held.top + held.height / 2 + down,
  }));
  send("pointerdown", 0, 0);
  const counted = () => [Number(frame.dataset.frames), Number(frame.dataset.whole)];
  const first = counted();
  const gaps = [];
  const start = performance.now();
  let last = start;
  // Circles with a radius of 250 px in four seconds: about 390 px a second.
  while (last - start < 1000 * seconds) {
    const turn = (2 * Math.PI * (last - start)) / 4000;
    send("pointermove", 250 * Math.sin(turn), 250 * (1 - Math.cos(turn)));
    const now = await new Promise(requestAnimationFrame);
    gaps.push(Math.max(now - last, 0));
    last = Math.max(now, last);
  }
  const [drawn, whole] = counted().map((count, at) => count - first[at]);
  send("pointerup", 0, 0);
  gaps.sort((one, other) => one - other);
  return {
    rate: (1000 * drawn) / (last - start),
    slow: gaps[Math.floor(0.95 * gaps.length)],
    whole: drawn ? whole / drawn : 0,
  };
}"""

_ASK = """async () => {
  const ask = async () => {
    const answer = await fetch("/api/v1/map/values/stage");
    await answer.arrayBuffer();
    return answer.headers.get("etag");
  };
  const held = await ask();
  window.asked = (async () => {
    const start = performance.now();
    let worst = 0;
    for (let count = 1; ; count += 1) {
      const begun = performance.now();
      const tag = await ask();
      worst = Math.max(worst, performance.now() - begun);
      if (tag !== held) return { worst, count, until: performance.now() - start };
      await new Promise((after) => setTimeout(after, 250));
    }
  })();
}"""


def _ready(page: Page) -> None:
    page.wait_for_selector('#map[data-ready="true"]', timeout=60_000)


def _first_picture_s(page: Page, address: str) -> float:
    page.goto("about:blank")
    page.goto(f"{address}/map")
    _ready(page)
    page.wait_for_selector('#map-frame[data-whole]:not([data-whole="0"])')
    found: float = page.evaluate(
        "() => performance.getEntriesByName('map-first-picture')[0].startTime / 1000"
    )
    return found


def _scale(page: Page) -> float:
    return float(page.locator("#map-frame").get_attribute("data-scale") or 0)


def _zoom_to_modules(page: Page) -> int:
    """Zoom until single modules are drawn and give how many are in view."""
    ground = page.locator("#map-ground")
    box = ground.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    scale = _scale(page)
    while scale < _SCALE:
        before = scale
        page.mouse.wheel(0, -min(200.0, max(4.0, 320.0 * math.log(_SCALE / scale))))
        while scale == before:
            page.wait_for_timeout(100)
            scale = _scale(page)
    page.wait_for_timeout(3000)
    return int(page.locator("#map-frame").get_attribute("data-modules") or 0)


def _frames(measured: dict[str, Any]) -> str:
    return (
        f"frames/s, 95 % within {measured['slow']:.0f} ms, "
        f"{100 * measured['whole']:.0f} % with nothing in view still to be drawn"
    )


def _new_plan(folder: Path) -> None:
    """Enter a plan in place of the one that stands: without its last string."""
    with open_site(
        folder, person="benchmark", now=lambda: datetime.now(UTC), create=False
    ) as record:
        plan = record.latest(ALLOCATION_PLANNED)
        assert plan is not None
        frames = {
            name: record.load_frame(plan, name)
            for name in ("assignments", "mismatch_strings", "build_days")
        }
        last = frames["assignments"]["string"][-1]
        frames["assignments"] = frames["assignments"].filter(pl.col("string") != last)
        entry = record.new_result(
            ALLOCATION_PLANNED,
            inputs=["another"],
            frames=frames,
            findings=(),
            summary={},
            previous=plan,
        )
        record.append_result([entry], kind=ALLOCATION_PLANNED, previous=plan)


def _after_plan(page: Page, folder: Path) -> list[BenchRow]:
    """Ask for the map four times a second from before a new plan until it shows it."""
    page.evaluate(_ASK)
    _new_plan(folder)
    told: dict[str, Any] = page.evaluate("() => window.asked")
    return [
        BenchRow(
            name="worst answer of the map around a new plan",
            figure=told["worst"] / 1000.0,
            unit=f"s, of {told['count']} answers",
            target=f"under {_WORST_S:g} s",
            met=told["worst"] / 1000.0 < _WORST_S,
        ),
        BenchRow(
            name="until the map shows the new plan, entering it included",
            figure=told["until"] / 1000.0,
            unit="s",
        ),
    ]


def _in_browser(folder: Path, *, quick: bool) -> list[BenchRow]:
    server = run_server(folder, port=free_port(), log=folder.parent / "server.log")
    try:
        with open_browser(*_DRAWING) as browser:
            page = browser.new_page(viewport={"width": 1920, "height": 1200})
            join_as(page, server.first_link, name="Robin Example")
            _first_picture_s(page, server.address)
            first_s = sorted(_first_picture_s(page, server.address) for _ in range(_LOADS))
            whole: dict[str, Any] = page.evaluate(_MOVE, 4 if quick else 8)
            visible = _zoom_to_modules(page)
            moved: dict[str, Any] = page.evaluate(_MOVE, 4 if quick else 8)
            after = _after_plan(page, folder)
    finally:
        server.kill()
    enough = quick or visible >= _VISIBLE
    return [
        BenchRow(
            name=f"first picture after the load begins, warm server (median of {_LOADS})",
            figure=first_s[_LOADS // 2],
            unit="s",
            target=f"under {_FIRST_PICTURE_S:g} s",
            met=first_s[_LOADS // 2] < _FIRST_PICTURE_S,
        ),
        BenchRow(
            name="frames while the whole site is moved, no graphics unit",
            figure=whole["rate"],
            unit=_frames(whole),
        ),
        BenchRow(
            name=f"frames while it is moved with {visible:,} modules in view, no graphics unit",
            figure=moved["rate"],
            unit=_frames(moved),
            target=f"{_FRAMES_PER_S:g} frames/s with {_VISIBLE:,} modules in view",
            met=moved["rate"] >= _FRAMES_PER_S and enough,
        ),
        *after,
    ]


def run(*, quick: bool) -> list[BenchRow]:
    """Measure the map of a generated site, two million modules unless quick."""
    with tempfile.TemporaryDirectory() as held:
        base = Path(held)
        os.environ["ARRAYWRIGHT_HOME"] = str(base / "home")
        folder = base / "site"
        count = make_map_site(folder, _QUICK_MODULES if quick else _MODULES)
        with open_site(
            folder, person="benchmark", now=lambda: datetime.now(UTC), create=False
        ) as record:
            layout_s, geometry = timed(lambda: map_geometry(record.site))
            state_s, state = timed(lambda: map_state(record, geometry))
            colour_s, _ = timed(lambda: [colouring(state, name) for name in COLOURINGS])
        rows = [
            BenchRow(name=f"layout of {count:,} modules", figure=layout_s, unit="s"),
            BenchRow(
                name="what the record knows of them",
                figure=state_s,
                unit="s",
                peak_rss_mb=peak_rss_mb(),
            ),
            BenchRow(name=f"all {len(COLOURINGS)} colourings", figure=colour_s, unit="s"),
        ]
        return rows + _in_browser(folder, quick=quick)
