"""Whether the server works, for people and for the program that watches it."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from fastapi.responses import PlainTextResponse
from starlette.responses import Response

from arraywright import __version__
from arraywright.web.access import LEADS, Visitor, require, site_of
from arraywright.web.security import Counts
from arraywright.web.site_handle import SiteHandle

__all__ = ["health_router"]

health_router = APIRouter(tags=["care"])


@health_router.get("/health", summary="Whether the server and its record work")
def health(site: Annotated[SiteHandle, Depends(site_of)]) -> dict[str, Any]:
    """Read the record once and say so; needs no sign-in and tells nothing of the site."""
    entries = site.last_order()
    return {"status": "works", "software": __version__, "entries": entries}


@health_router.get("/metrics", summary="Counts for monitoring", response_class=PlainTextResponse)
def metrics(
    request: Request,
    _visitor: Annotated[Visitor, require(*LEADS, scope="read", devices=False)],
    site: Annotated[SiteHandle, Depends(site_of)],
) -> Response:
    """Give counts of requests, durations and entries."""
    counts: Counts = request.app.state.counts
    text = counts.text() + (
        f"# TYPE arraywright_record_entries gauge\narraywright_record_entries {site.last_order()}\n"
    )
    return PlainTextResponse(text, media_type="text/plain; version=0.0.4")
