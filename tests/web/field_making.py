"""A Chromium with the field page's modules, and a site with work for it."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from playwright.sync_api import Page

import arraywright.web
from arraywright.commissioning import INSTRUMENTS
from arraywright.delivery import DELIVERY_NOTE
from arraywright.demo.prepare import sound_description
from arraywright.plant import Site
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import FILE_RECEIVED, SiteRecord, open_site
from arraywright.records import NewEntry, json_body
from tests.web.browser import open_browser

WEB = Path(arraywright.web.__file__).parent


class _Quiet(SimpleHTTPRequestHandler):
    """Serve the package's web folder, and one empty page to run modules in."""

    protocol_version = "HTTP/1.1"

    def do_GET(self) -> None:
        """Answer with the empty page or a file."""
        if self.path == "/empty":
            page = b"<!doctype html><meta charset=utf-8><title>empty</title>"
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.send_header("Content-Length", str(len(page)))
            self.end_headers()
            self.wfile.write(page)
            return
        super().do_GET()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Say nothing."""


@contextmanager
def modules_served() -> Iterator[str]:
    """Serve the field page's modules on this machine; give the address."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(_Quiet, directory=str(WEB)))
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_address[1]}"
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@contextmanager
def open_modules_page() -> Iterator[Page]:
    """Give an empty page of a Chromium, from which the field page's modules can be loaded."""
    with modules_served() as address, open_browser() as browser:
        page = browser.new_page()
        page.goto(f"{address}/empty")
        yield page


def call(page: Any, script: str, argument: object = None) -> Any:
    """Run an async function of JavaScript in a page and give what it gives, by way of JSON."""
    wrapped = f"async (argument) => JSON.stringify(await ({script})(JSON.parse(argument)))"
    return json.loads(page.evaluate(wrapped, json.dumps(argument)))


NOW = datetime(2026, 6, 18, 16, 0, tzinfo=UTC)
DELIVERED = date(2026, 5, 4)
_SPARE_PALLETS = 4


def site_folder(folder: Path, *, table_rows: int = 2, wrong: bool = True) -> Path:
    """Make a site of ``table_rows`` x 416 positions with its deliveries and plan in the record.

    The demo's description, with as many rows of tables as wanted; every flash value is drawn from
    a fixed seed. With ``wrong`` one pallet is held, one refused and one module set apart.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(folder.parent / "home"))
        _make_site(folder, table_rows=table_rows, wrong=wrong)
    return folder


def _make_site(folder: Path, *, table_rows: int, wrong: bool) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    text = sound_description().replace("rows_of_tables = 12", f"rows_of_tables = {table_rows}")
    (folder / "site.toml").write_text(text, encoding="utf-8")
    with open_site(folder, person="Mara Lindqvist", now=lambda: NOW) as record:
        modules, pallets, assignments = _frames(record.site, wrong=wrong)
        entries = [
            record.new_result(
                kind, inputs=[kind], frames=frames, findings=(), summary={}, previous=None
            )
            for kind, frames in (
                (DELIVERY_RECONCILED, {"modules": modules, "pallets": pallets}),
                (ALLOCATION_PLANNED, {"assignments": assignments}),
            )
        ]
        record.journal.append([*entries, *_handed_in(record)])


def _handed_in(record: SiteRecord) -> list[NewEntry]:
    note = DELIVERY_NOTE.empty().clear(1).with_columns(delivered_on=pl.lit(DELIVERED))
    instruments = pl.DataFrame(
        [
            {
                "instrument": name,
                "calibrated_on": date(2025, 9, 1),
                "calibration_due_on": date(2026, 9, 1) if name != "M-9" else date(2026, 1, 1),
            }
            for name in ("M-1", "M-9", "S-1", "T-1", "R-1")
        ],
        schema_overrides={"calibrated_on": pl.Date, "calibration_due_on": pl.Date},
    )
    tools = pl.concat([INSTRUMENTS.empty(), instruments], how="diagonal_relaxed").cast(
        pl.Schema(INSTRUMENTS.schema)
    )
    return [
        NewEntry(
            kind=FILE_RECEIVED,
            subject_kind="file",
            subject=spec.kind,
            body=json_body({"table": spec.kind, "files": [record.store_frame("rows", frame)]}),
        )
        for spec, frame in ((DELIVERY_NOTE, note), (INSTRUMENTS, tools))
    ]


def _frames(site: Site, *, wrong: bool) -> tuple[pl.DataFrame, pl.DataFrame, pl.DataFrame]:
    places = site.positions.height
    kind = next(iter(site.module_types.values()))
    size = kind.pallet_modules
    count = -(-places // size) + _SPARE_PALLETS
    total = count * size
    draw = np.random.default_rng(20260504)
    high = np.arange(total) < total // 2
    number = np.arange(total)
    pmax = np.where(high, 580.2, 575.2) + draw.uniform(0.0, 4.0, total).round(2)
    modules = pl.DataFrame(
        {
            "serial": [f"TN26{10_000_000 + 7 * one:08d}" for one in number.tolist()],
            "pallet": [f"P{one // size:04d}" for one in number.tolist()],
            "module_type": kind.key,
            "power_class_w": np.where(high, 580.0, 575.0),
            "current_class": np.where(high, "H", "L"),
            "isc_a": np.where(high, 14.16, 14.10) + draw.normal(0.0, 0.03, total).round(3),
            "voc_v": np.where(high, 51.9, 51.7) + draw.normal(0.0, 0.08, total).round(3),
            "imp_a": np.where(high, 13.40, 13.30),
            "vmp_v": np.where(high, 43.36, 43.16),
            "pmax_w": pmax,
            "usable": True,
            "reason": pl.Series([None] * total, dtype=pl.String),
            "pallet_verdict": "accept",
        }
    )
    pallets = (
        modules.group_by("pallet", maintain_order=True)
        .agg(
            pl.len().alias("modules_flash"),
            pl.col("module_type", "power_class_w", "current_class").first(),
        )
        .with_columns(
            modules_note=pl.col("modules_flash"),
            verdict=pl.lit("accept"),
            delivery_note=pl.lit("N-1"),
        )
    )
    strings = site.strings.height
    half = strings // 2
    serials = modules["serial"].to_list()
    # the first half of the strings is built of the high class, the other of the low one
    low = total // 2
    length = int(site.strings["modules"][0])
    take = list(range(half * length)) + list(range(low, low + (strings - half) * length))
    rows = site.positions.select("position", "string", "place_in_string")
    assignments = rows.with_columns(
        serial=pl.Series([serials[one] for one in take]),
        pallet=pl.Series([f"P{one // size:04d}" for one in take]),
    )
    if wrong:
        last = f"P{count - 1:04d}"
        held = f"P{total // 2 // size - 1:04d}"
        pallets = pallets.with_columns(
            verdict=pl.when(pl.col("pallet") == last)
            .then(pl.lit("refuse"))
            .when(pl.col("pallet") == held)
            .then(pl.lit("hold"))
            .otherwise("verdict")
        )
        modules = modules.with_columns(
            usable=pl.col("serial") != serials[low - 2 * size],
            reason=pl.when(pl.col("serial") == serials[low - 2 * size]).then(
                pl.lit("flashed twice with different values")
            ),
        )
    return modules, pallets, assignments
