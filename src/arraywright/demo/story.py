"""The demo's own clock: every step happens on its day of the invented story."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from arraywright.demo.scenario import Scenario

__all__ = ["StoryClock", "story_clock"]


class StoryClock:
    """A clock that is turned from day to day of the story."""

    def __init__(self, zone: ZoneInfo, first: date) -> None:
        self._zone = zone
        self.turn_to(first, 9)

    def turn_to(self, day: date, hour: int) -> None:
        """Turn to an hour of a day, in the site's own time."""
        self._moment = datetime.combine(day, time(hour), tzinfo=self._zone).astimezone(UTC)

    def now(self) -> datetime:
        """Give the present moment of the story; each look at the clock takes a second."""
        self._moment += timedelta(seconds=1)
        return self._moment


def story_clock(scenario: Scenario) -> StoryClock:
    """Give the clock of a scenario, standing at the day its design is checked."""
    return StoryClock(ZoneInfo(scenario.time_zone), scenario.checked_on)
