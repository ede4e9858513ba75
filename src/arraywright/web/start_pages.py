"""The first page."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from arraywright.web.access import ANYONE, Visitor, require

__all__ = ["start_router"]

start_router = APIRouter(include_in_schema=False)


@start_router.get("/")
def start(_visitor: Annotated[Visitor, require(*ANYONE)]) -> Response:
    """Lead to the map."""
    return RedirectResponse("/map", status_code=303)
