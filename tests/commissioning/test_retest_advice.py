"""What to read again, and whether the sun makes it worth it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping

import polars as pl
import pytest

from arraywright.commissioning.retest_advice import RetestAdvice, retest_advice
from arraywright.errors import CallError
from tests.commissioning.invented import make_site

MIDDAY = dt.datetime(2026, 6, 15, 12, 0, tzinfo=dt.UTC)
SOUND = {
    "verdict": "pass",
    "verdict_measurement": "pass",
    "session_verdict": "pass",
    "voc_verdict": "pass",
    "swapped_with": None,
    "readings": 1,
}


def _advice(
    *rows: Mapping[str, object], now_utc: dt.datetime = MIDDAY, azimuth_deg: float = 180.0
) -> RetestAdvice:
    site = make_site(max(len(rows), 1), azimuth_deg=azimuth_deg)
    names = site.strings["string"].to_list()
    held = [{"string": name, **SOUND, **row} for name, row in zip(names, rows, strict=False)]
    frame = pl.DataFrame(held, schema_overrides={"swapped_with": pl.String})
    return retest_advice(site, frame, now_utc=now_utc)


def test_urgent_strings_come_first_each_with_its_reason() -> None:
    """Swapped labels, then what all readings speak against, then what is missing."""
    open_ = {"verdict": "not_assessable"}
    found = _advice(
        {},
        {**open_, "readings": 0},
        {"session_verdict": "review", "verdict": "review"},
        {**open_, "voc_verdict": "not_assessable"},
        {"swapped_with": "S00001", "session_verdict": "review", "verdict": "review"},
        open_,
        {"verdict": "review", "verdict_measurement": "review"},
    )
    assert found.strings["why"].to_list() == [
        "labels",
        "called",
        "deviates",
        "doubted",
        "stopped",
        "unread",
    ]
    assert found.strings["string"][0] == "S00005"
    assert found.worth_now
    assert "6 strings" in found.sentence


def test_nothing_to_read_again_says_so() -> None:
    """A site whose strings all pass needs no sun."""
    found = _advice({}, {})
    assert found.strings.is_empty()
    assert not found.worth_now
    assert found.sentence == "No string needs to be read again."


@pytest.mark.parametrize(
    ("now_utc", "worth"),
    [
        (MIDDAY, True),
        (dt.datetime(2026, 6, 15, 1, 0, tzinfo=dt.UTC), False),
        (dt.datetime(2026, 6, 15, 18, 30, tzinfo=dt.UTC), False),
    ],
)
def test_worth_it_by_day_and_not_by_night_or_low_sun(now_utc: dt.datetime, *, worth: bool) -> None:
    """Near 40 degrees north in June: noon is at 12:16 UTC, sunset at about 19:45 UTC."""
    found = _advice({"verdict": "review", "session_verdict": "review"}, now_utc=now_utc)
    assert found.worth_now is worth
    assert found.strings["lit_now"].to_list() == [worth]
    assert found.windows
    first = found.windows[0]
    assert (first.begins <= now_utc) is worth
    assert first.ends > now_utc
    assert 600.0 < first.most_w_m2 < 1100.0


def test_north_slope_in_winter_has_no_hour_with_enough_light() -> None:
    """25 degrees to the north near 40 degrees north in December: the sun grazes at best."""
    found = _advice(
        {"verdict": "review", "session_verdict": "review"},
        now_utc=dt.datetime(2026, 12, 20, 12, 0, tzinfo=dt.UTC),
        azimuth_deg=0.0,
    )
    assert found.windows == ()
    assert not found.worth_now
    assert "no hour" in found.sentence


def test_a_moment_without_zone_is_refused() -> None:
    """Noon of where."""
    with pytest.raises(CallError, match="zone"):
        _advice({}, now_utc=dt.datetime(2026, 6, 15, 12, 0))  # noqa: DTZ001
