"""Work in the background: how far it is, what came of it, and running again what was cut off."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Request
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.responses import Response

from arraywright.web.access import ANYONE, TESTERS, AccessError, Role, Visitor, require, site_of
from arraywright.web.jobs import Job, Jobs
from arraywright.web.phone_intake import phone_files
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle
from arraywright.web.work_words import WorkWords

__all__ = ["TESTERS_RUN", "jobs_of", "jobs_router", "may_run"]

jobs_router = APIRouter(tags=["pages"], include_in_schema=False)

TESTERS_RUN: Final = frozenset({"commission", "verify"})
"""What testers start as well as leads."""

_Site = Annotated[SiteHandle, Depends(site_of)]
_Anyone = Annotated[Visitor, require(*ANYONE, devices=False)]
_Tester = Annotated[Visitor, require(*TESTERS, devices=False)]
_SHOWN: Final = 200
_STATION_OF: Final = {
    "check": "/design",
    "receive": "/yard",
    "allocate": "/build",
    "commission": "/test",
    "dossier": "/keep",
    "verify": "/keep",
}


def jobs_of(request: Request) -> Jobs:
    """Give the work of the server."""
    held: Jobs = request.app.state.jobs
    return held


def may_run(visitor: Visitor, command: str) -> None:
    """Let a visitor start a procedure.

    Raises:
        AccessError: it is started by others.
    """
    if visitor.role is Role.TESTER and command not in TESTERS_RUN:
        raise AccessError(
            403,
            "not-allowed",
            message="This is started by the site lead.",
            remedy="Ask the site lead.",
        )


@jobs_router.get("/jobs")
def jobs_page(request: Request, visitor: _Anyone) -> Response:
    """Show the work of the server, the newest first."""
    return render(
        request, "jobs.html", visitor=visitor, given={"jobs": jobs_of(request).newest(_SHOWN)}
    )


@jobs_router.get("/jobs/{job_id}")
def job_page(request: Request, visitor: _Anyone, job_id: str) -> Response:
    """Show a piece of work: how far it is, and what came of it."""
    job = jobs_of(request).get(job_id)
    if job is None:
        raise AccessError(
            404, "job-unknown", message="There is no such work.", remedy="Look at the station."
        )
    return render(
        request,
        "job.html",
        visitor=visitor,
        given={
            "job": job,
            "station": _STATION_OF.get(job.command, "/"),
            "unread": unread_files(job),
        },
    )


@jobs_router.get("/jobs/{job_id}/state")
def job_state(request: Request, visitor: _Anyone, job_id: str) -> Response:
    """Give how far a piece of work is, for the page's script, in the visitor's language."""
    job = jobs_of(request).get(job_id)
    over = job is None or job.over
    words = WorkWords(language=visitor.language)
    return JSONResponse(
        {
            "over": over,
            "state": "over" if job is None else job.state,
            "stages": [] if job is None else [words.line(one) for one in job.stages],
        }
    )


def unread_files(job: Job) -> list[str]:
    """List the files of a piece of work that were not recognised or could not be used."""
    names = {Path(one).name for one in job.options.get("files", ())}
    findings = (job.report or {}).get("findings", ())
    told = {
        str(one.get("subject", ""))
        for one in findings
        if one["subject_kind"] == "file" and one["verdict"] == "fail"
    }
    return sorted(names & told) if job.options.get("station") else []


@jobs_router.post("/jobs/{job_id}/again")
def run_again(request: Request, site: _Site, visitor: _Tester, job_id: str) -> Response:
    """Run work again that was cut off, stopped, or failed."""
    jobs = jobs_of(request)
    job = jobs.get(job_id)
    if job is None:
        raise AccessError(
            404, "job-unknown", message="There is no such work.", remedy="Look at the station."
        )
    may_run(visitor, job.command)
    # What phones entered is written anew: more may have come since.
    phones = job.command == "commission" and "steps" in job.options
    options = phone_files(site, visitor.person) if phones else job.options
    begun = jobs.again(job, person=visitor.person, options=options)
    return RedirectResponse(f"/jobs/{begun.id}", status_code=303)
