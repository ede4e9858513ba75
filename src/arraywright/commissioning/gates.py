"""Reasons for which a reading carries no verdict, each with its words and its remedy."""

from __future__ import annotations

from enum import IntFlag
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray

__all__ = [
    "GATES_OF_TEST",
    "GATE_REMEDIES",
    "GATE_WORDS",
    "LIGHT_GATES",
    "TESTS",
    "Gate",
    "gate_codes",
    "irradiance_change",
    "pack",
    "texts_of_masks",
]

TESTS: Final = ("polarity", "voc", "isc", "insulation", "continuity")
"""The tests of a string, in the order in which they are made and shown."""


class Gate(IntFlag):
    """Why a reading of one test is not assessable; several reasons may hold at once."""

    STRING_UNKNOWN = 1 << 0
    TIME_MISSING = 1 << 1
    TIME_FUTURE = 1 << 2
    TIME_TOO_EARLY = 1 << 3
    CONTRADICTED = 1 << 4
    IRRADIANCE_MISSING = 1 << 5
    IRRADIANCE_IMPOSSIBLE = 1 << 6
    IRRADIANCE_LOW = 1 << 7
    IRRADIANCE_MOVING = 1 << 8
    IRRADIANCE_ABOVE_SKY = 1 << 9
    SUN_DOWN = 1 << 10
    SUN_BEHIND = 1 << 11
    PLANE_UNKNOWN = 1 << 12
    TEMPERATURE_MISSING = 1 << 13
    TEMPERATURE_IMPOSSIBLE = 1 << 14
    METER_UNKNOWN = 1 << 15
    METER_LAPSED = 1 << 16
    SENSOR_UNKNOWN = 1 << 17
    SENSOR_LAPSED = 1 << 18
    THERMOMETER_UNKNOWN = 1 << 19
    THERMOMETER_LAPSED = 1 << 20
    TESTER_UNKNOWN = 1 << 21
    TESTER_LAPSED = 1 << 22
    VALUE_MISSING = 1 << 23
    VALUE_IMPOSSIBLE = 1 << 24
    TEST_VOLTAGE_MISSING = 1 << 25
    TEST_VOLTAGE_LOW = 1 << 26
    ONE_POLE_ONLY = 1 << 27
    EARTH_METER_UNKNOWN = 1 << 28
    EARTH_METER_LAPSED = 1 << 29
    CURVE_NOISY = 1 << 30
    CURVE_HYSTERESIS = 1 << 31


_WORDS: Final[dict[Gate, tuple[str, str]]] = {
    Gate.STRING_UNKNOWN: (
        "the site has no string of this name",
        "Correct the string name in the readings.",
    ),
    Gate.TIME_MISSING: ("the time of the reading is missing", "Give date, time and time zone."),
    Gate.TIME_FUTURE: (
        "the reading lies in the future",
        "Check the clock of the instrument and the time zone of the file.",
    ),
    Gate.TIME_TOO_EARLY: (
        "the reading is older than the modules can have been on site",
        "Check the date and the clock of the instrument.",
    ),
    Gate.CONTRADICTED: (
        "two readings of the same moment contradict each other",
        "Find out which one is right, or test again.",
    ),
    Gate.IRRADIANCE_MISSING: (
        "the irradiance is missing",
        "Measure the irradiance in the plane of the modules with each reading.",
    ),
    Gate.IRRADIANCE_IMPOSSIBLE: (
        "the irradiance cannot be true (below 0 or above 1600 W/m2)",
        "Check the sensor and the unit of the column.",
    ),
    Gate.IRRADIANCE_LOW: (
        "the irradiance is too low for this test",
        "Test again when the sun is stronger.",
    ),
    Gate.IRRADIANCE_MOVING: (
        "the irradiance was moving",
        "Test again under a steady sky, with the irradiance read at the same moment.",
    ),
    Gate.IRRADIANCE_ABOVE_SKY: (
        "the irradiance is more than the sky can give at this place and time",
        "Check the time zone of the file, the clock and the sensor.",
    ),
    Gate.SUN_DOWN: (
        "the sun was below the horizon",
        "Check the time zone of the file and the clock, or test again by day.",
    ),
    Gate.SUN_BEHIND: (
        "the sun was behind the plane of the modules",
        "Test again when the sun stands in front of the modules.",
    ),
    Gate.PLANE_UNKNOWN: (
        "the plane of the string is not known, so the sun cannot be checked",
        "Give the string's positions and structures in the site description.",
    ),
    Gate.TEMPERATURE_MISSING: (
        "neither module nor air temperature is given",
        "Measure the back-surface temperature with each reading.",
    ),
    Gate.TEMPERATURE_IMPOSSIBLE: (
        "the temperature cannot be true (below -50 or above 110 degC)",
        "Check the thermometer and the unit of the column.",
    ),
    Gate.METER_UNKNOWN: (
        "the meter is not named or not in the list of instruments",
        "Name the meter and list it with its calibration.",
    ),
    Gate.METER_LAPSED: (
        "the meter was not within its calibration on that day",
        "Test again with a calibrated meter, or give the certificate that covers the day.",
    ),
    Gate.SENSOR_UNKNOWN: (
        "the irradiance sensor is not named or not in the list of instruments",
        "Name the irradiance sensor and list it with its calibration.",
    ),
    Gate.SENSOR_LAPSED: (
        "the irradiance sensor was not within its calibration on that day",
        "Test again with a calibrated sensor, or give the certificate that covers the day.",
    ),
    Gate.THERMOMETER_UNKNOWN: (
        "the thermometer is not named or not in the list of instruments",
        "Name the thermometer and list it with its calibration.",
    ),
    Gate.THERMOMETER_LAPSED: (
        "the thermometer was not within its calibration on that day",
        "Test again with a calibrated thermometer, or give the certificate that covers the day.",
    ),
    Gate.TESTER_UNKNOWN: (
        "the insulation tester is not named or not in the list of instruments",
        "Name the insulation tester and list it with its calibration.",
    ),
    Gate.TESTER_LAPSED: (
        "the insulation tester was not within its calibration on that day",
        "Test again with a calibrated tester, or give the certificate that covers the day.",
    ),
    Gate.VALUE_MISSING: ("there is no reading of it", "Make this test."),
    Gate.VALUE_IMPOSSIBLE: (
        "the value cannot be true",
        "Check the unit of the column and the instrument, then test again.",
    ),
    Gate.TEST_VOLTAGE_MISSING: (
        "the test voltage is missing",
        "Give the test voltage of the insulation test.",
    ),
    Gate.TEST_VOLTAGE_LOW: (
        "the test voltage is below the one required for this system voltage",
        "Test again at the required voltage, as far as the module maker allows it.",
    ),
    Gate.ONE_POLE_ONLY: (
        "only one pole was tested",
        "Test the insulation of the other pole to earth.",
    ),
    Gate.EARTH_METER_UNKNOWN: (
        "the instrument of the earth continuity is not named or not in the list of instruments",
        "Name the instrument and list it with its calibration.",
    ),
    Gate.EARTH_METER_LAPSED: (
        "the instrument of the earth continuity was not within its calibration on that day",
        "Test again with a calibrated one, or give the certificate that covers the day.",
    ),
    Gate.CURVE_NOISY: (
        "the points of the curve scatter by more than 2 % of the power about its maximum",
        "Clean the contacts of the tracer, use a sweep with more points, and take it again.",
    ),
    Gate.CURVE_HYSTERESIS: (
        "the rising and the falling sweep differ by more than 1 % in maximum power",
        "Sweep more slowly: the capacitance of the cells did not follow; then take it again.",
    ),
}

GATE_WORDS: Final[dict[Gate, str]] = {gate: words for gate, (words, _) in _WORDS.items()}
"""What each gate says to a person."""

GATE_REMEDIES: Final[dict[Gate, str]] = {gate: remedy for gate, (_, remedy) in _WORDS.items()}
"""What a person can do about each gate."""

_READING: Final = Gate.STRING_UNKNOWN | Gate.TIME_MISSING | Gate.TIME_FUTURE | Gate.TIME_TOO_EARLY
_METER: Final = Gate.METER_UNKNOWN | Gate.METER_LAPSED
LIGHT_GATES: Final = (
    Gate.IRRADIANCE_MISSING
    | Gate.IRRADIANCE_IMPOSSIBLE
    | Gate.IRRADIANCE_ABOVE_SKY
    | Gate.SUN_DOWN
    | Gate.SUN_BEHIND
    | Gate.PLANE_UNKNOWN
    | Gate.SENSOR_UNKNOWN
    | Gate.SENSOR_LAPSED
    | Gate.TEMPERATURE_MISSING
    | Gate.TEMPERATURE_IMPOSSIBLE
    | Gate.THERMOMETER_UNKNOWN
    | Gate.THERMOMETER_LAPSED
)

GATES_OF_TEST: Final[dict[str, Gate]] = {
    "polarity": _READING | _METER,
    "voc": _READING | _METER | LIGHT_GATES,
    "isc": _READING | _METER | LIGHT_GATES,
    "insulation": _READING | Gate.TESTER_UNKNOWN | Gate.TESTER_LAPSED,
    "continuity": _READING | Gate.EARTH_METER_UNKNOWN | Gate.EARTH_METER_LAPSED,
}
"""Which reasons common to a whole reading stop which test; insulation and earth continuity
depend on neither light nor temperature."""


def pack(conditions: dict[Gate, BoolArray], rows: int) -> IntArray:
    """Give one mask of gates [1] per reading from the readings each gate holds for, (rows,)."""
    mask = np.zeros(rows, dtype=np.int64)
    for gate, holds in conditions.items():
        mask |= np.where(holds, np.int64(gate.value), np.int64(0))
    return mask


def gate_codes(mask: int) -> list[str]:
    """Give the stable keys of the gates in a mask, for example ``irradiance-low``."""
    return [gate.name.lower().replace("_", "-") for gate in Gate if mask & gate and gate.name]


def texts_of_masks(masks: IntArray, words: dict[Gate, str]) -> pl.Series:
    """Give the words of each mask joined by semicolons, empty where no gate holds, (n,)."""
    unique, inverse = np.unique(masks, return_inverse=True)
    separator = " " if words is GATE_REMEDIES else "; "
    texts = [separator.join(words[gate] for gate in Gate if mask & gate) for mask in unique]
    return pl.Series("text", texts, dtype=pl.String).gather(inverse)


def irradiance_change(
    irradiance_w_m2: FloatArray, time_s: FloatArray, *, sensor: IntArray, window_s: float
) -> FloatArray:
    """Greatest change of irradiance [1] to the nearest readings before and after of one sensor.

    The change is the difference over the greater of the two. Readings further apart than the
    window do not count; readings of the same moment count once, by their mean, so the same
    moment in two rows is no change. NaN where nothing is near enough to tell.

    Args:
        irradiance_w_m2: plane irradiance, NaN where missing, (n,).
        time_s: moments [s], (n,).
        sensor: number of the sensor, (n,).
        window_s: greatest distance in time [s].
    """
    rows = pl.DataFrame({"g": irradiance_w_m2, "t": time_s, "s": sensor}).with_row_index("row")
    held = rows.with_columns(pl.col("g", "t").fill_nan(None)).drop_nulls()
    moments = (
        held.group_by("s", "t")
        .agg(pl.col("g").mean(), low=pl.col("g").min(), high=pl.col("g").max())
        .sort("s", "t")
    )

    def change(step: int) -> pl.Expr:
        other = pl.col("g").shift(step).over("s")
        near = (pl.col("t") - pl.col("t").shift(step).over("s")).abs() <= window_s
        greater = pl.max_horizontal(pl.col("g").abs(), other.abs())
        size = (pl.col("g") - other).abs() / greater
        return pl.when(near & (greater > 0)).then(size)

    moments = moments.with_columns(before=change(1), after=change(-1)).select(
        "s",
        "t",
        # two sensors' rows of one moment that disagree are a change too
        within=pl.when(pl.col("high") > pl.col("low")).then(
            (pl.col("high") - pl.col("low")) / pl.col("high")
        ),
        outside=pl.max_horizontal("before", "after"),
    )
    out = rows.join(
        moments.with_columns(change=pl.max_horizontal("within", "outside")),
        on=["s", "t"],
        how="left",
    ).sort("row")
    return out["change"].cast(pl.Float64).fill_null(float("nan")).to_numpy()
