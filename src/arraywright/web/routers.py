"""Every router of the server, one line each."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter

from arraywright.web.health import health_router
from arraywright.web.sync_routes import sync_router

__all__ = ["ROUTERS"]

ROUTERS: Final[tuple[APIRouter, ...]] = (
    health_router,
    sync_router,
)
