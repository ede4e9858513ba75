"""The files of the morning after: inspections, functions, thermograms, poles to earth."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from datetime import datetime, time, timedelta
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

import numpy as np

from arraywright.demo.built import Built, at_moment
from arraywright.demo.scenario import Scenario
from arraywright.physics.strings import string_open_circuit_voltage

__all__ = ["write_next_morning"]

_IRRADIANCE_W_M2: Final = 806.0
_BACK_C: Final = 44.0
_METER_MEGOHM: Final = 10.0


def write_next_morning(
    folder: Path, scenario: Scenario, *, built: Built, inverters: Sequence[str]
) -> tuple[Path, ...]:
    """Write what was inspected and tested on the morning after the test day.

    The string with low insulation is isolated, and each pole is read to earth: the place of its
    earth fault follows.

    Args:
        folder: where the files go.
        scenario: the demo scenario.
        built: what truly hangs in each string.
        inverters: names of the inverters.
    """
    rng = np.random.default_rng(scenario.seed + 2)
    start = datetime.combine(
        scenario.test_day + timedelta(days=1), time(9, 0), tzinfo=ZoneInfo(scenario.time_zone)
    )
    tables: dict[str, tuple[Sequence[str], list[list[str]]]] = {
        "inspections.csv": (
            ("Subject", "Test", "Measured at", "Result", "Tested by", "Remark"),
            _inspections(start, inverters),
        ),
        "bonding.csv": (
            ("Subject", "Test", "Measured at", "Earth continuity [ohm]", "Instrument", "Tested by"),
            _bonding(start, inverters, rng),
        ),
        "thermograms.csv": (
            (
                *("Subject", "Test", "Measured at", "Irradiance [W/m2]", "Hotter by [K]"),
                *("Thermogram", "Instrument", "Tested by"),
            ),
            _thermograms(start + timedelta(minutes=70), scenario, built, rng),
        ),
        "poles-to-earth.csv": (
            (
                *("String", "Measured at", "U + to earth [V]", "U - to earth [V]"),
                *("Irradiance [W/m2]", "Module temperature [degC]", "Meter"),
                *("Irradiance sensor", "Thermometer", "Tested by"),
            ),
            [_poles(start + timedelta(minutes=50), scenario, built, rng)],
        ),
    }
    paths = []
    for name, (headings, rows) in tables.items():
        path = folder / name
        with path.open("w", encoding="utf-8", newline="") as out:
            writer = csv.writer(out, lineterminator="\n")
            writer.writerow(headings)
            writer.writerows(rows)
        paths.append(path)
    return tuple(paths)


def _inspections(start: datetime, inverters: Sequence[str]) -> list[list[str]]:
    """Give inspection, shade and the functions of every inverter."""
    at = start.isoformat(timespec="seconds")
    rows = [
        ["site", "inspection", at, "pass", "test team 1", "labels and covers complete"],
        ["site", "shade", at, "pass", "test team 1", "horizon recorded"],
    ]
    for place, name in enumerate(inverters):
        at = (start + timedelta(minutes=5 * (place + 1))).isoformat(timespec="seconds")
        rows += [
            [name, test, at, "pass", "test team 2", remark]
            for test, remark in (
                ("functional-switchgear", "opens and closes"),
                ("functional-inverter", "starts, feeds in, stops"),
                ("functional-mains-loss", "stopped at once, started again after its time"),
            )
        ]
    return rows


def _bonding(
    start: datetime, inverters: Sequence[str], rng: np.random.Generator
) -> list[list[str]]:
    """Give the continuity of the earthing of every inverter."""
    return [
        [
            *(name, "continuity"),
            (start + timedelta(minutes=5 * (place + 1))).isoformat(timespec="seconds"),
            *(f"{rng.uniform(0.04, 0.16):.2f}", "EC-51", "test team 2"),
        ]
        for place, name in enumerate(inverters)
    ]


def _thermograms(
    start: datetime, scenario: Scenario, built: Built, rng: np.random.Generator
) -> list[list[str]]:
    """Give a thermogram of every string under load; the shorted diode warms its junction box."""
    rows = []
    for number, name in enumerate(built.names, start=1):
        moment = start + timedelta(seconds=20 * number)
        hotter = rng.uniform(0.6, 3.2)
        if number == scenario.shorted_diode_string:
            hotter = 11.5
        rows.append(
            [
                *(name, "thermogram", moment.isoformat(timespec="seconds")),
                *(f"{_IRRADIANCE_W_M2 + rng.normal(0.0, 4.0):.0f}", f"{hotter:.1f}"),
                *(f"IR-{number:03d}", "TC-41", "test team 1"),
            ]
        )
    return rows


def _poles(
    moment: datetime, scenario: Scenario, built: Built, rng: np.random.Generator
) -> list[str]:
    """Give the reading of both poles of the faulty string to earth, one after the other.

    By Ohm's law: the meter lies in series with the fault, from a pole over earth to the place of
    the fault.
    """
    number = scenario.low_insulation_string
    diode, offsets, shorted = at_moment(
        built,
        [number],
        np.array([_IRRADIANCE_W_M2]),
        np.array([_BACK_C + 3.0 * _IRRADIANCE_W_M2 / 1000.0]),
    )
    each = np.arange(int(offsets[-1]) + 1, dtype=np.int64)
    volts = string_open_circuit_voltage(
        diode, offsets=each, bypass_substrings=shorted.shape[1], substring_shorted=shorted
    )
    whole = int(scenario.earth_fault_position)
    above = volts[:whole].sum() + (scenario.earth_fault_position - whole) * volts[whole]
    share = _METER_MEGOHM / (_METER_MEGOHM + scenario.earth_fault_megohm)
    noise = rng.normal(1.0, 0.0004, 2)
    return [
        *(built.names[number - 1], moment.isoformat(timespec="seconds")),
        f"{above * share * noise[0]:.1f}",
        f"{-(volts.sum() - above) * share * noise[1]:.1f}",
        *(f"{_IRRADIANCE_W_M2:.0f}", f"{_BACK_C:.1f}", "MX-02", "GS-12", "TH-22", "test team 2"),
    ]
