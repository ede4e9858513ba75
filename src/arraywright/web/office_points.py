"""Open points as pages and programs are shown them, reckoned once for every state of the record."""

from __future__ import annotations

from arraywright.procedures.open_points import (
    CHECKED_KINDS,
    POINT_KINDS,
    OpenPoint,
    checked_findings,
    open_points,
)
from arraywright.web.site_handle import SiteHandle

__all__ = ["shown_points"]


def shown_points(site: SiteHandle) -> list[OpenPoint]:
    """Give the open points; what checks found is read again only after another check."""
    checked = site.cached("checked_findings", checked_findings, kinds=CHECKED_KINDS)
    return site.cached(
        "points", lambda record: open_points(record, checked=checked), kinds=POINT_KINDS
    )
