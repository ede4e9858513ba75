"""Weather files of invented numbers, written by hand."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from arraywright.readers.weather import WeatherReading, read_weather

__all__ = ["HEAD_EXTREMES", "PLACE", "csv_text", "epw_text", "hour_values", "read_text"]

PLACE: Final[dict[str, Any]] = {"latitude_deg": 40.0, "longitude_deg": -3.7, "elevation_m": 660.0}
HEAD_EXTREMES = (
    "DESIGN CONDITIONS,1,Invented Collection,,Heating,1,-4,Cooling,7,35,"
    "Extremes,8,7,6,24,-6.5,39.25,1.5,1.25,-7.6,40.1,-8.5,40.9,-9.3,41.6,-10.4,42.5"
)


def hour_values(moment: datetime) -> tuple[float, float, float, float, float]:
    """Invented GHI, DNI, DHI, air temperature and wind of the hour that ends at a moment.

    The place lies at 3.7 degrees west with the zone UTC+01:00: its noon is near 13:15 there.
    """
    hour = (moment - timedelta(minutes=30)).hour + 0.5
    height = max(0.0, 1.0 - abs(hour - 13.25) / 6.0)
    ghi = round(800.0 * height)
    return ghi, round(0.7 * ghi), round(0.4 * ghi), round(10.0 + 12.0 * height, 1), 2.5


def _ends(year: int, hours: int) -> list[datetime]:
    return [datetime(year, 1, 1) + timedelta(hours=at + 1) for at in range(hours)]  # noqa: DTZ001


def epw_text(
    *,
    year: int = 2019,
    hours: int = 8760,
    source: str = "measured",
    edit: dict[int, str] | None = None,
) -> str:
    """Write an EPW file; ``edit`` replaces whole data lines by their number from 0."""
    lines = [
        f"LOCATION,Invented Town,-,XXX,{source},999999,40.00,-3.70,1.0,660.0",
        HEAD_EXTREMES,
        "TYPICAL/EXTREME PERIODS,0",
        "GROUND TEMPERATURES,0",
        "HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0",
        "COMMENTS 1,invented",
        "COMMENTS 2,invented",
        "DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31",
    ]
    for at, end in enumerate(_ends(year, hours)):
        ghi, dni, dhi, air, wind = hour_values(end)
        start = end - timedelta(hours=1)
        lines.append(
            f"{start.year},{start.month},{start.day},{start.hour + 1},60,?9?9?9,{air},5.0,60,94000,"
            f"0,0,300,{ghi},{dni},{dhi},0,0,0,0,180,{wind},5,5,20,77777,9,999999999,10,0.1,0,88,"
            "0.2,0,0"
            if edit is None or at not in edit
            else edit[at]
        )
    return "\n".join(lines) + "\n"


def csv_text(
    *,
    year: int = 2019,
    hours: int = 8760,
    heading: str = "time;GHI [W/m2];DNI [W/m2];DHI [W/m2];air temperature [°C];wind speed [m/s]",
    columns: tuple[int, ...] = (0, 1, 2, 3, 4),
    lag_min: int = 0,
) -> str:
    """Write a table of hours; ``lag_min`` moves every stamp, ``columns`` picks from the values."""
    lines = [heading]
    for end in _ends(year, hours):
        values = hour_values(end)
        stamp = end + timedelta(minutes=lag_min)
        lines.append(f"{stamp:%Y-%m-%d %H:%M:%S};" + ";".join(f"{values[at]:g}" for at in columns))
    return "\n".join(lines) + "\n"


def read_text(
    folder: Path, text: str | bytes, *, name: str = "w.csv", **given: Any
) -> WeatherReading:
    """Write a text to a file and read it as weather of the invented place."""
    path = folder / name
    if isinstance(text, bytes):
        path.write_bytes(text)
    else:
        path.write_text(text, encoding="utf-8")
    arguments: dict[str, Any] = {"time_zone": "Etc/GMT-1"} | PLACE | given
    return read_weather(path, **arguments)
