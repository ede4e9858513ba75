"""The application: routers, static files, errors and what stands before them."""

from __future__ import annotations

import contextlib
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Final
from urllib.parse import quote

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException
from starlette.responses import Response

from arraywright import __version__
from arraywright.errors import ArraywrightError, CallError, InputFileError, RecordError
from arraywright.web.access import AccessError
from arraywright.web.jobs import Jobs
from arraywright.web.limits import Limiter
from arraywright.web.phone_judging import PhoneJudging
from arraywright.web.rendering import error_page
from arraywright.web.routers import ROUTERS
from arraywright.web.security import Counts, Gatekeeper
from arraywright.web.settings import WebSettings
from arraywright.web.site_handle import SiteHandle

__all__ = ["STATIC", "create_app"]

STATIC: Final = Path(__file__).parent / "static"
_MACHINE_PATHS: Final = ("/api/", "/sync/", "/metrics", "/health")


def create_app(settings: WebSettings) -> FastAPI:
    """Make the application that serves one site.

    Raises:
        ArraywrightError: the folder, the record or the server of the record cannot be used.
    """
    site = SiteHandle.open(settings)

    @contextlib.asynccontextmanager
    async def lifespan(_app: FastAPI) -> AsyncIterator[None]:
        app.state.phone_judging.start()
        yield
        app.state.phone_judging.close()
        app.state.jobs.close()
        site.close()

    app = FastAPI(
        title="Arraywright",
        version=__version__,
        summary="One record per photovoltaic module.",
        openapi_url="/api/v1/openapi.json",
        docs_url=None,
        redoc_url=None,
        lifespan=lifespan,
    )
    counts = Counts()
    app.state.site = site
    app.state.counts = counts
    app.state.jobs = Jobs(settings)
    app.state.phone_judging = PhoneJudging(site, app.state.jobs)
    app.state.limiter = Limiter(active=settings.limit_rates)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    for router in ROUTERS:
        app.include_router(router)
    app.add_exception_handler(ArraywrightError, _told)
    app.add_exception_handler(HTTPException, _told)
    app.add_exception_handler(RequestValidationError, _told)
    app.add_middleware(Gatekeeper, settings=settings, counts=counts)
    return app


def _status(error: ArraywrightError) -> int:
    if isinstance(error, AccessError):
        return error.status
    if isinstance(error, CallError | InputFileError):
        return 422
    return 409 if isinstance(error, RecordError) else 503


def _as_error(error: Exception) -> tuple[int, dict[str, str]]:
    if isinstance(error, ArraywrightError):
        return _status(error), error.as_dict()
    if isinstance(error, RequestValidationError):
        told = "; ".join(
            f"{'.'.join(str(part) for part in one['loc'])}: {one['msg']}"
            for one in error.errors()[:10]
        )
        return 422, {
            "code": "request-not-understood",
            "message": f"The request is not as required: {told}.",
            "remedy": "Compare it with /api/v1/openapi.json.",
        }
    if isinstance(error, HTTPException):
        return error.status_code, {
            "code": f"http-{error.status_code}",
            "message": str(error.detail),
            "remedy": "Check the address.",
        }
    raise error


def _told(request: Request, error: Exception) -> Response:
    status, shape = _as_error(error)
    path = request.url.path
    wants_page = "text/html" in request.headers.get("accept", "") and not path.startswith(
        _MACHINE_PATHS
    )
    if wants_page and status == 401:
        back = quote(path if request.method == "GET" else "/", safe="/")
        return RedirectResponse(f"/sign-in?next={back}", status_code=303)
    headers = getattr(error, "headers", None)
    if wants_page:
        return error_page(request, status=status, shape=shape)
    return JSONResponse({"error": shape}, status_code=status, headers=headers)
