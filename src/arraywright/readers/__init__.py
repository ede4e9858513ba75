"""Files that people have, read into rows and findings."""

from arraywright.readers.site import SiteReading, read_site

__all__ = [
    "SiteReading",
    "read_site",
]
