"""The conditions of each reading: cell temperature, uncertainties, and what stops its tests."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.frames import number, seconds, shaped
from arraywright.commissioning.gates import (
    GATES_OF_TEST,
    TESTS,
    Gate,
    irradiance_change,
    pack,
)
from arraywright.commissioning.instruments import (
    InstrumentsOfReadings,
    instruments_of_readings,
)
from arraywright.commissioning.light import CellTemperature, cell_temperature, sun_gates
from arraywright.commissioning.standard import InsulationLimits
from arraywright.commissioning.tables import INSTRUMENTS, STRING_READINGS
from arraywright.plant import Site

__all__ = ["VOC_IRRADIANCE_MIN_W_M2", "Conditions", "conditions_of"]

VOC_IRRADIANCE_MIN_W_M2: Final = 200.0
"""Least irradiance of an open-circuit voltage test: Voc goes with the logarithm of irradiance, so
200 W/m2 serve where Isc needs more; common practice."""
_VOC_CHANGE_FACTOR: Final = 4.0
_STEADY_WINDOW_S: Final = 300.0
_IRRADIANCE_MAX_W_M2: Final = 1600.0
_TEMP_MIN_C, _TEMP_MAX_C = -50.0, 110.0
_VOLTAGE_MAX_V: Final = 3000.0
_TEST_VOLTAGE_ROUNDING: Final = 0.99
_VALUES_OF_TEST: Final = {
    "polarity": ("polarity",),
    "voc": ("voc_v",),
    "isc": ("isc_a",),
    "insulation": ("riso_pos_megohm", "riso_neg_megohm", "riso_test_voltage_v"),
    "continuity": ("earth_continuity_ohm",),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """Readings with all that a verdict on them needs, arrays of shape (readings,).

    Attributes:
        frame: the readings in the shape of ``STRING_READINGS``.
        string_index: place of the string among the site's strings, -1 where it has none such.
        time_s: moment since 1970 UTC [s], NaN where missing.
        masks: for each test the mask of gates that stop it; 0 where it can be judged.
        voc_v: magnitude of Voc [V].
        isc_a: Isc [A].
        is_reversed: the reading says reversed, by word or by sign.
        irradiance_w_m2: plane irradiance [W/m2].
        irradiance_change_ratio: change to the nearest readings of the sensor, NaN if unknown.
        cell: cell temperature with its uncertainties.
        meter: instrument of Voc and Isc.
        sensor: instrument of the irradiance.
        thermometer: instrument of the temperature.
        tester: instrument of the insulation.
        earth_meter: instrument of the earth continuity: the insulation tester, else the meter.
    """

    frame: pl.DataFrame
    string_index: IntArray
    time_s: FloatArray
    masks: dict[str, IntArray]
    voc_v: FloatArray
    isc_a: FloatArray
    is_reversed: BoolArray
    irradiance_w_m2: FloatArray
    irradiance_change_ratio: FloatArray
    cell: CellTemperature
    meter: InstrumentsOfReadings
    sensor: InstrumentsOfReadings
    thermometer: InstrumentsOfReadings
    tester: InstrumentsOfReadings
    earth_meter: InstrumentsOfReadings


def conditions_of(
    site: Site,
    readings: pl.DataFrame,
    *,
    instruments: pl.DataFrame,
    limits: InsulationLimits,
    now_s: float,
    earliest_s: float,
) -> Conditions:
    """Judge the conditions of each reading, test by test.

    Args:
        site: the site.
        readings: frame of ``STRING_READINGS``.
        instruments: frame of ``INSTRUMENTS``.
        limits: what the insulation of each string of the site must reach, (strings,).
        now_s: the present moment since 1970 UTC [s].
        earliest_s: the moment before which no reading can have been made [s].

    Raises:
        CallError: a column is absent or a time has no time zone.
    """
    frame = shaped(readings, STRING_READINGS)
    frame = frame.sort([c.name for c in STRING_READINGS.columns], nulls_last=True)
    tools = shaped(instruments, INSTRUMENTS)
    place = pl.DataFrame(
        {"string": site.strings["string"]},
        schema={"string": pl.String},
    ).with_row_index("place")
    string_index = (
        frame.select("string")
        .join(place, on="string", how="left", maintain_order="left")["place"]
        .cast(pl.Int64)
        .fill_null(-1)
        .to_numpy()
        .astype(np.int64)
    )
    days = frame.with_columns(
        local_day=pl.col("measured_at").dt.convert_time_zone(site.time_zone).dt.date(),
        earth_meter=pl.coalesce("insulation_tester", "meter"),
    )
    meter = instruments_of_readings(
        tools,
        days,
        column="meter",
        fields=("voltage_uncertainty_ratio", "current_uncertainty_ratio"),
    )
    sensor = instruments_of_readings(
        tools, days, column="irradiance_sensor", fields=("irradiance_uncertainty_ratio",)
    )
    thermometer = instruments_of_readings(
        tools, days, column="thermometer", fields=("temperature_uncertainty_k",)
    )
    tester, earth_meter = (
        instruments_of_readings(
            tools, days, column=column, fields=("resistance_uncertainty_ratio",)
        )
        for column in ("insulation_tester", "earth_meter")
    )
    time_s = seconds(frame, "measured_at")
    irradiance = number(frame, "irradiance_w_m2")
    impossible = (irradiance < 0) | (irradiance > _IRRADIANCE_MAX_W_M2)
    change = irradiance_change(
        np.where(impossible, np.nan, irradiance),
        time_s,
        sensor=sensor.code,
        window_s=_STEADY_WINDOW_S,
    )
    cell = cell_temperature(
        irradiance_w_m2=irradiance,
        module_temp_c=number(frame, "module_temp_c"),
        air_temp_c=number(frame, "air_temp_c"),
        wind_m_s=number(frame, "wind_m_s"),
        thermometer_u_k=thermometer.uncertainty["temperature_uncertainty_k"],
        own_u_k=site.commissioning.cell_temp_uncertainty_k,
    )
    signed = number(frame, "voc_v")
    word = frame["polarity"].str.to_lowercase()
    is_reversed = (word == "reversed").fill_null(value=False).to_numpy() | (signed < 0)
    common = _instrument_gates(
        meter=meter, sensor=sensor, thermometer=thermometer, tester=tester, earth_meter=earth_meter
    )
    common |= {
        Gate.STRING_UNKNOWN: string_index < 0,
        Gate.TIME_MISSING: np.isnan(time_s),
        Gate.TIME_FUTURE: time_s > now_s,
        Gate.TIME_TOO_EARLY: time_s < earliest_s,
        Gate.IRRADIANCE_MISSING: np.isnan(irradiance),
        Gate.IRRADIANCE_IMPOSSIBLE: impossible,
        Gate.TEMPERATURE_MISSING: np.isnan(cell.measured_c),
        Gate.TEMPERATURE_IMPOSSIBLE: (cell.measured_c < _TEMP_MIN_C)
        | (cell.measured_c > _TEMP_MAX_C),
    }
    common |= sun_gates(site, string_index=string_index, time_s=time_s, irradiance_w_m2=irradiance)
    shared = pack(common, len(frame))
    special = _special_gates(
        site,
        frame,
        irradiance=irradiance,
        change=change,
        string_index=string_index,
        limits=limits,
        is_reversed=is_reversed,
    )
    contradicted = _contradicted(frame)
    masks: dict[str, IntArray] = {}
    for test in TESTS:
        stops = np.full(len(frame), GATES_OF_TEST[test].value, dtype=np.int64)
        if test == "polarity":
            # a reversed string is a hazard whatever the meter's calibration
            stops[is_reversed] &= ~np.int64((Gate.METER_UNKNOWN | Gate.METER_LAPSED).value)
        own = pack(special[test] | {Gate.CONTRADICTED: contradicted[test]}, len(frame))
        masks[test] = (shared & stops) | own
    isc = number(frame, "isc_a")
    return Conditions(
        frame=frame,
        string_index=string_index,
        time_s=time_s,
        masks=masks,
        voc_v=np.abs(signed),
        isc_a=np.where(is_reversed, np.abs(isc), isc),
        is_reversed=is_reversed,
        irradiance_w_m2=irradiance,
        irradiance_change_ratio=change,
        cell=cell,
        meter=meter,
        sensor=sensor,
        thermometer=thermometer,
        tester=tester,
        earth_meter=earth_meter,
    )


def _instrument_gates(
    *,
    meter: InstrumentsOfReadings,
    sensor: InstrumentsOfReadings,
    thermometer: InstrumentsOfReadings,
    tester: InstrumentsOfReadings,
    earth_meter: InstrumentsOfReadings,
) -> dict[Gate, BoolArray]:
    """Gates of the kinds of instrument."""
    out: dict[Gate, BoolArray] = {}
    for held, unknown, lapsed in (
        (meter, Gate.METER_UNKNOWN, Gate.METER_LAPSED),
        (sensor, Gate.SENSOR_UNKNOWN, Gate.SENSOR_LAPSED),
        (thermometer, Gate.THERMOMETER_UNKNOWN, Gate.THERMOMETER_LAPSED),
        (tester, Gate.TESTER_UNKNOWN, Gate.TESTER_LAPSED),
        (earth_meter, Gate.EARTH_METER_UNKNOWN, Gate.EARTH_METER_LAPSED),
    ):
        out[unknown] = ~(held.named & held.known)
        out[lapsed] = held.known & ~held.covered
    return out


def _special_gates(
    site: Site,
    frame: pl.DataFrame,
    *,
    irradiance: FloatArray,
    change: FloatArray,
    string_index: IntArray,
    limits: InsulationLimits,
    is_reversed: BoolArray,
) -> dict[str, dict[Gate, BoolArray]]:
    """Gates that differ from test to test."""
    wanted = site.commissioning
    voc, isc = number(frame, "voc_v"), number(frame, "isc_a")
    pos, neg = number(frame, "riso_pos_megohm"), number(frame, "riso_neg_megohm")
    at_v, earth = number(frame, "riso_test_voltage_v"), number(frame, "earth_continuity_ohm")
    word = frame["polarity"].str.to_lowercase()
    named = frame["polarity"].is_not_null().to_numpy()
    understood = word.is_in(["correct", "reversed"]).fill_null(value=False).to_numpy()
    voc_least = min(VOC_IRRADIANCE_MIN_W_M2, wanted.irradiance_min_w_m2)
    needed_v = np.append(limits.test_voltage_v, np.nan)[string_index]
    least = np.append(limits.least_megohm, np.nan)[string_index]
    lower = np.fmin(pos, neg)
    # a failing pole fails, whatever is missing besides
    fails = lower < least
    return {
        "polarity": {
            Gate.VALUE_MISSING: ~named & ~(np.abs(voc) > 0),
            Gate.VALUE_IMPOSSIBLE: named & ~understood & ~is_reversed,
        },
        "voc": {
            Gate.VALUE_MISSING: np.isnan(voc),
            Gate.VALUE_IMPOSSIBLE: np.abs(voc) > _VOLTAGE_MAX_V,
            Gate.IRRADIANCE_LOW: irradiance < voc_least,
            Gate.IRRADIANCE_MOVING: change > _VOC_CHANGE_FACTOR * wanted.irradiance_change_ratio,
        },
        "isc": {
            Gate.VALUE_MISSING: np.isnan(isc),
            Gate.VALUE_IMPOSSIBLE: (isc < 0) & ~is_reversed,
            Gate.IRRADIANCE_LOW: irradiance < wanted.irradiance_min_w_m2,
            Gate.IRRADIANCE_MOVING: change > wanted.irradiance_change_ratio,
        },
        "insulation": {
            Gate.VALUE_MISSING: np.isnan(pos) & np.isnan(neg),
            Gate.VALUE_IMPOSSIBLE: lower < 0,
            Gate.ONE_POLE_ONLY: (np.isnan(pos) ^ np.isnan(neg)) & ~fails,
            Gate.TEST_VOLTAGE_MISSING: np.isnan(at_v) & ~fails,
            Gate.TEST_VOLTAGE_LOW: (at_v < _TEST_VOLTAGE_ROUNDING * needed_v) & ~fails,
        },
        "continuity": {
            Gate.VALUE_MISSING: np.isnan(earth),
            Gate.VALUE_IMPOSSIBLE: earth < 0,
        },
    }


def _contradicted(frame: pl.DataFrame) -> dict[str, BoolArray]:
    """Per test: another row of the same string and moment gives another value."""
    if frame.is_empty():
        return {test: np.zeros(0, dtype=np.bool_) for test in TESTS}
    keys = ["string", "measured_at"]
    out: dict[str, BoolArray] = {}
    for test, columns in _VALUES_OF_TEST.items():
        differing = [
            pl.col(name).drop_nulls().n_unique().over(keys).alias(name) > 1 for name in columns
        ]
        if test in {"voc", "isc"}:
            # the conditions belong to the value
            differing += [
                pl.col(name).drop_nulls().n_unique().over(keys).alias(name) > 1
                for name in ("irradiance_w_m2", "module_temp_c")
            ]
        out[test] = frame.select(any=pl.any_horizontal(differing))["any"].to_numpy()
    return out
