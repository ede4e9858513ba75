"""The first page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from arraywright.web.access import ANYONE, Visitor, require

__all__ = ["start_router"]

start_router = APIRouter(include_in_schema=False)


@start_router.get("/")
def start(request: Request, _visitor: Annotated[Visitor, require(*ANYONE)]) -> Response:
    """Lead to the map."""
    known = any(getattr(route, "path", "") == "/map" for route in request.app.routes)
    return RedirectResponse("/map" if known else "/me", status_code=303)
