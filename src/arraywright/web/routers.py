"""Every router of the server, one line each."""

from __future__ import annotations

from typing import Final

from fastapi import APIRouter

from arraywright.web.api_routes import api_router
from arraywright.web.field_routes import field_router
from arraywright.web.health import health_router
from arraywright.web.job_pages import jobs_router
from arraywright.web.keeping_pages import keeping_router
from arraywright.web.map_routes import map_router
from arraywright.web.office_actions import actions_router
from arraywright.web.office_pages import office_router
from arraywright.web.people_admin import people_admin_router
from arraywright.web.people_pages import people_router
from arraywright.web.proving_pages import proving_router
from arraywright.web.start_pages import start_router
from arraywright.web.sync_routes import sync_router

__all__ = ["ROUTERS"]

ROUTERS: Final[tuple[APIRouter, ...]] = (
    health_router,
    sync_router,
    field_router,
    start_router,
    people_router,
    people_admin_router,
    map_router,
    office_router,
    keeping_router,
    jobs_router,
    proving_router,
    actions_router,
    api_router,
)
