"""The files of the test day: as-built list, instruments, string readings, I-V curves."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from arraywright.demo.built import Built, at_moment, build
from arraywright.demo.scenario import Scenario
from arraywright.demo.weather import Afternoon, make_afternoon
from arraywright.physics.strings import (
    string_curve,
    string_open_circuit_voltage,
    string_short_circuit_current,
)
from arraywright.plant import ModuleType

__all__ = ["TestDay", "write_test_files"]

_READING_S = 75
_LEAST_W_M2 = 500.0
_LOCAL_SCATTER_K = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class TestDay:
    """What the test day wrote, and what was truly the case.

    Attributes:
        paths: files in the order they were written.
        built: what truly hangs in each string.
        wrong_serial: the serial of another class that was built in.
        wrong_string: the string it was built into.
    """

    __test__ = False

    paths: tuple[Path, ...]
    built: Built
    wrong_serial: str
    wrong_string: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reading:
    string: int
    second: int
    meter: str
    team: int


def _steady(afternoon: Afternoon, second: int) -> bool:
    """Tell whether the sun was steady around a reading, its neighbours in time included."""
    around = afternoon.irradiance_w_m2[max(0, second - 150) : second + 150]
    return bool(around.min() > _LEAST_W_M2 and np.ptp(around) < 0.03 * around.mean())


def _schedule(scenario: Scenario, afternoon: Afternoon, count: int) -> list[_Reading]:
    """Let two teams walk the strings; what was read near a cloud is read again at the end."""
    readings: list[_Reading] = []
    for team in (0, 1):
        second = 1800 + 20 * team
        half = range(1, count // 2 + 1) if team == 0 else range(count // 2 + 1, count + 1)
        cloudy: list[bool] = []
        for string in half:
            waited = 0
            while not _steady(afternoon, second) and waited < 150:
                second += 30
                waited += 30
            lapsed = string in scenario.lapsed_strings
            meter = "MX-03" if lapsed else f"MX-0{team + 1}"
            readings.append(_Reading(string=string, second=second, meter=meter, team=team))
            cloudy.append(not _steady(afternoon, second))
            second += _READING_S
        near = np.convolve(cloudy, np.ones(3), mode="same") > 0
        for string, again in zip(half, near, strict=True):
            if not again or string in scenario.lapsed_strings:
                continue
            while not _steady(afternoon, second):
                second += 20
            readings.append(
                _Reading(string=string, second=second, meter=f"MX-0{team + 1}", team=team)
            )
            second += _READING_S
    return sorted(readings, key=lambda one: one.second)


def _comma(value: float, digits: int) -> str:
    return f"{value:.{digits}f}".replace(".", ",")


def _write_readings(
    path: Path,
    scenario: Scenario,
    built: Built,
    *,
    afternoon: Afternoon,
    readings: Sequence[_Reading],
    rng: np.random.Generator,
) -> None:
    seconds = np.array([one.second for one in readings])
    strings = [one.string for one in readings]
    irradiance = afternoon.irradiance_w_m2[seconds]
    cell_mean = afternoon.cell_temp_c[seconds]
    local = rng.normal(0.0, _LOCAL_SCATTER_K, len(built.names))
    cell = cell_mean + local[np.array(strings) - 1]
    diode, offsets, shorted = at_moment(built, strings, irradiance, cell)
    voc = string_open_circuit_voltage(
        diode,
        offsets=offsets,
        bypass_substrings=shorted.shape[1],
        substring_shorted=shorted,
    )
    isc = string_short_circuit_current(
        diode,
        offsets=offsets,
        bypass_substrings=shorted.shape[1],
        substring_shorted=shorted,
    )
    bias = {"MX-01": 1.0004, "MX-02": 0.9997, "MX-03": 1.012}
    voc = voc * [bias[one.meter] for one in readings] * rng.normal(1.0, 0.0003, len(voc))
    isc = isc * rng.normal(1.0, 0.002, len(isc))
    sensed = irradiance * 1.004 * rng.normal(1.0, 0.002, len(isc))
    back = cell_mean - 3.0 * irradiance / 1000.0 + rng.normal(0.0, 0.25, len(isc))
    with path.open("w", encoding="utf-8", newline="") as out:
        out.write("String test protocol\r\n")
        out.write(f"Site: {scenario.site_name}\r\n\r\n")
        writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
        writer.writerow(
            [
                "Date",
                "Time",
                "String",
                "Voc [V]",
                "Isc [A]",
                "Irradiance [W/m²]",
                "Module temperature [°C]",
                "Air temperature [°C]",
                "Wind speed [m/s]",
                "Riso + [MΩ]",
                "Riso - [MΩ]",
                "Riso test voltage [V]",
                "Earth continuity [Ω]",
                "Meter",
                "Irradiance sensor",
                "Thermometer",
                "Insulation tester",
                "Tested by",
            ]
        )
        for index, one in enumerate(readings):
            moment = afternoon.start + timedelta(seconds=one.second)
            sign = -1.0 if one.string == scenario.reversed_string else 1.0
            low = one.string == scenario.low_insulation_string
            sound = _comma(rng.uniform(60.0, 180.0), 0)
            writer.writerow(
                [
                    moment.strftime("%d.%m.%Y"),
                    moment.strftime("%H:%M:%S"),
                    built.names[one.string - 1],
                    _comma(sign * voc[index], 1),
                    _comma(isc[index], 2),
                    _comma(sensed[index], 0),
                    _comma(back[index], 1),
                    _comma(afternoon.air_temp_c[one.second], 1),
                    _comma(afternoon.wind_m_s[one.second], 1),
                    _comma(scenario.earth_fault_megohm, 2) if low else ">200",
                    _comma(scenario.earth_fault_megohm + 0.01, 2) if low else sound,
                    "1500",
                    _comma(rng.uniform(0.04, 0.18), 2),
                    one.meter,
                    f"GS-1{one.team + 1}",
                    f"TH-2{one.team + 1}",
                    "IR-31",
                    f"test team {one.team + 1}",
                ]
            )


def _write_curves(
    path: Path,
    scenario: Scenario,
    built: Built,
    *,
    afternoon: Afternoon,
    start_s: int,
    rng: np.random.Generator,
) -> None:
    second = start_s
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(
            [
                "string",
                "time",
                "voltage (V)",
                "current (A)",
                "irradiance (W/m2)",
                "module temperature (degC)",
                "meter",
                "irradiance sensor",
                "thermometer",
            ]
        )
        for string in scenario.curve_strings:
            while not _steady(afternoon, second):
                second += 20
            irradiance = afternoon.irradiance_w_m2[second]
            cell = afternoon.cell_temp_c[second]
            diode, offsets, shorted = at_moment(
                built,
                [string],
                np.array([irradiance]),
                np.array([cell + rng.normal(0.0, _LOCAL_SCATTER_K)]),
            )
            curve = string_curve(
                diode,
                offsets=offsets,
                points=121,
                bypass_substrings=shorted.shape[1],
                substring_shorted=shorted,
                lead_resistance_ohm=np.array([0.35]),
            )
            moment = (afternoon.start + timedelta(seconds=second)).isoformat(timespec="seconds")
            sensed = irradiance * 1.004
            back = cell - 3.0 * irradiance / 1000.0
            for volt, amp in zip(curve.voltage_v[0], curve.current_a[0], strict=True):
                writer.writerow(
                    [
                        built.names[string - 1],
                        moment,
                        f"{volt * rng.normal(1.0, 0.0003):.2f}",
                        f"{amp + rng.normal(0.0, 0.008):.3f}",
                        f"{sensed:.1f}",
                        f"{back:.1f}",
                        "CV-07",
                        "GS-11",
                        "TH-21",
                    ]
                )
            second += 120


def _write_instruments(path: Path, scenario: Scenario) -> None:
    last_year = date(scenario.test_day.year - 1, 9, 2)
    due = date(scenario.test_day.year, 9, 2)
    lapsed = scenario.test_day - timedelta(days=37)
    rows = [
        ("MX-01", "string tester", last_year, due, "0.1", "0.3", "", "", "2"),
        ("MX-02", "string tester", last_year, due, "0.1", "0.3", "", "", "2"),
        ("MX-03", "string tester", date(2025, 5, 12), lapsed, "0.1", "0.3", "", "", "2"),
        ("CV-07", "curve tester", last_year, due, "0.15", "0.3", "", "", ""),
        ("GS-11", "reference cell", last_year, due, "", "", "1.2", "", ""),
        ("GS-12", "reference cell", last_year, due, "", "", "1.2", "", ""),
        ("TH-21", "surface thermometer", last_year, due, "", "", "", "0.5", ""),
        ("TH-22", "surface thermometer", last_year, due, "", "", "", "0.5", ""),
        ("IR-31", "insulation tester", last_year, due, "", "", "", "", "5"),
        ("EC-51", "earth continuity tester", last_year, due, "", "", "", "", "2"),
        ("TC-41", "thermal camera", last_year, due, "", "", "", "1.0", ""),
    ]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(
            [
                "Instrument",
                "Description",
                "Calibrated on",
                "Calibration due",
                "Voltage uncertainty [%]",
                "Current uncertainty [%]",
                "Irradiance uncertainty [%]",
                "Temperature uncertainty [K]",
                "Resistance uncertainty [%]",
            ]
        )
        for row in rows:
            writer.writerow([cell.isoformat() if isinstance(cell, date) else cell for cell in row])


def _write_as_built(path: Path, scenario: Scenario, as_built: pl.DataFrame) -> None:
    zone = ZoneInfo(scenario.time_zone)
    days: list[datetime] = []
    day = scenario.building_start
    while len(days) * scenario.modules_per_day < as_built.height:
        if day.weekday() < 5 and day not in scenario.holidays:
            days.append(datetime.combine(day, time(7, 30), tzinfo=zone))
        day += timedelta(days=1)
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["Serial number", "String", "Place in string", "Placed at", "Placed by"])
        for index, row in enumerate(
            as_built.select("serial", "string", "place_in_string").iter_rows()
        ):
            place = index % scenario.modules_per_day
            moment = days[index // scenario.modules_per_day] + timedelta(seconds=40 * place)
            writer.writerow(
                [*row, moment.isoformat(timespec="seconds"), f"crew {1 + index // 26 % 3}"]
            )


def write_test_files(
    folder: Path,
    scenario: Scenario,
    *,
    modules: pl.DataFrame,
    plan: pl.DataFrame,
    strings: Sequence[str],
    module_type: ModuleType,
) -> TestDay:
    """Build the plan, with one module of another class slipped in, test it, write the files.

    Args:
        folder: where the files go.
        scenario: the demo scenario.
        modules: every module delivered, of ``make_modules``.
        plan: planned serial per string and place (string, place_in_string, serial).
        strings: names of the strings in building order.
        module_type: the type of all modules.
    """
    rng = np.random.default_rng(scenario.seed + 1)
    true = modules.select(
        "serial", "power_class_w", "current_class", "^true_.*$", "pallet_number"
    ).unique("serial", maintain_order=True)
    as_built = plan.select("string", "place_in_string", "serial").join(
        true, on="serial", how="left", maintain_order="left"
    )
    wrong_string = strings[scenario.wrong_module_string - 1]
    classes = as_built.filter(pl.col("string") == wrong_string)
    held = {
        scenario.short_pallet,
        scenario.wrong_class_pallet,
        *(number for pair in scenario.doubled_pallets for number in pair),
    }
    other = true.filter(
        (pl.col("power_class_w") != classes["power_class_w"][0])
        & ~pl.col("serial").is_in(as_built["serial"].implode())
        & ~pl.col("pallet_number").is_in(sorted(held))
    ).row(0, named=True)
    here = (pl.col("string") == wrong_string) & (pl.col("place_in_string") == 14)
    as_built = as_built.with_columns(
        pl.when(here).then(pl.lit(other[name])).otherwise(pl.col(name)).alias(name)
        for name in other
    )
    afternoon = make_afternoon(scenario, rng)
    built = build(scenario, strings, as_built, module_type)
    paths = tuple(
        folder / name
        for name in ("as-built.csv", "instruments.csv", "string-readings.csv", "iv-curves.csv")
    )
    folder.mkdir(parents=True, exist_ok=True)
    _write_as_built(paths[0], scenario, as_built)
    _write_instruments(paths[1], scenario)
    readings = _schedule(scenario, afternoon, len(built.names))
    _write_readings(paths[2], scenario, built, afternoon=afternoon, readings=readings, rng=rng)
    _write_curves(
        paths[3],
        scenario,
        built,
        afternoon=afternoon,
        start_s=readings[-1].second + 200,
        rng=rng,
    )
    return TestDay(
        paths=paths,
        built=built,
        wrong_serial=str(other["serial"]),
        wrong_string=wrong_string,
    )
