"""What takes long is made in the background, and the last one is given with its time meanwhile."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from arraywright.procedures.site_record import open_site
from arraywright.records.people import Role
from arraywright.web.renewing import Renewals
from tests.web.map_making import NOW, make_map_site, place_modules
from tests.web.serving import open_office

BEGAN = datetime(2026, 3, 2, tzinfo=UTC)


class Clock:
    """A clock that goes on by a second each time it is looked at."""

    def __init__(self) -> None:
        self.at = BEGAN

    def __call__(self) -> datetime:
        """Go on by a second and give the time."""
        self.at += timedelta(seconds=1)
        return self.at


@pytest.fixture
def renewals() -> Iterator[Renewals]:
    """Give a keeper of things made."""
    held = Renewals(Clock())
    yield held
    held.close()


def _until(renewals: Renewals, value: str, *, key: int) -> None:
    deadline = time.monotonic() + 20
    while True:
        told = renewals.give("x", ground=1, key=key, make=lambda _: "never", wait_s=0.05)
        if told.value == value:
            return
        assert time.monotonic() < deadline, told
        time.sleep(0.01)


def test_the_last_one_is_given_while_the_next_is_made(renewals: Renewals) -> None:
    """Nobody waits longer than asked; the new one is given as soon as it is ready."""
    go = threading.Event()
    made: list[str | None] = []

    def slow(before: str | None) -> str:
        made.append(before)
        assert go.wait(20)
        return "second"

    first = renewals.give("x", ground=1, key=1, make=lambda _: "first", wait_s=0.0)
    assert (first.value, first.renewing) == ("first", False)
    begun = time.monotonic()
    for _ in range(3):
        told = renewals.give("x", ground=1, key=2, make=slow, wait_s=0.02)
        assert (told.value, told.renewing, told.as_of) == ("first", True, first.as_of)
    assert time.monotonic() - begun < 5.0
    go.set()
    _until(renewals, "second", key=2)
    told = renewals.give("x", ground=1, key=2, make=slow, wait_s=0.0)
    assert (told.value, told.renewing) == ("second", False)
    assert told.as_of > first.as_of
    assert made == ["first"]


def test_what_is_soon_ready_is_waited_for(renewals: Renewals) -> None:
    """A small site always shows what was entered just now."""
    values = iter("abcde")
    for key in range(1, 6):
        told = renewals.give("x", ground=1, key=key, make=lambda _: next(values), wait_s=20.0)
        assert (told.value, told.renewing) == ("abcde"[key - 1], False)


def test_on_another_ground_the_last_one_is_worthless(renewals: Renewals) -> None:
    """After the description changed nothing of the old layout is given, and nothing of it late."""
    go = threading.Event()

    def slow(_: str | None) -> str:
        assert go.wait(20)
        return "late"

    renewals.give("x", ground="old", key=1, make=lambda _: "first", wait_s=0.0)
    renewals.give("x", ground="old", key=2, make=slow, wait_s=0.0)
    told = renewals.give("x", ground="new", key=2, make=lambda _: "anew", wait_s=0.0)
    assert (told.value, told.renewing) == ("anew", False)
    go.set()
    time.sleep(0.1)
    assert renewals.give("x", ground="new", key=2, make=slow, wait_s=0.0).value == "anew"


def test_what_goes_wrong_is_told_and_tried_again(renewals: Renewals) -> None:
    """A failure reaches who waits; the last one is kept, and the next try may succeed."""

    def fail(_: str | None) -> str:
        raise ValueError("no disk")

    renewals.give("x", ground=1, key=1, make=lambda _: "first", wait_s=0.0)
    with pytest.raises(ValueError, match="no disk"):
        renewals.give("x", ground=1, key=2, make=fail, wait_s=20.0)
    told = renewals.give("x", ground=1, key=2, make=lambda _: "second", wait_s=20.0)
    assert told.value == "second"


def test_making_rests_between_two_makings(renewals: Renewals) -> None:
    """While entries pour in, at most a third of the time goes into making."""
    renewals.give("x", ground=1, key=0, make=lambda _: 0, wait_s=0.0)
    count, spent, begun = 0, 0.0, time.monotonic()

    def work(_: int | None) -> int:
        nonlocal count, spent
        count += 1
        at = time.monotonic()
        time.sleep(0.1)
        spent += time.monotonic() - at
        return count

    key = 0
    while time.monotonic() - begun < 1.5:
        key += 1
        renewals.give("x", ground=1, key=key, make=work, wait_s=0.01)
    assert count >= 2
    assert spent <= (time.monotonic() - begun) / 3 + 0.15


def test_the_map_marks_an_old_picture_with_its_time(tmp_path: Path) -> None:
    """Right after modules were placed the last picture comes at once, marked; then the new one."""
    make_map_site(tmp_path / "park", 28_000)
    path = "/api/v1/map/values/stage"
    with open_office(tmp_path / "park", map_patience_s=0.0) as office:
        client = office.signed_in(Role.GUEST)
        first = client.get(path)
        assert first.headers["Arraywright-Renewing"] == "?0"
        with open_site(office.site.folder, person="Crew", now=lambda: NOW, create=False) as record:
            plan = record.latest("allocation_planned")
            assert plan is not None
            places = record.load_frame(plan, "assignments").filter(pl.col("string") == "B001-S0701")
            place_modules(record, places, day=datetime(2031, 5, 19, tzinfo=UTC))
        old = client.get(path)
        assert old.headers["Arraywright-Renewing"] == "?1"
        assert old.headers["ETag"] == first.headers["ETag"]
        assert old.headers["Arraywright-As-Of"] == first.headers["Arraywright-As-Of"]
        deadline = time.monotonic() + 60
        while client.get(path).headers["Arraywright-Renewing"] == "?1":
            assert time.monotonic() < deadline
            time.sleep(0.05)
        new = client.get(path)
        assert new.headers["ETag"] != first.headers["ETag"]
        assert new.headers["Arraywright-As-Of"] > first.headers["Arraywright-As-Of"]
