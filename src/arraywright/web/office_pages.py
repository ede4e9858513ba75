"""The pages of the stations."""

from __future__ import annotations

from typing import Annotated, Any, Final

import polars as pl
from fastapi import APIRouter, Depends, Query, Request
from fastapi.responses import FileResponse
from starlette.responses import Response

from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.check_record import DESIGN_CHECKED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.decisions import DECISIONS, pallet_decisions
from arraywright.procedures.field_rows import MODULE_PLACED, PLACEMENT_UNDONE
from arraywright.procedures.incidents import INCIDENT_KINDS, INCIDENT_WHATS, incidents
from arraywright.procedures.photographs import photo_kind
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import (
    FILE_RECEIVED,
    FILE_WITHDRAWN,
    OUT_FOLDER,
    SiteRecord,
)
from arraywright.procedures.trace import story_of
from arraywright.records.entry import parse_body
from arraywright.web.access import ANYONE, AccessError, Visitor, require, site_of
from arraywright.web.office_conflicts import placement_conflicts
from arraywright.web.office_plots import columns_plot, trade_off_plot
from arraywright.web.office_progress import progress
from arraywright.web.office_reports import site_reports
from arraywright.web.office_state import (
    PLACED_KINDS,
    STOCK_KINDS,
    files_received,
    overview,
    pallets,
    stock,
)
from arraywright.web.office_tests import SESSION_KINDS
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle

__all__ = ["cached_overview", "documents", "latest_summary", "office_router"]

office_router = APIRouter(tags=["pages"], include_in_schema=False)

_Site = Annotated[SiteHandle, Depends(site_of)]
_Anyone = Annotated[Visitor, require(*ANYONE, devices=False)]
_PAGE: Final = 50
_ALL_KINDS: Final = (*STOCK_KINDS, *PLACED_KINDS, *SESSION_KINDS, ALLOCATION_PLANNED,
                     DESIGN_CHECKED, "dossier_written", *INCIDENT_KINDS)  # fmt: skip
_FILE_KINDS: Final = (FILE_RECEIVED, FILE_WITHDRAWN)
_WORDS_OF_KINDS: Final = {
    ".pdf": "application/pdf",
    ".csv": "text/csv; charset=utf-8",
    ".json": "application/json",
    ".txt": "text/plain; charset=utf-8",
}


def cached_overview(site: SiteHandle) -> Any:
    """Give the site at a glance, reckoned once for every state of the record."""
    return site.cached("overview", overview, kinds=_ALL_KINDS)


def latest_summary(record: SiteRecord, kind: str) -> dict[str, Any]:
    """Give the summary of the newest result of a kind, with ``_at`` and ``_person``."""
    entry = record.latest(kind)
    if entry is None:
        return {}
    held: dict[str, Any] = parse_body(entry.body)["summary"]
    return held | {"_at": entry.device_time, "_person": entry.person}


@office_router.get("/design")
def design(request: Request, site: _Site, visitor: _Anyone) -> Response:
    """Show the design: what is to be built, and what its checks found."""
    record = site.record(visitor.person)
    entry = record.latest(DESIGN_CHECKED)
    findings = () if entry is None else record.load_findings(entry)
    return render(
        request,
        "design.html",
        visitor=visitor,
        given={
            "site": record.site,
            "overview": cached_overview(site),
            "checked": latest_summary(record, DESIGN_CHECKED),
            "findings": [one for one in findings if one.verdict != "pass"][:300],
            "passed": sum(one.verdict == "pass" for one in findings),
        },
    )


@office_router.get("/yard")
def yard(
    request: Request,
    site: _Site,
    visitor: _Anyone,
    verdict: str = "",
    q: Annotated[str, Query(max_length=100)] = "",
    start: Annotated[int, Query(ge=0, le=10**7)] = 0,
) -> Response:
    """Show deliveries, pallets with their verdicts, and the stock by class."""
    record = site.record(visitor.person)
    found = site.cached("pallets", pallets, kinds=STOCK_KINDS)
    if verdict:
        found = found.filter(pl.col("verdict") == verdict)
    if q:
        found = found.filter(pl.col("pallet").str.contains(q.strip(), literal=True))
    return render(
        request,
        "yard.html",
        visitor=visitor,
        given={
            "overview": cached_overview(site),
            "stock": site.cached("stock", stock, kinds=(*STOCK_KINDS, *PLACED_KINDS)),
            "files": site.cached("files", files_received, kinds=_FILE_KINDS)[:50],
            "pallets": found[start : start + _PAGE].to_dicts(),
            "found": found.height,
            "start": start,
            "page": _PAGE,
            "verdict": verdict,
            "q": q,
            "decisions": pallet_decisions(record),
            "choices": DECISIONS,
            "incidents": incidents(record),
            "whats": INCIDENT_WHATS,
            "received": latest_summary(record, DELIVERY_RECONCILED),
        },
    )


def _plan(record: SiteRecord) -> dict[str, Any]:
    entry = record.latest(ALLOCATION_PLANNED)
    if entry is None:
        return {}
    frames = {
        name: record.load_frame(entry, name).to_dicts()
        for name in ("trade_off", "classes", "yard_days", "changes", "unplanned")
    }
    return {"summary": latest_summary(record, ALLOCATION_PLANNED), **frames}


@office_router.get("/build")
def build(request: Request, site: _Site, visitor: _Anyone) -> Response:
    """Show the plan with what it trades, and how far building is, by day and person."""
    plan = site.cached("plan", _plan, kinds=(ALLOCATION_PLANNED,))
    done = site.cached("progress", progress, kinds=(*PLACED_KINDS, STRINGS_JUDGED))
    return render(
        request,
        "build.html",
        visitor=visitor,
        given={
            "overview": cached_overview(site),
            "plan": plan,
            "plot": trade_off_plot(plan["trade_off"], plan["summary"]) if plan else None,
            "progress": done,
            "days": columns_plot(done.placed, "modules"),
            "reports": site.cached("reports", site_reports),
            "conflicts": site.cached(
                "conflicts", placement_conflicts, kinds=(MODULE_PLACED, PLACEMENT_UNDONE)
            )[:100],
        },
    )


def documents(site: SiteHandle) -> list[dict[str, Any]]:
    """List what procedures wrote for people, the newest first."""
    folder = site.folder / OUT_FOLDER
    found = []
    for path in folder.glob("*") if folder.is_dir() else ():
        if path.is_file() and not path.name.startswith(".") and not path.is_symlink():
            stat = path.stat()
            found.append({"name": path.name, "size": stat.st_size, "at": stat.st_mtime})
    return sorted(found, key=lambda one: (-one["at"], one["name"]))


@office_router.get("/documents")
def documents_page(request: Request, site: _Site, visitor: _Anyone) -> Response:
    """Show every document and table."""
    return render(
        request,
        "documents.html",
        visitor=visitor,
        given={"documents": documents(site), "overview": cached_overview(site)},
    )


def document_answer(site: SiteHandle, name: str) -> Response:
    """Give a document.

    Raises:
        AccessError: there is none of that name.
    """
    if name not in {one["name"] for one in documents(site)}:
        raise AccessError(
            404, "document-unknown", message="There is no such document.", remedy="Open the list."
        )
    path = site.folder / OUT_FOLDER / name
    return FileResponse(
        path,
        media_type=_WORDS_OF_KINDS.get(path.suffix, "application/octet-stream"),
        filename=name,
        content_disposition_type="inline" if path.suffix == ".pdf" else "attachment",
    )


@office_router.get("/documents/{name}")
def document(site: _Site, _visitor: _Anyone, name: str) -> Response:
    """Give a document."""
    return document_answer(site, name)


@office_router.get("/photos/{sha256}", response_class=FileResponse)
def photo(site: _Site, _visitor: _Anyone, sha256: str) -> Response:
    """Give a photograph; a stored file that is no picture is not given."""
    path = site.files.path(sha256)
    kind = None
    if path.is_file():
        with path.open("rb") as file:
            kind = photo_kind(file.read(16))
    if kind is None:
        raise AccessError(
            404, "photo-unknown", message="There is no such photograph.", remedy="Look again later."
        )
    return FileResponse(path, media_type=kind, headers={"Cache-Control": "private, max-age=86400"})


@office_router.get("/story/{subject}")
def story(request: Request, site: _Site, visitor: _Anyone, subject: str) -> Response:
    """Tell the story of a serial, a pallet or a string."""
    report = story_of(site.record(visitor.person), subject)
    return render(request, "story.html", visitor=visitor, given={"report": report})


@office_router.get("/find")
def find(
    request: Request,
    site: _Site,
    visitor: _Anyone,
    q: Annotated[str, Query(max_length=100)] = "",
) -> Response:
    """Find a serial, a pallet or a string by its name or last characters."""
    return story(request, site, visitor, q.strip())
