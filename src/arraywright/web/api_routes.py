"""The programming interface: the state of the site, work in the background, documents, changes."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

import polars as pl
from fastapi import APIRouter, Body, Depends, File, Query, Request, UploadFile
from fastapi.responses import FileResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from arraywright.errors import CallError
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.incidents import affected_modules, incidents
from arraywright.procedures.recalls import recalled_modules, recalls
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import FILE_RECEIVED, FILE_WITHDRAWN, SiteRecord
from arraywright.procedures.trace import story_of
from arraywright.procedures.where_now import whereabouts
from arraywright.records.entry import format_time, parse_body
from arraywright.web.access import ANYONE, TESTERS, AccessError, Visitor, require, site_of
from arraywright.web.job_pages import jobs_of, may_run
from arraywright.web.jobs import Job
from arraywright.web.limits import limited
from arraywright.web.office_pages import cached_overview, document_answer, documents
from arraywright.web.office_points import shown_points
from arraywright.web.office_progress import progress
from arraywright.web.office_state import PLACED_KINDS, STOCK_KINDS, files_received, pallets, stock
from arraywright.web.office_tests import SESSION_KINDS, measured_sessions
from arraywright.web.site_handle import SiteHandle
from arraywright.web.sync_routes import make_cursor, read_cursor
from arraywright.web.uploads import given_path, keep_uploads

__all__ = ["api_router"]

_often = limited("api", per_minute=1200, at_once=200)

api_router = APIRouter(prefix="/api/v1", tags=["state"], dependencies=[_often])

_Site = Annotated[SiteHandle, Depends(site_of)]
_Reader = Annotated[Visitor, require(*ANYONE, scope="read")]
_Worker = Annotated[Visitor, require(*TESTERS, scope="work")]
_Fetcher = Annotated[Visitor, require(*ANYONE, scope="documents")]
_Start = Annotated[int, Query(ge=0, le=10**9, description="rows left out before the first")]
_Limit = Annotated[int, Query(ge=1, le=5000, description="at most so many rows")]
_Verdict = Literal["pass", "fail", "review", "not_assessable"]
_MODULE_COLUMNS: Final = (
    "serial",
    "pallet",
    "module_type",
    "power_class_w",
    "current_class",
    "pmax_w",
    "voc_v",
    "isc_a",
    "vmp_v",
    "imp_a",
    "usable",
    "reason",
    "pallet_verdict",
)


class NewJob(BaseModel):
    """A procedure to run."""

    model_config = ConfigDict(extra="forbid")
    command: Literal["check", "receive", "allocate", "commission", "dossier", "verify"]
    files: list[str] = Field(
        default_factory=list, max_length=50, description="names of files handed in before"
    )
    replaced: str | None = Field(default=None, max_length=200)
    mode: Literal["auto", "whole", "piles", "single", "arrival"] | None = None
    replan: bool = False
    ahead: int | None = Field(default=None, ge=0, le=1000)


def _rows(frame: pl.DataFrame, start: int, limit: int) -> dict[str, Any]:
    floats = pl.col(pl.Float64, pl.Float32)
    frame = frame.with_columns(pl.when(floats.is_finite()).then(floats)) if frame.width else frame
    return {
        "rows": frame[start : start + limit].to_dicts(),
        "found": frame.height,
        "start": start,
    }


@api_router.get("/site", summary="The site at a glance")
def the_site(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """Give name, counts by stage, when each procedure last ran, and the record's seal."""
    seal = site.seal()
    held: dict[str, Any] = cached_overview(site).as_dict()
    return held | {
        "seal": {"entries": seal.entries, "receipt": seal.receipt},
        "server_time": format_time(site.settings.now()),
    }


@api_router.get("/deliveries", summary="Files handed in that stand")
def the_deliveries(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """List the tables handed in, the newest first."""
    return {"files": site.cached("files", files_received, kinds=(FILE_RECEIVED, FILE_WITHDRAWN))}


@api_router.get("/pallets", summary="Pallets with their verdicts")
def the_pallets(
    site: _Site,
    _visitor: _Reader,
    verdict: Literal["accept", "hold", "refuse"] | None = None,
    start: _Start = 0,
    limit: _Limit = 500,
) -> dict[str, Any]:
    """List pallets, those that are not accepted first."""
    found = site.cached("pallets", pallets, kinds=STOCK_KINDS)
    if verdict:
        found = found.filter(pl.col("verdict") == verdict)
    return _rows(found, start, limit)


@api_router.get("/stock", summary="Modules by class")
def the_stock(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """Count modules by class: ordered, delivered, accepted, held, placed, in the yard."""
    lines = site.cached("stock", stock, kinds=(*STOCK_KINDS, *PLACED_KINDS))
    return {"classes": [{name: getattr(one, name) for name in one.__slots__} for one in lines]}


def _frame(record: SiteRecord, kind: str, name: str) -> pl.DataFrame | None:
    entry = record.latest(kind)
    return None if entry is None else record.load_frame(entry, name)


@api_router.get("/modules", summary="Modules with their flash values")
def the_modules(
    site: _Site,
    _visitor: _Reader,
    pallet: Annotated[str | None, Query(max_length=100)] = None,
    start: _Start = 0,
    limit: _Limit = 500,
) -> dict[str, Any]:
    """List modules as reconciled, of one pallet or of all."""
    entry = site.record("server").latest(DELIVERY_RECONCILED)
    if entry is None:
        return {"rows": [], "found": 0, "start": start}
    frame = site.record("server").scan_frame(entry, "modules").select(_MODULE_COLUMNS)
    if pallet is not None:
        frame = frame.filter(pl.col("pallet") == pallet)
    found = frame.select(pl.len()).collect().item()
    return _rows(frame.slice(start, limit).collect(), 0, limit) | {"found": found, "start": start}


@api_router.get("/plan", summary="Which module goes to which string")
def the_plan(
    site: _Site, _visitor: _Reader, start: _Start = 0, limit: _Limit = 500
) -> dict[str, Any]:
    """List the assignments of the plan that stands."""
    frame = _frame(site.record("server"), ALLOCATION_PLANNED, "assignments")
    return _rows(pl.DataFrame() if frame is None else frame, start, limit)


@api_router.get("/strings", summary="Strings with readings and verdicts")
def the_strings(
    site: _Site,
    _visitor: _Reader,
    verdict: _Verdict | None = None,
    start: _Start = 0,
    limit: _Limit = 500,
) -> dict[str, Any]:
    """List strings as judged; nothing before the first tests."""
    frame = _frame(site.record("server"), STRINGS_JUDGED, "strings")
    if frame is None:
        return {"rows": [], "found": 0, "start": start}
    if verdict:
        frame = frame.filter(pl.col("verdict") == verdict)
    return _rows(frame, start, limit)


@api_router.get("/sessions", summary="Test sessions and their signatures")
def the_sessions(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """List test sessions, the newest first."""
    held = site.cached("sessions", measured_sessions, kinds=SESSION_KINDS)
    return {"sessions": [one.as_dict() for one in held]}


@api_router.get("/open-points", summary="Findings that are not a pass")
def the_points(
    site: _Site, _visitor: _Reader, start: _Start = 0, limit: _Limit = 500
) -> dict[str, Any]:
    """List open points, gravest first, settled ones last."""
    held = shown_points(site)
    return {
        "points": [
            {
                "key": one.key,
                "origin": one.origin,
                "settled_by": one.settled_by,
                "settled_at": one.settlement and one.settlement.at.isoformat(),
                "reason": one.reason,
                "inspected": "" if one.settlement is None else one.settlement.inspected,
                **one.finding.as_dict(),
            }
            for one in held.points[start : start + limit]
        ],
        "found": len(held.points),
        "open": held.still_open,
    }


@api_router.get("/progress", summary="What was done by day and person, and the forecast")
def the_progress(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """Give progress of building and testing."""
    held = site.cached("progress", progress, kinds=(*PLACED_KINDS, STRINGS_JUDGED))
    return held.as_dict()


@api_router.get("/incidents", summary="Incidents and the modules they are about")
def the_incidents(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """List incidents, the newest first, each with its modules and where they are."""
    record = site.record("server")
    where = whereabouts(record)
    return {
        "incidents": [
            one.as_dict() | {"modules": affected_modules(one, where).head(2_000).to_dicts()}
            for one in incidents(record)[:100]
        ]
    }


@api_router.get("/recalls", summary="Modules that their maker calls back")
def the_recalls(site: _Site, _visitor: _Reader) -> dict[str, Any]:
    """List recalls, the newest first, those taken back last, each with where its modules are."""
    record = site.record("server")
    where = whereabouts(record)
    return {
        "recalls": [
            one.as_dict() | {"modules": recalled_modules(one, where).head(2_000).to_dicts()}
            for one in recalls(record)[:100]
        ]
    }


@api_router.get("/story/{subject}", summary="The story of a serial, a pallet or a string")
def the_story(site: _Site, _visitor: _Reader, subject: str) -> dict[str, Any]:
    """Tell everything known of a subject, in time."""
    return story_of(site.record("server"), subject).result


@api_router.get("/changes", summary="Entries of the record from a cursor on")
def the_changes(
    site: _Site,
    _visitor: _Reader,
    after: Annotated[str, Query(max_length=300, description="cursor of the last answer")] = "",
    limit: Annotated[int, Query(ge=1, le=2000)] = 500,
) -> dict[str, Any]:
    """Give what was entered since, in server order, each entry once; bodies as JSON."""
    journal = site.journal("server")
    seal = journal.seal()
    reached = read_cursor(site, after)
    changes: list[dict[str, Any]] = []
    for entry in journal.entries(after=reached, at_once=limit + 1):
        if entry.server_order > seal.entries or len(changes) == limit:
            break
        reached = entry.server_order
        changes.append(
            {
                "uuid": entry.uuid,
                "kind": entry.kind,
                "subject_kind": entry.subject_kind,
                "subject": entry.subject,
                "person": entry.person,
                "device": entry.device,
                "device_time": format_time(entry.device_time),
                "received_time": entry.received_time and format_time(entry.received_time),
                "supersedes": entry.supersedes,
                "body": parse_body(entry.body),
            }
        )
    return {
        "changes": changes,
        "cursor": make_cursor(site, reached, seal),
        "more": reached < seal.entries,
    }


@api_router.get("/documents", tags=["documents"], summary="Documents and tables")
def the_documents(site: _Site, _visitor: _Fetcher) -> dict[str, Any]:
    """List what procedures wrote for people."""
    return {"documents": documents(site)}


@api_router.get(
    "/documents/{name}",
    tags=["documents"],
    summary="One document",
    response_class=FileResponse,
)
def the_document(site: _Site, _visitor: _Fetcher, name: str) -> Response:
    """Give a document or table."""
    return document_answer(site, name)


def _job(request: Request, job_id: str) -> Job:
    job = jobs_of(request).get(job_id)
    if job is None:
        raise AccessError(
            404, "job-unknown", message="There is no such work.", remedy="List the work."
        )
    return job


@api_router.post("/files", tags=["work"], status_code=201, summary="Hand in tables")
def hand_in(
    site: _Site, _visitor: _Worker, files: Annotated[list[UploadFile], File()]
) -> dict[str, Any]:
    """Keep tables; give their names for a job."""
    return {"files": [path.name for path in keep_uploads(site.folder, files)]}


@api_router.post("/jobs", tags=["work"], status_code=202, summary="Run a procedure")
def start_job(
    request: Request, site: _Site, visitor: _Worker, asked: Annotated[NewJob, Body()]
) -> dict[str, Any]:
    """Start a procedure in the background, in the visitor's name."""
    may_run(visitor, asked.command)
    if asked.files and asked.command not in {"receive", "commission"}:
        raise CallError("files-not-taken", f"{asked.command} takes no files.", "Leave them out.")
    options = asked.model_dump(exclude={"command", "files"})
    options["files"] = [str(given_path(site.folder, name)) for name in asked.files]
    return jobs_of(request).start(asked.command, person=visitor.person, options=options).as_dict()


@api_router.get("/jobs", tags=["work"], summary="Work of this server, the newest first")
def list_jobs(request: Request, _visitor: _Reader) -> dict[str, Any]:
    """List work, without its reports; work that a stop of the server cut off is ``interrupted``."""
    return {
        "jobs": [
            {key: value for key, value in job.as_dict().items() if key != "report"}
            for job in jobs_of(request).newest()
        ]
    }


@api_router.get("/jobs/{job_id}", tags=["work"], summary="How far a piece of work is")
def show_job(request: Request, _visitor: _Reader, job_id: str) -> dict[str, Any]:
    """Give stages, and the report when it is done."""
    return _job(request, job_id).as_dict()


@api_router.delete("/jobs/{job_id}", tags=["work"], summary="Stop a piece of work")
def stop_job(request: Request, _visitor: _Worker, job_id: str) -> dict[str, Any]:
    """Stop a piece of work; what it recorded before is whole."""
    job = _job(request, job_id)
    jobs_of(request).cancel(job)
    return job.as_dict()
