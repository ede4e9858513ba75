"""Every router of the server, one line each."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter

from arraywright.web.health import health_router
from arraywright.web.people_admin import people_admin_router
from arraywright.web.people_pages import people_router
from arraywright.web.start_pages import start_router
from arraywright.web.sync_routes import sync_router

__all__ = ["ROUTERS"]

ROUTERS: Final[tuple[APIRouter, ...]] = (
    health_router,
    sync_router,
    start_router,
    people_router,
    people_admin_router,
)
