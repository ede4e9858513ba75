"""Open points as pages and programs are shown them, reckoned once for every state of the record."""

from __future__ import annotations

from dataclasses import dataclass

from arraywright.procedures.open_points import (
    CHECKED_KINDS,
    POINT_KINDS,
    OpenPoint,
    checked_findings,
    open_points,
)
from arraywright.procedures.site_record import SiteRecord
from arraywright.web.site_handle import SiteHandle

__all__ = ["ShownPoints", "shown_points"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownPoints:
    """What is or was open.

    Attributes:
        points: every point, gravest first, settled ones last.
        still_open: how many nobody has settled.
    """

    points: list[OpenPoint]
    still_open: int


def shown_points(site: SiteHandle) -> ShownPoints:
    """Give the open points; what checks found is read again only after another check."""
    checked = site.cached("checked_findings", checked_findings, kinds=CHECKED_KINDS)

    def counted(record: SiteRecord) -> ShownPoints:
        points = open_points(record, checked=checked)
        return ShownPoints(points=points, still_open=sum(not one.settled_by for one in points))

    return site.cached("points", counted, kinds=POINT_KINDS)
