"""What people do on office pages: hand in files, start work, decide, sign, settle, tell."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, File, Form, Request, UploadFile
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.responses import Response

from arraywright.errors import CallError
from arraywright.procedures.commission import COMMISSIONING_TABLES
from arraywright.procedures.decisions import decide_pallet
from arraywright.procedures.exports import write_whole
from arraywright.procedures.incidents import record_incident
from arraywright.procedures.open_points import settle_point
from arraywright.procedures.receive import DELIVERY_TABLES
from arraywright.readers.heads import table_heads
from arraywright.web.access import (
    LEADS,
    TESTERS,
    AccessError,
    Role,
    Visitor,
    require,
    site_of,
)
from arraywright.web.job_pages import jobs_of, may_run
from arraywright.web.jobs import COMMANDS, Job
from arraywright.web.keeping_pages import lines_of
from arraywright.web.office_conflicts import withdraw_placement
from arraywright.web.office_state import pallets
from arraywright.web.office_tests import sign_session
from arraywright.web.phone_intake import phone_files
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle
from arraywright.web.uploads import INPUTS, given_path, keep_uploads

__all__ = ["actions_router", "mapping_text"]

actions_router = APIRouter(tags=["pages"], include_in_schema=False)

_Site = Annotated[SiteHandle, Depends(site_of)]
_Lead = Annotated[Visitor, require(*LEADS, devices=False)]
_Tester = Annotated[Visitor, require(*TESTERS, devices=False)]
_Text = Annotated[str, Form(max_length=5000)]
_STATIONS: Final = {"yard": "receive", "test": "commission"}
_TABLES: Final = {"yard": DELIVERY_TABLES, "test": COMMISSIONING_TABLES}
_MODES: Final = ("auto", "whole", "piles", "single", "arrival")


def _station(visitor: Visitor, station: str) -> str:
    if station not in _STATIONS:
        raise CallError("station-unknown", f"Found the station {station[:50]!r}.", "Open one.")
    if station == "yard" and visitor.role is Role.TESTER:
        raise AccessError(
            403,
            "not-allowed",
            message="Deliveries are received by the site lead.",
            remedy="Ask the site lead.",
        )
    return _STATIONS[station]


def _begun(request: Request, job: Job) -> Response:
    at = f"/jobs/{job.id}"
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"job": job.id, "at": at}, status_code=202)
    return RedirectResponse(at, status_code=303)


@actions_router.post("/uploads/{station}")
def hand_in(
    request: Request,
    site: _Site,
    visitor: _Tester,
    station: str,
    files: Annotated[list[UploadFile], File()],
    replaced: _Text = "",
) -> Response:
    """Hand in files at the yard or for tests, and have them read and judged."""
    command = _station(visitor, station)
    kept = keep_uploads(site.folder, files)
    job = jobs_of(request).start(
        command,
        person=visitor.person,
        options={
            "files": [str(path) for path in kept],
            "replaced": replaced.strip() or None,
            "station": station,
        },
    )
    return _begun(request, job)


@actions_router.post("/run/{command}")
def run(
    request: Request,
    site: _Site,
    visitor: _Tester,
    command: str,
    mode: _Text = "",
    replan: _Text = "",
    ahead: _Text = "",
) -> Response:
    """Start a procedure."""
    if command in COMMANDS:
        may_run(visitor, command)
    options: dict[str, Any] = {}
    if command == "allocate":
        options = {
            "mode": mode if mode in _MODES else None,
            "replan": bool(replan),
            "ahead": int(ahead) if ahead.isdigit() and len(ahead) < 5 else None,
        }
    if command == "commission":
        options = phone_files(site, visitor.person)
    job = jobs_of(request).start(command, person=visitor.person, options=options)
    return _begun(request, job)


@actions_router.post("/jobs/{job_id}/cancel")
def cancel(request: Request, _visitor: _Tester, job_id: str) -> Response:
    """Stop a piece of work."""
    jobs = jobs_of(request)
    job = jobs.get(job_id)
    if job is not None:
        jobs.cancel(job)
    return RedirectResponse(f"/jobs/{job_id}", status_code=303)


@actions_router.get("/mapping/{station}")
def mapping_page(
    request: Request, site: _Site, visitor: _Tester, station: str, file: str, kind: str = ""
) -> Response:
    """Show the top of a file that was not recognised, to say which column is which."""
    _station(visitor, station)
    path = given_path(site.folder, file)
    specs = {spec.kind: spec for spec in _TABLES[station]}
    chosen = specs.get(kind)
    heads = table_heads(path)
    headings: list[str] = []
    for head in heads:
        for row in head.rows[:30]:
            headings += [cell for cell in row if cell]
    return render(
        request,
        "mapping.html",
        visitor=visitor,
        given={
            "station": station,
            "file": path.name,
            "heads": heads,
            "specs": list(specs.values()),
            "chosen": chosen,
            "headings": list(dict.fromkeys(headings))[:400],
        },
    )


def mapping_text(*, kind: str, columns: dict[str, str], decimal_mark: str, date_order: str) -> str:
    """Write a mapping file as docs/files.md describes it."""

    def quoted(text: str) -> str:
        plain = text.replace("\\", "\\\\").replace('"', '\\"')
        return '"' + "".join(one if one >= " " else f"\\u{ord(one):04x}" for one in plain) + '"'

    lines = [f"kind = {quoted(kind)}"]
    if decimal_mark in {".", ","}:
        lines.append(f"decimal_mark = {quoted(decimal_mark)}")
    if date_order in {"day_first", "month_first", "year_first"}:
        lines.append(f"date_order = {quoted(date_order)}")
    lines += ["", "[columns]"]
    lines += [f"{name} = {quoted(heading)}" for name, heading in columns.items()]
    return "\n".join(lines) + "\n"


@actions_router.post("/mapping/{station}")
async def give_mapping(request: Request, site: _Site, visitor: _Tester, station: str) -> Response:
    """Read a file by the columns that a person chose."""
    command = _station(visitor, station)
    form = {key: str(value) for key, value in (await request.form()).items()}
    spec = next((one for one in _TABLES[station] if one.kind == form.get("kind")), None)
    if spec is None:
        raise CallError("kind-unknown", "It is not said which table this is.", "Choose one.")
    path = given_path(site.folder, form.get("file", ""))
    columns = {
        column.name: form[f"column.{column.name}"]
        for column in spec.columns
        if form.get(f"column.{column.name}")
    }
    text = mapping_text(
        kind=spec.kind,
        columns=columns,
        decimal_mark=form.get("decimal_mark", ""),
        date_order=form.get("date_order", ""),
    )
    mapping: Path = write_whole(site.folder / INPUTS / f"{path.name}.mapping.toml", text.encode())
    job = jobs_of(request).start(
        command,
        person=visitor.person,
        options={"files": [str(path)], "mapping": str(mapping), "station": station},
    )
    return _begun(request, job)


@actions_router.post("/yard/decide")
def decide(
    request: Request,
    site: _Site,
    visitor: _Lead,
    pallet: _Text,
    verdict: _Text,
    reason: _Text,
) -> Response:
    """Decide about a pallet, and judge the deliveries anew."""
    record = site.record(visitor.person)
    if pallet not in pallets(record)["pallet"].to_list():
        raise CallError("pallet-unknown", f"There is no pallet {pallet[:50]!r}.", "Open the yard.")
    decide_pallet(record, pallet, verdict=verdict, reason=reason)
    job = jobs_of(request).start(
        "receive", person=visitor.person, options={"files": [], "station": "yard"}
    )
    return _begun(request, job)


@actions_router.post("/yard/incidents")
def tell_incident(
    site: _Site, visitor: _Tester, what: _Text, day: _Text, told: _Text, names: _Text
) -> Response:
    """Enter an incident."""
    try:
        on = date.fromisoformat(day)
    except ValueError:
        raise CallError(
            "day-not-understood", f"Found the day {day[:30]!r}.", "Give a date."
        ) from None
    record = site.record(visitor.person)
    entry = record_incident(record, what=what, day=on, told=told, names=lines_of(names))
    return RedirectResponse(f"/incidents/{entry.uuid}", status_code=303)


@actions_router.post("/build/withdraw")
def withdraw(site: _Site, visitor: _Tester, uuid: _Text, reason: _Text) -> Response:
    """Take a placement back that another one contradicts."""
    withdraw_placement(site.record(visitor.person), uuid, reason=reason)
    return RedirectResponse("/build", status_code=303)


@actions_router.post("/test/sign")
def sign(site: _Site, visitor: _Tester, session: _Text, digest: _Text) -> Response:
    """Sign the verdicts of a session as they stand."""
    sign_session(site.record(visitor.person), session, digest=digest)
    return RedirectResponse("/test", status_code=303)


@actions_router.post("/test/settle")
def settle(site: _Site, visitor: _Tester, point: _Text, reason: _Text = "") -> Response:
    """Settle an open point with a reason, or open it again."""
    settle_point(site.record(visitor.person), point, reason=reason)
    return RedirectResponse("/test#points", status_code=303)
