"""Values: numbers, bounds, identities and moments, each as the person meant it or reported."""

from __future__ import annotations

import zoneinfo
from datetime import UTC, date, datetime
from pathlib import Path

import biip.sscc
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.commissioning.tables import INSTRUMENTS, IV_POINTS, STRING_READINGS
from arraywright.delivery.tables import DELIVERY_NOTE, FLASH_LIST, ORDER, PALLET_SCANS
from arraywright.findings import Verdict
from arraywright.readers import TableReading
from arraywright.readers.numbers import convert_number
from arraywright.readers.quantities import Conversion
from arraywright.readers.results import DecimalMark
from arraywright.readers.values import convert_text
from arraywright.tables import Column
from tests.published_values import published
from tests.readers.table_corpus import ZONE, checks, csv_text, of_check, read_text, xlsx_bytes

VOLTS = Column(name="voc_v", kind="number", unit="V", meaning="voltage")
COUNT = Column(name="modules", kind="integer", meaning="modules")
MEGOHM = Column(name="riso_pos_megohm", kind="number", unit="Mohm", meaning="insulation")


def numbers(
    texts: list[str | None], *, column: Column = VOLTS, mark: DecimalMark = "."
) -> list[object]:
    """Read a column of texts."""
    series = pl.Series(texts, dtype=pl.String)
    return convert_number(series, column=column, mark=mark, convert=Conversion()).values.to_list()


@given(st.lists(st.floats(-1e12, 1e12, allow_nan=False), min_size=1, max_size=20))
@settings(max_examples=100, deadline=None)
def test_numbers_as_python_writes_them(values: list[float]) -> None:
    """Whatever Python writes is read to the last bit, with a point and with a comma."""
    written = [repr(value) for value in values]
    assert numbers([*written]) == values
    assert numbers([text.replace(".", ",") for text in written], mark=",") == values


@given(st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=20))
@settings(max_examples=50, deadline=None)
def test_thousands_as_python_groups_them(values: list[int]) -> None:
    """Groups of thousands as Python's formatting makes them are read as the number."""
    grouped = [f"{value + 0.5:,.2f}" for value in values]
    assert numbers([*grouped]) == [value + 0.5 for value in values]
    swapped = [g.replace(",", " ").replace(".", ",").replace(" ", ".") for g in grouped]
    assert numbers([*swapped], mark=",") == [value + 0.5 for value in values]
    assert numbers([g.replace(",", "'") for g in grouped]) == [value + 0.5 for value in values]
    whole = [f"{value:,}" for value in values]
    assert numbers([*whole], column=COUNT) == values


@pytest.mark.parametrize(
    ("text", "mark", "expected"),
    [
        ("9,812", ".", None),
        ("9.812", ",", None),
        ("9,81", ".", None),
        ("1.234,5", ".", None),
        ("12 3", ".", None),
        ("1 234.5", ".", 1234.5),
        ("−3.5", ".", -3.5),
        ("49.8 V", ".", 49.8),
        ("0.0498 kV", ".", 49.8),
        ("49.8 A", ".", None),
        (">49.8", ".", None),
        ("1.2E+3", ".", 1200.0),
        ("1,2e1", ",", 12.0),
        ("inf", ".", None),
        ("nan", ".", None),
        ("1e999", ".", None),
        ("0x10", ".", None),
        ("1_000", ".", None),
        ("=1+1", ".", None),
        ("49.8.1", ".", None),
        (" 49.8\u00a0", ".", 49.8),
    ],
)
def test_single_numbers(text: str, mark: DecimalMark, expected: float | None) -> None:
    """A number is read as meant; what may be two numbers, or none, is no value."""
    assert numbers([text], mark=mark) == [expected]


@pytest.mark.parametrize("text", ["28.5", "1e20", "28 V", "28,5"])
def test_whole_numbers_only(text: str) -> None:
    """A count that is no whole number is no value."""
    assert numbers([text], column=COUNT) == [None]


@pytest.mark.parametrize(
    ("counts", "power", "expected"),
    [
        (["1.240", "620"], "405", [1240, 620]),
        (["12.000", "620"], "405", [None, 620]),
        (["12.000", "620"], "405.5", [12, 620]),
        (["1.240", "620"], "405.5", [None, 620]),
        (["1.240", "12.000"], "405,5", [1240, 12000]),
        (["1,240", "12,000"], "405", [1240, 12000]),
    ],
)
def test_counts_with_marks(
    tmp_path: Path, counts: list[str], power: str, expected: list[int | None]
) -> None:
    """A count with a mark is thousands only where it can be nothing else."""
    text = "Type;Modules;Power class [W]\n" + "".join(f"T;{c};{power}\n" for c in counts)
    reading = read_text(tmp_path, text, specs=[ORDER])
    assert reading.frame["modules"].to_list() == [one for one in expected if one is not None]
    assert reading.rows_reported == expected.count(None)


def test_an_uncertainty_without_unit_is_not_guessed_at(tmp_path: Path) -> None:
    """0.8 may be 0.8 % or a fraction, 0.008 is surely one; with a unit both are clear."""
    text = "Instrument;Due;Current uncertainty{}\nM1;2027-03-12;0.8\nM2;2027-03-12;0.008\n"
    reading = read_text(tmp_path, text.format(""), specs=[INSTRUMENTS])
    assert reading.frame["current_uncertainty_ratio"].to_list() == [None, 0.008]
    assert of_check(reading, "unit-missing")[0].verdict is Verdict.FAIL
    reading = read_text(tmp_path, text.format(" [%]"), specs=[INSTRUMENTS])
    assert reading.frame["current_uncertainty_ratio"].to_list() == pytest.approx([0.008, 0.00008])


READINGS = "String;Time;Riso + [MOhm];Riso - [MOhm];Insulation tester\n"


def readings(folder: Path, lines: list[str]) -> TableReading:
    """Read string readings with insulation values."""
    text = READINGS + "".join(f"S{i};2026-03-12 10:{i:02d}:00;{x}\n" for i, x in enumerate(lines))
    return read_text(folder, text, specs=[STRING_READINGS])


def test_insulation_bounds_are_taken_and_said_once(tmp_path: Path) -> None:
    """'At least' readings count as their bound, with one finding per column."""
    reading = readings(tmp_path, [">500;> 1 G;T1", "> 200 MOhm;>=1.2 GΩ;T1", "320;0.9;T1"])
    assert reading.frame["riso_pos_megohm"].to_list() == [500.0, 200.0, 320.0]
    assert reading.frame["riso_neg_megohm"].to_list() == [1000.0, 1200.0, 0.9]
    found = of_check(reading, "reading-is-bound")
    assert [finding.verdict for finding in found] == [Verdict.REVIEW] * 2
    assert "2 say" in found[0].message


def test_overrange_is_the_highest_value_of_the_same_instrument(tmp_path: Path) -> None:
    """OL means more than that instrument showed elsewhere; another one's values say nothing."""
    reading = readings(tmp_path, ["950;1;A", "OL;OL;A", "5000;7;B", "O.L;x;C"])
    assert reading.frame["riso_pos_megohm"].to_list() == [950.0, 950.0, 5000.0, None]
    assert reading.frame["riso_neg_megohm"].to_list() == [1.0, 1.0, 7.0, None]
    assert "reading-above-range" in checks(reading)
    assert reading.rows_accepted == 4


def test_insulation_below_the_range_fails_and_is_no_value(tmp_path: Path) -> None:
    """A reading below the range must never pass as its bound."""
    reading = readings(tmp_path, ["<0.05;3;A"])
    assert reading.frame["riso_pos_megohm"].to_list() == [None]
    assert of_check(reading, "value-below-range")[0].verdict is Verdict.FAIL


def test_optional_values_are_null_with_a_finding_required_ones_cost_the_row(tmp_path: Path) -> None:
    """The two kinds of value are treated as the reading's own words say."""
    text = (
        "Serial,Stack position,Pmax,Voc,Isc,Vmp,Imp\n"
        "A1,three,405,37.2,13.9,31.2,13.0\nA2,2,n/a,37.2,13.9,31.2,13.0\n"
        "A3,,405,37.2,oops,31.2,13.0\n,1,405,37.2,13.9,31.2,13.0\n"
    )
    reading = read_text(tmp_path, text)
    assert reading.frame["serial"].to_list() == ["A1"]
    assert reading.frame["stack_position"].to_list() == [None]
    by_row = {
        (f.place.row, f.place.column): (f.check, f.verdict)
        for f in reading.findings
        if f.place and f.subject_kind == "input"
    }
    assert by_row == {
        (2, "Stack position"): ("number-unreadable", Verdict.REVIEW),
        (3, "Pmax"): ("value-missing", Verdict.FAIL),
        (4, "Isc"): ("number-unreadable", Verdict.FAIL),
        (5, "Serial"): ("value-missing", Verdict.FAIL),
    }


def test_texts_are_cleaned_and_formulas_stay_texts() -> None:
    """Spaces, invisible characters and text guards go; what looks like a formula is only text."""
    written = [" A1\u00a0", "\u200bA2\ufeff", '="00123"', "'00456", "=1+2", "N/A", "  ", "a\nb"]
    done = convert_text(pl.Series(written), thorough=True)
    assert done.values.to_list() == ["A1", "A2", "00123", "00456", "=1+2", None, None, "a b"]
    assert done.problems == ()


@pytest.mark.parametrize("text", ["3.76104E+17", "3,76104E+17", "3.76E17"])
def test_scientific_identities_are_destroyed(tmp_path: Path, text: str) -> None:
    """A pallet number in scientific notation is reported and never used."""
    content = csv_text([["Pallet", "Scanned at"], ["P1", ""], [text, ""]], separator=";")
    reading = read_text(tmp_path, content, specs=[PALLET_SCANS])
    assert reading.frame["pallet"].to_list() == ["P1"]
    assert of_check(reading, "digits-destroyed")[0].verdict is Verdict.FAIL


def test_sscc_that_went_through_a_workbook_cell_is_destroyed(tmp_path: Path) -> None:
    """Numbers of 18 digits in cells have lost their end; as texts they are whole (biip agrees)."""
    valid = published("gs1_sscc")["valid"]
    good = [str(one["number"]) for one in valid if len(str(one["number"])) == 18][:3]
    assert len(good) == 3
    assert all(biip.sscc.Sscc.parse(text) for text in good)
    rows: list[list[object]] = [["Pallet", "Scanned at"]]
    cells: list[list[object]] = [*rows, *[[int(text), ""] for text in good]]
    reading = read_text(tmp_path, xlsx_bytes({"S": cells}), specs=[PALLET_SCANS], name="a.xlsx")
    assert len(of_check(reading, "digits-destroyed")) == 3
    assert reading.rows_accepted == 0
    texts: list[list[object]] = [[text, ""] for text in good]
    cells = [*rows, *texts]
    reading = read_text(tmp_path, xlsx_bytes({"S": cells}), specs=[PALLET_SCANS], name="b.xlsx")
    assert reading.frame["pallet"].to_list() == good


def moments(folder: Path, texts: list[str], *, zone: str = ZONE, sep: str = ";") -> TableReading:
    """Read scans with a column of moments."""
    rows = [["Pallet", "Scanned at"], *[[f"P{i}", text] for i, text in enumerate(texts)]]
    return read_text(folder, csv_text(rows, separator=sep), specs=[PALLET_SCANS], zone=zone)


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("2026-03-12T10:15:30Z", "2026-03-12T10:15:30"),
        ("2026-03-12 10:15:30+05:30", "2026-03-12T04:45:30"),
        ("2026-03-12T10:15:30.250-0300", "2026-03-12T13:15:30.250000"),
        ("2026-03-12 10:15", "2026-03-12T09:15:00"),
        ("12.03.2026 10:15:30", "2026-03-12T09:15:30"),
        ("12.3.26 10:15", "2026-03-12T09:15:00"),
        ("12.03.2026, 10:15 Uhr", "2026-03-12T09:15:00"),
        ("Do, 12.03.2026 10:15", "2026-03-12T09:15:00"),
        ("13/03/2026 10:15 PM", "2026-03-13T21:15:00"),
        ("03/13/2026 12:15 am", "2026-03-12T23:15:00"),
        ("12 Mar 2026 10:15", "2026-03-12T09:15:00"),
        ("12. März 2026 10:15", "2026-03-12T09:15:00"),
        ("March 12, 2026 10:15", "2026-03-12T09:15:00"),
        ("12 de marzo de 2026 10:15", "2026-03-12T09:15:00"),
        ("20260312T101530", "2026-03-12T09:15:30"),
        ("2026/03/12 10:15", "2026-03-12T09:15:00"),
        ("46093.427430556", "2026-03-12T09:15:30"),
    ],
)
def test_moments_as_people_write_them(tmp_path: Path, text: str, moment: str) -> None:
    """Each way to write a moment reads as the moment that was worked out by hand."""
    reading = moments(tmp_path, [text])
    assert reading.frame["scanned_at"].to_list() == [datetime.fromisoformat(moment + "+00:00")]


@pytest.mark.parametrize(
    "text",
    [
        "31.02.2026 10:00",
        "2026-03-12 25:00",
        "soon",
        "12.03.1026 10:00",
        "10:15",
        "2026-13-01 10:00",
        "2026-03-12 10:15+19:00",
        "3/4/5/6",
        "99999",
    ],
)
def test_what_is_no_moment_is_reported(tmp_path: Path, text: str) -> None:
    """A moment that does not exist is null with a finding."""
    reading = moments(tmp_path, [text])
    assert reading.frame["scanned_at"].to_list() == [None]
    assert of_check(reading, "time-unreadable")[0].found == text


def test_order_of_day_and_month_is_found_over_the_whole_column(tmp_path: Path) -> None:
    """One date with a day above twelve settles all others."""
    texts = ["03/04/2026 10:00"] * 40 + ["25/04/2026 10:00"]
    reading = moments(tmp_path, texts, zone="America/Denver")
    assert reading.frame["scanned_at"].dt.month().unique().to_list() == [4]
    assert checks(reading) == []
    reading = moments(tmp_path, [*texts[:40], "04/25/2026 10:00"])
    assert sorted(reading.frame["scanned_at"].dt.month().unique().to_list()) == [3, 4]


@pytest.mark.parametrize(("zone", "month"), [(ZONE, 4), ("America/Denver", 3)])
def test_an_order_that_cannot_be_known_is_said(tmp_path: Path, zone: str, month: int) -> None:
    """When no date settles it, what was taken is said and is to be looked at."""
    reading = moments(tmp_path, ["03/04/2026 10:00", "05/06/2026 10:00"], zone=zone)
    assert reading.frame["scanned_at"].dt.month()[0] == month
    (finding,) = of_check(reading, "date-order")
    assert finding.verdict is Verdict.REVIEW


@given(
    st.lists(
        st.datetimes(min_value=datetime(1995, 1, 1), max_value=datetime(2035, 12, 31)),  # noqa: DTZ001
        min_size=1,
        max_size=30,
    ),
    st.sampled_from(["Europe/Madrid", "America/Santiago", "Asia/Kolkata", "Australia/Lord_Howe"]),
)
@settings(max_examples=60, deadline=None)
def test_local_times_against_zoneinfo(local: list[datetime], zone: str) -> None:
    """UTC agrees with the standard library's zones; skipped times are lost, doubled ones said."""
    from arraywright.readers.times import TimeHabits, convert_time  # noqa: PLC0415

    whole = [one.replace(microsecond=0) for one in local]
    texts = pl.Series([one.isoformat(sep=" ") for one in whole])
    column = Column(name="scanned_at", kind="time", meaning="moment")
    done, _ = convert_time(texts, column=column, habits=TimeHabits(time_zone=zone))
    info = zoneinfo.ZoneInfo(zone)
    skipped, doubled, expected = [], [], []
    for at, one in enumerate(whole):
        utc = one.replace(tzinfo=info, fold=0).astimezone(UTC)
        late = one.replace(tzinfo=info, fold=1).astimezone(UTC)
        exists = utc.astimezone(info).replace(tzinfo=None) == one
        expected.append(utc if exists else None)
        if not exists:
            skipped.append(at)
        elif utc != late:
            doubled.append(at)
    assert done.values.to_list() == expected
    said = {problem.check: problem.at.tolist() for problem in done.problems}
    assert said.get("time-does-not-exist", []) == skipped
    assert said.get("time-doubled", []) == doubled


def test_curves_with_the_string_above_the_points(tmp_path: Path) -> None:
    """A curve whose string, moment and instruments stand above its points is read whole."""
    text = (
        "I-V curve\nString: S-017\nTime: 12.03.2026 10:15:00\nIrradiance [W/m2]: 812,5\n"
        "Module temperature;41,5\nMeter;M-1\n\nU [V];I [mA]\n0,0;13050\n400,5;12900\n812;0\n"
    )
    reading = read_text(tmp_path, text, specs=[STRING_READINGS, IV_POINTS])
    assert reading.spec is IV_POINTS
    first = reading.frame.row(0, named=True)
    assert (first["string"], first["meter"], first["current_a"]) == ("S-017", "M-1", 13.05)
    assert (first["irradiance_w_m2"], first["module_temp_c"]) == (812.5, 41.5)
    assert first["measured_at"] == datetime(2026, 3, 12, 9, 15, tzinfo=UTC)
    assert reading.rows_accepted == 3


def test_dotted_dates_month_first(tmp_path: Path) -> None:
    """Dots do not make a date day first when one of them cannot be."""
    reading = moments(tmp_path, ["03.04.2026 10:00:00", "03.25.2026 10:00:00"])
    assert reading.frame["scanned_at"].dt.month().to_list() == [3, 3]
    assert reading.dialect.date_order == "month_first"


def test_clock_changes(tmp_path: Path) -> None:
    """The hour a clock change skips is reported, the doubled hour is taken once and said."""
    texts = ["29.03.2026 02:30", "25.10.2026 02:30", "25.10.2026 03:30"]
    reading = moments(tmp_path, texts)
    assert reading.frame["scanned_at"].to_list() == [
        None,
        datetime(2026, 10, 25, 0, 30, tzinfo=UTC),
        datetime(2026, 10, 25, 2, 30, tzinfo=UTC),
    ]
    assert checks(reading) == ["time-does-not-exist", "time-doubled"]
    text = "String;Time\nS1;29.03.2026 02:30\nS2;29.03.2026 03:30\n"
    reading = read_text(tmp_path, text, specs=[STRING_READINGS])
    assert reading.frame["string"].to_list() == ["S2"]
    assert of_check(reading, "time-does-not-exist")[0].verdict is Verdict.FAIL


def test_date_and_time_of_day_in_two_columns(tmp_path: Path) -> None:
    """A date and a time of day under two headings are one moment."""
    text = "Strang;Datum;Uhrzeit;Uoc [V]\nS1;12.03.2026;10:15;812,5\nS2;12.03.2026;;813,5\n"
    reading = read_text(tmp_path, text, specs=[STRING_READINGS])
    assert reading.frame["measured_at"].to_list() == [datetime(2026, 3, 12, 9, 15, tzinfo=UTC)]
    assert reading.columns["measured_at"].heading == "Datum + Uhrzeit"
    assert of_check(reading, "value-missing")[0].place is not None


def test_a_day_is_no_moment_of_a_reading(tmp_path: Path) -> None:
    """A reading without time of day is reported; a flash without is dated at midnight and said."""
    reading = read_text(tmp_path, "String;Date\nS1;2026-03-12\n", specs=[STRING_READINGS])
    assert (reading.rows_accepted, checks(reading)) == (0, ["time-unreadable"])
    reading = moments(tmp_path, ["2026-03-12"])
    assert reading.frame["scanned_at"].to_list() == [datetime(2026, 3, 11, 23, tzinfo=UTC)]
    assert checks(reading) == ["time-of-day-missing"]


def test_days(tmp_path: Path) -> None:
    """Days are days, whatever the time zone, and may stand with a time."""
    text = (
        "Instrument;Calibrated on;Due\nM1;12.03.2025;12.03.2027\nM2;2025-03-12 23:30;2027-03-12\n"
        "M3;;never\n"
    )
    reading = read_text(tmp_path, text, specs=[INSTRUMENTS])
    assert reading.frame["calibrated_on"].to_list() == [date(2025, 3, 12)] * 2
    assert reading.frame["calibration_due_on"].to_list() == [date(2027, 3, 12)] * 2
    assert of_check(reading, "time-unreadable")[0].verdict is Verdict.FAIL


def test_a_comma_before_three_digits_everywhere_is_said(tmp_path: Path) -> None:
    """A list whose commas may all be thousands is read as decimals, and that is said."""
    text = "Serial;Pmax;Voc;Isc;Vmp;Imp\nA1;405,125;37,212;13,912;31,251;13,005\n"
    reading = read_text(tmp_path, text)
    assert reading.spec is FLASH_LIST
    assert reading.frame["isc_a"].to_list() == [13.912]
    assert checks(reading) == ["decimal-mark"]


def test_fill_factor_without_unit_above_one_is_per_cent(tmp_path: Path) -> None:
    """A fill factor of 79 can only be per cent; that it was taken so is said."""
    text = "Serial;FF;Pmax;Voc;Isc;Vmp;Imp\nA1;79.5;405;37.2;13.9;31.2;13\n"
    reading = read_text(tmp_path, text)
    assert reading.frame["fill_factor_ratio"].to_list() == pytest.approx([0.795])
    assert checks(reading) == ["unit-assumed"]
    reading = read_text(tmp_path, text.replace("79.5", "0.795"))
    assert reading.frame["fill_factor_ratio"].to_list() == pytest.approx([0.795])
    assert checks(reading) == []


def test_row_findings_are_capped_and_counted(tmp_path: Path) -> None:
    """Of many rows with one fault a thousand are listed, the rest is counted exactly."""
    bad = "".join(f"P{i};AW;x\n" for i in range(2500))
    reading = read_text(
        tmp_path, "Pallet;Type;Modules\n" + bad + "P;AW;31\n", specs=[DELIVERY_NOTE]
    )
    found = of_check(reading, "number-unreadable")
    assert len(found) == 1001
    assert found[-1].value == 1500.0
    assert (reading.rows_in, reading.rows_accepted, reading.rows_reported) == (2501, 1, 2500)
    rows = np.array([f.place.row for f in found[:-1] if f.place])
    assert (rows == np.arange(2, 1002)).all()
