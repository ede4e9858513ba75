"""Files that people have, read into rows and findings.

Weather is read by ``arraywright.readers.weather``; it is not loaded here, since it brings the sun
with it, which whoever reads a delivery note need not wait for.
"""

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
