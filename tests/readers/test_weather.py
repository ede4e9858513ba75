"""Weather files: what stands in them arrives, what is wrong is told, nothing else leaves."""

from __future__ import annotations

import math
from datetime import datetime
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pvlib
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arraywright.design.tables import WEATHER
from arraywright.design.weather import clock_offset, local_calendar
from arraywright.errors import CallError, InputFileError
from arraywright.findings import Finding, Verdict
from arraywright.readers.headings import heading_key, spellings
from arraywright.readers.weather import WeatherReading, read_weather
from tests.design.weather_cases import TMY3_FILE, typical_reading
from tests.published_values import published
from tests.readers.weather_corpus import (
    PLACE,
    csv_text,
    epw_text,
    hour_values,
    read_text,
)

HEADS = published("epw-design-conditions")
TYPICAL = published("tmy3-723170")["expected"]


def _checks(reading: WeatherReading) -> set[str]:
    return {one.check for one in reading.findings}


def _of(reading: WeatherReading, check: str) -> list[Finding]:
    return [one for one in reading.findings if one.check == check]


def test_tmy3_is_what_another_reader_reads() -> None:
    """Every value and time of the open typical year is that of pvlib's own reader."""
    reading = typical_reading()
    frame, place = pvlib.iotools.read_tmy3(TMY3_FILE, map_variables=True)
    weather = reading.weather
    for ours, theirs in (
        (weather.ghi_w_m2, "ghi"),
        (weather.dni_w_m2, "dni"),
        (weather.dhi_w_m2, "dhi"),
        (weather.air_temp_c, "temp_air"),
        (weather.wind_m_s, "wind_speed"),
    ):
        assert np.array_equal(ours, frame[theirs].to_numpy(dtype=np.float64)), theirs
    ends = frame.index.tz_convert("UTC").tz_localize(None).to_numpy()
    apart = np.flatnonzero(weather.time + np.timedelta64(30, "m") != ends.astype("datetime64[us]"))
    # The file goes from 24:00 of 28 February 1996, a leap year, to 1 March of another year; that
    # reader puts this one end of an hour a day later.
    assert weather.time[apart].tolist() == [datetime(1996, 2, 29, 4, 30)]  # noqa: DTZ001
    assert reading.latitude_deg == place["latitude"] == TYPICAL["latitude_deg"]
    assert reading.longitude_deg == place["longitude"] == TYPICAL["longitude_deg"]
    assert reading.elevation_m == place["altitude"] == TYPICAL["elevation_m"]
    assert reading.typical
    assert reading.time_zone == "UTC-05:00"
    assert reading.rows_in == reading.rows_accepted == TYPICAL["hours"]
    assert len(reading.sha256[0]) == 64
    assert reading.findings == ()


def test_epw_is_what_another_reader_reads(tmp_path: Path) -> None:
    """Every value and time of an EPW file is that of pvlib's own reader."""
    reading = read_text(tmp_path, epw_text(), name="town.epw")
    frame, place = pvlib.iotools.read_epw(tmp_path / "town.epw")
    weather = reading.weather
    assert np.array_equal(weather.ghi_w_m2, frame["ghi"].to_numpy(dtype=np.float64))
    assert np.array_equal(weather.dni_w_m2, frame["dni"].to_numpy(dtype=np.float64))
    assert np.array_equal(weather.dhi_w_m2, frame["dhi"].to_numpy(dtype=np.float64))
    assert np.array_equal(weather.air_temp_c, frame["temp_air"].to_numpy(dtype=np.float64))
    assert np.array_equal(weather.wind_m_s, frame["wind_speed"].to_numpy(dtype=np.float64))
    # That reader's times are the starts of the hours.
    starts = frame.index.tz_convert("UTC").tz_localize(None).to_numpy()
    middle = starts.astype("datetime64[us]") + np.timedelta64(30, "m")
    assert np.array_equal(weather.time, middle)
    assert reading.elevation_m == place["altitude"]
    assert reading.place == "Invented Town, XXX"
    assert not reading.typical
    assert reading.file_format == "epw"


def test_extremes_in_the_head_of_an_epw(tmp_path: Path) -> None:
    """Yearly extremes that a head states are read from their places, as in a real head."""
    text = epw_text(hours=48)
    real = HEADS["inputs"]["stations"][0]
    lines = text.splitlines()
    lines[1] = real["head"]
    stated = read_text(tmp_path, "\n".join(lines), name="a.epw").stated
    assert stated is not None
    assert stated.mean_min_c == real["mean_min_c"]
    assert stated.mean_max_c == real["mean_max_c"]
    assert stated.sd_min_k == real["sd_min_k"]
    assert stated.sd_max_k == real["sd_max_k"]
    lines[1] = "DESIGN CONDITIONS,0"
    assert read_text(tmp_path, "\n".join(lines), name="b.epw").stated is None


def test_table_and_epw_of_the_same_hours_agree(tmp_path: Path) -> None:
    """A plain table, whatever its stamps mark, gives the same weather as the EPW."""
    epw = read_text(tmp_path, epw_text(), name="town.epw")
    ended = read_text(tmp_path, csv_text(), stamp="end")
    started = read_text(tmp_path, csv_text(lag_min=-60), name="s.csv", stamp="start")
    middle = read_text(tmp_path, csv_text(lag_min=-30), name="m.csv", stamp="middle")
    for table in (ended, started, middle):
        assert np.array_equal(table.weather.time, epw.weather.time)
        assert np.array_equal(table.weather.ghi_w_m2, epw.weather.ghi_w_m2)
        assert np.array_equal(table.weather.air_temp_c, epw.weather.air_temp_c)
        assert table.file_format == "table"
        assert table.time_zone == "UTC+01:00"
        assert "weather-stamp-assumed" not in _checks(table)
    unsaid = read_text(tmp_path, csv_text(), name="u.csv")
    assert "weather-stamp-assumed" in _checks(unsaid)
    assert np.array_equal(unsaid.weather.time, epw.weather.time)


def test_times_are_middles_and_values_are_theirs(tmp_path: Path) -> None:
    """The hour that ends at 13 o'clock local time has its middle at 11:30 UTC."""
    frame = read_text(tmp_path, epw_text(hours=48), name="a.epw").frame
    row = frame.row(12, named=True)
    assert row["measured_at"].replace(tzinfo=None) == datetime(2019, 1, 1, 11, 30)  # noqa: DTZ001
    assert row["ghi_w_m2"] == hour_values(datetime(2019, 1, 1, 13))[0]  # noqa: DTZ001
    assert row["source_row"] == 8 + 13
    assert row["source_file"] == "a.epw"


def test_missing_marks_are_missing_and_not_values(tmp_path: Path) -> None:
    """What EPW writes for missing is null, a row without air temperature is left out and said."""
    line = epw_text(hours=48).splitlines()[8 + 12].split(",")
    dark, cold = line.copy(), line.copy()
    dark[13] = "9999"
    cold[6] = "99.9"
    cold[3] = "14"
    reading = read_text(
        tmp_path, epw_text(hours=48, edit={12: ",".join(dark), 13: ",".join(cold)}), name="a.epw"
    )
    assert reading.rows_in == 48
    assert reading.rows_accepted == 47
    assert reading.rows_reported == 1
    assert "weather-air-temperature-missing" in _checks(reading)
    # Beam and diffuse of that hour were there: the global is worked out from them.
    assert "weather-light-completed" in _checks(reading)
    assert np.all(np.isfinite(reading.weather.ghi_w_m2))


def test_rows_that_cannot_be_read_are_told_with_their_line(tmp_path: Path) -> None:
    """A short line, a false date and a word for a number are reported where they stand."""
    lines = epw_text(hours=48).splitlines()
    wordy = lines[8 + 7].split(",")
    wordy[13] = "bright"
    falsely = lines[8 + 6].split(",")
    falsely[2] = "32"
    edit = {5: "2019,1,1,6,60", 6: ",".join(falsely), 7: ",".join(wordy)}
    reading = read_text(tmp_path, epw_text(hours=48, edit=edit), name="a.epw")
    assert reading.rows_in == 48
    assert reading.rows_accepted == 46
    assert reading.rows_reported == 2
    places = {
        check: [one.place.row for one in _of(reading, check) if one.place]
        for check in ("row-fields", "time-unreadable", "number-unreadable")
    }
    assert places == {"row-fields": [14], "time-unreadable": [15], "number-unreadable": [16]}
    assert "weather-gaps" in _checks(reading)


def test_what_no_weather_has_is_refused(tmp_path: Path) -> None:
    """Impossible values are reported and not used; slight negatives of the night are zero."""
    line = epw_text(hours=48).splitlines()[8 + 12].split(",")
    hot, odd = line.copy(), line.copy()
    hot[6] = "75.0"
    odd[13], odd[3] = "-3", "2"
    reading = read_text(
        tmp_path, epw_text(hours=48, edit={12: ",".join(hot), 1: ",".join(odd)}), name="a.epw"
    )
    found = _of(reading, "weather-value-impossible")
    assert len(found) == 1
    assert found[0].verdict is Verdict.FAIL
    assert found[0].place is not None
    assert found[0].place.row == 21
    assert reading.weather.ghi_w_m2.min() == 0.0


def test_several_years_in_one_reading(tmp_path: Path) -> None:
    """Files of several years become one weather in the order of time."""
    paths = []
    for year in (2020, 2019):
        path = tmp_path / f"{year}.csv"
        path.write_text(csv_text(year=year, hours=8784 if year == 2020 else 8760))
        paths.append(path)
    reading = read_weather(paths, time_zone="Etc/GMT-1", stamp="end", **PLACE)
    assert reading.rows_accepted == 8784 + 8760
    assert np.all(np.diff(reading.weather.time) == np.timedelta64(3600, "s"))
    assert set(local_calendar(reading.weather).year.tolist()) == {2019, 2020}
    assert not reading.typical
    assert reading.file_names == ("2020.csv", "2019.csv")
    assert "weather-gaps" not in _checks(reading)
    twice = read_weather([paths[0], paths[0]], time_zone="Etc/GMT-1", stamp="end", **PLACE)
    assert twice.rows_accepted == 8784
    assert "weather-time-doubled" in _checks(twice)


def test_months_of_several_years_are_a_typical_year(tmp_path: Path) -> None:
    """A year put together from months of several years is known, whatever its file says."""
    lines = epw_text().splitlines()
    picked = lines[:8]
    for line in lines[8:]:
        fields = line.split(",")
        fields[0] = str(1990 + 3 * (int(fields[1]) % 4))
        picked.append(",".join(fields))
    reading = read_text(tmp_path, "\n".join(picked), name="a.epw")
    assert reading.typical
    assert reading.rows_accepted == 8760
    assert "weather-gaps" not in _checks(reading)
    months = local_calendar(reading.weather).month
    assert np.all(np.diff(months) >= 0)
    named = read_text(tmp_path, epw_text(source="TMY3"), name="b.epw")
    assert named.typical


def test_only_global_light_is_split(tmp_path: Path) -> None:
    """From the global alone beam and diffuse are worked out, and they close to the global."""
    text = csv_text(heading="Zeit;Globalstrahlung [W/m2];Lufttemperatur [°C]", columns=(0, 3))
    reading = read_text(tmp_path, text, stamp="end")
    weather = reading.weather
    assert {"weather-light-completed", "weather-wind-assumed"} <= _checks(reading)
    bright = weather.ghi_w_m2 > 200.0
    assert np.all(weather.dhi_w_m2[bright] > 0.0)
    assert np.all(weather.dhi_w_m2[bright] <= weather.ghi_w_m2[bright] + 1e-9)
    assert np.all(weather.dni_w_m2 >= 0.0)
    assert np.all(weather.wind_m_s == 1.0)


def test_air_temperature_alone_serves_design_temperatures(tmp_path: Path) -> None:
    """Years of air temperature without light are read, and it is said what they cannot do."""
    text = csv_text(heading="fecha y hora;temperatura [°F]", columns=(3,))
    reading = read_text(tmp_path, text, stamp="end")
    assert "weather-without-irradiance" in _checks(reading)
    first = hour_values(datetime(2019, 1, 1, 1))[3]  # noqa: DTZ001
    assert reading.weather.air_temp_c[0] == pytest.approx((first - 32.0) / 1.8)


def test_a_wrong_zone_shows_in_the_light(tmp_path: Path) -> None:
    """A table in another zone than said is noticed from where the sun stood."""
    right = read_text(tmp_path, csv_text(), stamp="end")
    wrong = read_text(tmp_path, csv_text(), stamp="end", time_zone="Etc/GMT+1")
    assert "weather-clock" not in _checks(right)
    (found,) = _of(wrong, "weather-clock")
    assert "+1" in found.message or "-1" in found.message
    assert clock_offset(wrong.weather) - clock_offset(right.weather) == pytest.approx(120, abs=5)


def test_weather_of_another_place_is_told(tmp_path: Path) -> None:
    """Weather of a far or high place is used, but said."""
    far = read_text(tmp_path, epw_text(hours=48), name="a.epw", longitude_deg=1.0)
    high = read_text(tmp_path, epw_text(hours=48), name="a.epw", elevation_m=1500.0)
    near = read_text(tmp_path, epw_text(hours=48), name="a.epw")
    assert "weather-far-from-site" in _checks(far)
    assert "weather-far-from-site" in _checks(high)
    assert "weather-far-from-site" not in _checks(near)
    # A degree of latitude is 111.2 km on a sphere of 6371 km radius.
    north = read_text(tmp_path, epw_text(hours=48), name="a.epw", latitude_deg=41.0)
    (found,) = _of(north, "weather-far-from-site")
    assert "111 km" in found.message


def test_part_years_are_told(tmp_path: Path) -> None:
    """A few months are no year."""
    assert "weather-not-a-year" in _checks(read_text(tmp_path, epw_text(hours=4000), name="a.epw"))


def test_times_of_a_zone_with_summer_time(tmp_path: Path) -> None:
    """Local times with summer time are UTC in the frame, and the calendar stays standard time."""
    reading = read_text(tmp_path, csv_text(), stamp="end", time_zone="Europe/Madrid")
    assert reading.time_zone == "UTC+01:00"
    july = reading.frame.filter(pl.col("measured_at").dt.month() == 7)
    assert july["measured_at"].dt.minute().unique().to_list() == [30]
    assert reading.rows_in == reading.rows_accepted + reading.rows_reported


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"", "file-empty"),
        (b"%PDF-1.7 something", "file-not-a-table"),
        (b"a;b\n1;2\n", "weather-not-recognised"),
        (b"LOCATION,x\nDATA PERIODS,1,1\n", "weather-place-unreadable"),
        (b"LOCATION,x,-,-,-,1,95,0,0,0\nDATA PERIODS,1,1\n", "weather-place-unreadable"),
        (b"LOCATION,x,-,-,-,1,45,0,0,0\n1,2\n", "weather-head-incomplete"),
        (b"LOCATION,x,-,-,-,1,45,0,0,0\nDATA PERIODS,1,1\n", "weather-too-short"),
        (
            b"1,x,y,-5,36,-79,273\nDate (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2)\n",
            "weather-head-incomplete",
        ),
        (b"time;temperature\n2019-01-01 01:00;4\n", "weather-too-short"),
    ],
)
def test_what_is_no_weather_is_refused(tmp_path: Path, content: bytes, code: str) -> None:
    """Each broken file ends in one clear error with a remedy."""
    with pytest.raises(InputFileError) as caught:
        read_text(tmp_path, content, name="broken")
    assert caught.value.code == code
    assert caught.value.remedy


def test_files_that_do_not_belong_together_are_refused(tmp_path: Path) -> None:
    """Two places in one reading are an error; no file and a false zone are slips of the call."""
    (tmp_path / "a.epw").write_text(epw_text(hours=48))
    (tmp_path / "b.epw").write_text(epw_text(hours=48).replace(",40.00,-3.70,", ",52.00,13.00,"))
    with pytest.raises(InputFileError, match="one place"):
        read_weather([tmp_path / "a.epw", tmp_path / "b.epw"], time_zone="Etc/GMT-1", **PLACE)
    with pytest.raises(CallError):
        read_weather([], time_zone="Etc/GMT-1", **PLACE)
    with pytest.raises(CallError, match="time zone"):
        read_weather(tmp_path / "a.epw", time_zone="Nowhere/At", **PLACE)
    with pytest.raises(InputFileError, match="no file"):
        read_weather(tmp_path / "none.epw", time_zone="Etc/GMT-1", **PLACE)


def test_other_encodings_and_endings(tmp_path: Path) -> None:
    """UTF-16, a byte order mark and Windows line ends are read like plain text."""
    plain = read_text(tmp_path, epw_text(hours=72), name="a.epw")
    for content in (
        epw_text(hours=72).encode("utf-16"),
        b"\xef\xbb\xbf" + epw_text(hours=72).encode(),
        epw_text(hours=72).replace("\n", "\r\n").encode(),
    ):
        other = read_text(tmp_path, content, name="b.epw")
        assert np.array_equal(other.weather.ghi_w_m2, plain.weather.ghi_w_m2)


def test_quarter_hours(tmp_path: Path) -> None:
    """An EPW with four records an hour has intervals of a quarter hour."""
    head = epw_text(hours=1).splitlines()[:7]
    line = epw_text(hours=1).splitlines()[8].split(",")
    rows = []
    for hour in range(1, 25):
        for minute in (15, 30, 45, 60):
            line[3], line[4] = str(hour), str(minute)
            rows.append(",".join(line))
    text = "\n".join([*head, "DATA PERIODS,1,4,Data,Sunday, 1/ 1, 1/ 1", *rows])
    weather = read_text(tmp_path, text, name="a.epw").weather
    assert weather.interval_min == 15.0
    assert weather.time[0] == np.datetime64("2018-12-31T23:07:30")
    assert np.all(np.diff(weather.time) == np.timedelta64(15, "m"))


def test_spellings_are_told_apart() -> None:
    """No heading means two columns of weather, and each is known in three languages."""
    owner: dict[str, str] = {}
    for column in WEATHER.columns:
        words = spellings(WEATHER.kind, column.name)
        assert {"en", "de", "es"} <= {language for language, _ in words}
        for _, word in words:
            assert owner.setdefault(heading_key(word), column.name) == column.name, word


SMALL = {"a.epw": epw_text(hours=48).encode(), "w.csv": csv_text(hours=48).encode()}
SMALL["y.csv"] = b"\n".join(TMY3_FILE.read_bytes().splitlines()[:40])


@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    name=st.sampled_from(sorted(SMALL)),
    cuts=st.lists(
        st.tuples(st.floats(0.0, 1.0), st.integers(0, 12), st.binary(max_size=8)), max_size=6
    ),
)
def test_damaged_files_never_break_out(
    tmp_path: Path, name: str, cuts: list[tuple[float, int, bytes]]
) -> None:
    """Whatever bytes change, the answer is a reading that counts its rows, or one clear error."""
    content = SMALL[name]
    for share, length, filling in cuts:
        at = int(share * len(content))
        content = content[:at] + filling + content[at + length :]
    code = ""
    try:
        reading = read_text(tmp_path, content, name=name, stamp="end")
    except InputFileError as error:
        code = error.code
    assert code != "reader-failed"
    if code:
        return
    assert reading.rows_in == reading.rows_accepted + reading.rows_reported
    assert reading.frame.height == len(reading.weather) == reading.rows_accepted
    assert not any(math.isinf(one) for one in reading.weather.air_temp_c)


def test_the_frame_has_the_columns_of_the_table() -> None:
    """What is handed on has the table's columns and says where each row stood."""
    frame = typical_reading().frame
    assert set(WEATHER.schema) == set(frame.columns)
    assert frame.schema["measured_at"] == WEATHER.schema["measured_at"]
    assert frame["source_row"].to_list()[:2] == [3, 4]
    local = pd.DatetimeIndex(typical_reading().weather.time)
    assert (local.minute == 30).all()
