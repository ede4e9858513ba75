"""The tables a test comes with."""

from __future__ import annotations

from typing import Final

from arraywright.tables import Column, TableSpec

__all__ = ["INSTRUMENTS", "IV_POINTS", "SITE_TESTS", "STRING_READINGS"]

STRING_READINGS: Final = TableSpec(
    kind="string_readings",
    title="string readings",
    columns=(
        Column(name="string", kind="text", required=True, meaning="string name"),
        Column(name="measured_at", kind="time", required=True, meaning="moment of the reading"),
        Column(name="polarity", kind="text", meaning="'correct' or 'reversed', if not by sign"),
        Column(name="voc_v", kind="number", unit="V", meaning="open-circuit voltage, signed"),
        Column(name="isc_a", kind="number", unit="A", meaning="short-circuit current"),
        Column(
            name="load_a", kind="number", unit="A", meaning="current under load, by clamp meter"
        ),
        Column(
            name="irradiance_w_m2", kind="number", unit="W/m2", meaning="irradiance in the plane"
        ),
        Column(
            name="module_temp_c", kind="number", unit="degC", meaning="back-surface temperature"
        ),
        Column(name="air_temp_c", kind="number", unit="degC", meaning="air temperature"),
        Column(name="wind_m_s", kind="number", unit="m/s", meaning="wind speed"),
        Column(
            name="riso_pos_megohm", kind="number", unit="Mohm", meaning="insulation, + to earth"
        ),
        Column(
            name="riso_neg_megohm", kind="number", unit="Mohm", meaning="insulation, - to earth"
        ),
        Column(
            name="riso_test_voltage_v", kind="number", unit="V", meaning="insulation test voltage"
        ),
        Column(
            name="pos_earth_v", kind="number", unit="V", meaning="positive pole to earth, isolated"
        ),
        Column(
            name="neg_earth_v", kind="number", unit="V", meaning="negative pole to earth, isolated"
        ),
        Column(name="earth_continuity_ohm", kind="number", unit="ohm", meaning="earth continuity"),
        Column(name="meter", kind="text", meaning="instrument that read Voc and Isc"),
        Column(name="irradiance_sensor", kind="text", meaning="instrument of the irradiance"),
        Column(name="thermometer", kind="text", meaning="instrument of the temperatures"),
        Column(name="insulation_tester", kind="text", meaning="instrument of the insulation"),
        Column(name="person", kind="text", meaning="who read"),
    ),
    identity=("string", "measured_at"),
)

INSTRUMENTS: Final = TableSpec(
    kind="instruments",
    title="instruments",
    columns=(
        Column(name="instrument", kind="text", required=True, meaning="number of the instrument"),
        Column(name="description", kind="text", meaning="what it is, in words"),
        Column(name="calibrated_on", kind="date", meaning="day of the last calibration"),
        Column(name="calibration_due_on", kind="date", required=True, meaning="day it lapses"),
        Column(
            name="voltage_uncertainty_ratio",
            kind="number",
            unit="1",
            meaning="standard, of reading",
        ),
        Column(
            name="current_uncertainty_ratio",
            kind="number",
            unit="1",
            meaning="standard, of reading",
        ),
        Column(
            name="irradiance_uncertainty_ratio",
            kind="number",
            unit="1",
            meaning="standard, of reading",
        ),
        Column(
            name="temperature_uncertainty_k", kind="number", unit="K", meaning="standard, absolute"
        ),
        Column(
            name="resistance_uncertainty_ratio",
            kind="number",
            unit="1",
            meaning="standard, of reading",
        ),
        Column(
            name="input_resistance_megohm",
            kind="number",
            unit="Mohm",
            meaning="input resistance of a voltmeter",
        ),
    ),
    identity=("instrument",),
)

IV_POINTS: Final = TableSpec(
    kind="iv_points",
    title="I-V curves, one row per point",
    columns=(
        Column(name="string", kind="text", required=True, meaning="string name"),
        Column(name="measured_at", kind="time", required=True, meaning="moment of the curve"),
        Column(name="voltage_v", kind="number", unit="V", required=True, meaning="voltage"),
        Column(name="current_a", kind="number", unit="A", required=True, meaning="current"),
        Column(
            name="irradiance_w_m2", kind="number", unit="W/m2", meaning="irradiance in the plane"
        ),
        Column(
            name="module_temp_c", kind="number", unit="degC", meaning="back-surface temperature"
        ),
        Column(name="point_s", kind="number", unit="s", meaning="time of the point in its sweep"),
        Column(name="meter", kind="text", meaning="instrument of the curve"),
        Column(name="irradiance_sensor", kind="text", meaning="instrument of the irradiance"),
        Column(name="thermometer", kind="text", meaning="instrument of the temperature"),
    ),
    identity=("string", "measured_at", "voltage_v", "point_s"),
)

SITE_TESTS: Final = TableSpec(
    kind="site_tests",
    title="tests and inspections",
    columns=(
        Column(
            name="subject",
            kind="text",
            required=True,
            meaning="string, combiner box or inverter by name, or 'site'",
        ),
        Column(name="test", kind="text", required=True, meaning="which test or inspection"),
        Column(name="measured_at", kind="time", required=True, meaning="moment of the test"),
        Column(name="result", kind="text", meaning="'pass' or 'fail'"),
        Column(name="earth_continuity_ohm", kind="number", unit="ohm", meaning="earth continuity"),
        Column(
            name="riso_pos_megohm", kind="number", unit="Mohm", meaning="insulation, + to earth"
        ),
        Column(
            name="riso_neg_megohm", kind="number", unit="Mohm", meaning="insulation, - to earth"
        ),
        Column(
            name="riso_test_voltage_v", kind="number", unit="V", meaning="insulation test voltage"
        ),
        Column(name="weather", kind="text", meaning="'dry' or 'wet' surfaces"),
        Column(
            name="irradiance_w_m2", kind="number", unit="W/m2", meaning="irradiance in the plane"
        ),
        Column(
            name="hotter_by_k", kind="number", unit="K", meaning="temperature above like places"
        ),
        Column(name="reference", kind="text", meaning="thermogram, photo or sheet it refers to"),
        Column(name="instrument", kind="text", meaning="instrument of the test"),
        Column(name="person", kind="text", meaning="who tested"),
        Column(name="remark", kind="text", meaning="what was seen"),
    ),
    identity=("subject", "test", "measured_at", "reference"),
)
