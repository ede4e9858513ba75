"""Files that people have, read into rows and findings."""

from arraywright.readers.mapping import read_mapping
from arraywright.readers.results import (
    UNKNOWN_TABLE,
    ColumnMapping,
    Dialect,
    TableReading,
    UsedColumn,
)
from arraywright.readers.site import SiteReading, read_site
from arraywright.readers.tables import read_table, read_tables
from arraywright.readers.weather import WeatherReading, read_weather

__all__ = [
    "UNKNOWN_TABLE",
    "ColumnMapping",
    "Dialect",
    "SiteReading",
    "TableReading",
    "UsedColumn",
    "WeatherReading",
    "read_mapping",
    "read_site",
    "read_table",
    "read_tables",
    "read_weather",
]
