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

__all__ = [
    "UNKNOWN_TABLE",
    "ColumnMapping",
    "Dialect",
    "SiteReading",
    "TableReading",
    "UsedColumn",
    "read_mapping",
    "read_site",
    "read_table",
    "read_tables",
]
