"""Days of work with a phone that has no signal and loses its tab at random moments."""

from __future__ import annotations

import contextlib
import random
from dataclasses import dataclass, field
from typing import Any

from playwright.sync_api import Error as PlaywrightError

from arraywright.findings import Finding, Verdict
from arraywright.records import Entry, parse_body
from arraywright.records.journal import Journal
from tests.web.field_phone import Phone

_PLACE = """async () => {
  const { pack, state } = arraywright.session;
  const name = arraywright.placing ? arraywright.placing.position() : "";
  if (!name) return null;
  return { position: name, serial: pack.planned[pack.positionIndex.get(name)] };
}"""
_TEST_VALUES = {
    "earth_continuity_ohm": "0.2",
    "irradiance_w_m2": "805",
    "module_temp_c": "41.5",
    "voc_v": "1287.5",
    "isc_a": "11.4",
    "riso_pos_megohm": "55",
    "riso_neg_megohm": "48",
}
_STEPS = (
    ("earth_continuity_ohm",),
    (),
    ("irradiance_w_m2", "module_temp_c"),
    ("voc_v",),
    ("isc_a",),
    ("riso_pos_megohm", "riso_neg_megohm"),
)


@dataclass(kw_only=True)
class Day:
    """What the screen said was kept.

    Attributes:
        phone: the phone.
        draw: chance, from a seed.
        said: serial by position, of placements the screen confirmed.
        tested: strings whose test the screen confirmed.
        kills: how often the tab was lost.
        latencies: durations of judgements at the scan [ms].
        starts: durations of starts without signal [ms].
    """

    phone: Phone
    draw: random.Random
    said: dict[str, str] = field(default_factory=dict)
    tested: list[str] = field(default_factory=list)
    kills: int = 0
    latencies: list[float] = field(default_factory=list)
    starts: list[float] = field(default_factory=list)

    def start(self, path: str) -> None:
        """Open the page anew and note how long it took until it could be used."""
        self.phone.open(path)
        took = self.phone.page.evaluate(
            "() => performance.getEntriesByName('field-ready').map((one) => one.startTime)"
        )
        if took:
            self.starts.append(took[0])

    def place(self, *, kill: bool = False) -> bool:
        """Place the module that is planned next; with ``kill`` lose the tab while it happens.

        Gives whether the screen confirmed it.
        """
        page = self.phone.page
        if page.query_selector("#read"):
            self.phone.read_cautions()
        page.wait_for_selector("#code")
        now: dict[str, str] | None = page.evaluate(_PLACE)
        assert now is not None, "nothing is left to place"
        if kill:
            self._lose(now)
            return False
        page.fill("#code", now["serial"])
        page.press("#code", "Enter")
        page.wait_for_function(
            "(serial) => document.querySelector('.told .good')?.textContent.includes(serial)",
            arg=now["serial"],
        )
        self.said[now["position"]] = now["serial"]
        took: float = page.evaluate(
            "() => performance.getEntriesByName('judgement').at(-1).duration"
        )
        self.latencies.append(took)
        return True

    def _lose(self, now: dict[str, str]) -> None:
        page = self.phone.page
        with contextlib.suppress(PlaywrightError):
            page.evaluate(
                "([serial, wait]) => { arraywright.placing.scanned(serial, 'scanner'); "
                "return new Promise((resolve) => setTimeout(resolve, wait)); }",
                [now["serial"], self.draw.choice([0, 1, 3, 8, 20, 60, 150, 400])],
            )
        self.kills += 1
        self.phone.kill()
        self.start("/place")

    def test(self, string: str) -> None:
        """Test a string in the guided order and keep it."""
        page = self.phone.page
        self.phone.go(f"/test/{string}")
        page.wait_for_selector("#read, #step")
        self.phone.read_cautions()
        page.wait_for_selector("#step")
        if page.query_selector("select"):
            for place, name in enumerate(("M-1", "S-1", "T-1", "R-1")):
                page.select_option(f"select >> nth={place}", name)
            page.click("#step-on")
        for fields in _STEPS:
            for name in fields:
                page.fill(f"#{name}", _TEST_VALUES[name])
            if not fields:
                page.click(".choice.good")
            page.click("#step-on")
        page.click("#enter-test")
        page.wait_for_selector("#next-string")
        self.tested.append(string)


def failures(journal: Journal) -> list[Finding]:
    """Verify a record; give what does not hold."""
    return [found for found in journal.verify() if found.verdict is not Verdict.PASS]


def check_all_there(day: Day, journal: Journal) -> dict[str, Any]:
    """Hold the server's record against what the screen said; give the counts.

    Raises:
        AssertionError: something the screen confirmed is missing or doubled, or does not verify.
    """
    assert failures(journal) == []
    entries = list(journal.entries())
    device = day.phone.page.evaluate("() => arraywright.session.key.device")
    own = [entry for entry in entries if entry.device == device]
    assert sorted(entry.sequence for entry in own) == list(range(1, len(own) + 1))
    assert len({entry.uuid for entry in own}) == len(own)
    placed = _live_placements(journal, device)
    for position, serial in day.said.items():
        assert placed.get(position) == [serial], (position, serial, placed.get(position))
    doubled = {position: held for position, held in placed.items() if len(held) > 1}
    assert not doubled
    tested = [entry.subject for entry in own if entry.kind == "string_tested"]
    assert sorted(tested) == sorted(day.tested)
    return {"own": len(own), "placed": len(placed), "tested": len(tested)}


def _live_placements(journal: Journal, device: str) -> dict[str, list[str]]:
    held: dict[str, list[str]] = {}
    entry: Entry
    for entry in journal.live(kind="module_placed"):
        if entry.device == device:
            position = parse_body(entry.body)["position"]
            held.setdefault(position, []).append(entry.subject)
    return held
