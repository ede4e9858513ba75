"""Synchronisation, protocol 1: the routes that docs/sync.md describes."""

from __future__ import annotations

import base64
import json
from collections.abc import Sequence
from datetime import datetime
from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Body, Depends, Header, Query, Request
from fastapi.responses import FileResponse, JSONResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.concurrency import run_in_threadpool
from starlette.responses import Response

from arraywright.errors import CallError
from arraywright.records import (
    DEVICE_INTRODUCED,
    Entry,
    JournalSeal,
    entry_as_json,
    entry_from_json,
)
from arraywright.records.counts import device_counts, files_named_by, receipt_at
from arraywright.records.entry import entry_weakness, format_time, parse_time
from arraywright.records.identity import signature_holds
from arraywright.records.people import Person
from arraywright.records.people_access import devices, enrol_device, note_clock, person_of_code
from arraywright.web.access import ANYONE, CREWS, AccessError, Visitor, require, site_of
from arraywright.web.limits import limited
from arraywright.web.security import PIECE_BYTES, Counts
from arraywright.web.settings import MEBIBYTE
from arraywright.web.site_handle import SiteHandle
from arraywright.web.sync_files import PieceRefusal
from arraywright.web.sync_rules import authors, refusal_of

__all__ = ["PROTOCOL", "sync_router"]

PROTOCOL: Final = 1
_BATCH_ENTRIES: Final = 1_000
_PULL_ENTRIES: Final = 2_000
_MISSING_FILES: Final = 1_000

sync_router = APIRouter(prefix="/sync/v1", tags=["synchronisation"])

_Site = Annotated[SiteHandle, Depends(site_of)]
_Pulling = Annotated[Visitor, require(*ANYONE)]
_Pushing = Annotated[Visitor, require(*CREWS)]
_often = limited("sync", per_minute=1200, at_once=200)
_seldom = limited("enrol", per_minute=20, at_once=20)


class Code(BaseModel):
    """A one-time code from the office."""

    model_config = ConfigDict(extra="forbid")
    code: str = Field(min_length=1, max_length=200)


class Enrolment(Code):
    """A device introduces itself."""

    label: str = Field(default="", max_length=100)
    entry: dict[str, Any]


class Batch(BaseModel):
    """Entries that a device sends."""

    model_config = ConfigDict(extra="forbid")
    device_time: str | None = Field(default=None, max_length=40)
    entries: list[Any] = Field(max_length=_BATCH_ENTRIES)


class Pushed(BaseModel):
    """What came of one entry."""

    uuid: str
    outcome: Literal["added", "already_there", "refused"]
    code: str = ""
    reason: str = ""


class Held(BaseModel):
    """What a device holds of one device's entries."""

    model_config = ConfigDict(extra="forbid")
    device: str = Field(pattern=r"^[0-9a-f]{64}$")
    entries: int = Field(ge=0)
    last_sequence: int = Field(ge=0)
    last_hash: str = Field(default="", max_length=64)


class Comparison(BaseModel):
    """What a device holds, to be compared."""

    model_config = ConfigDict(extra="forbid")
    devices: list[Held] = Field(max_length=100)


def _moment(site: SiteHandle) -> str:
    return format_time(site.settings.now())


def _whose(site: SiteHandle, person: Person) -> dict[str, Any]:
    return {
        "protocol": PROTOCOL,
        "site": site.name(),
        "person": person.name,
        "role": person.role.value,
        "language": person.language,
        "units": person.units,
        "server_time": _moment(site),
    }


@sync_router.post("/enrol/look", dependencies=[_seldom])
def look(site: _Site, asked: Annotated[Code, Body()]) -> dict[str, Any]:
    """Tell whose device a one-time code makes."""
    person = person_of_code(site.people, asked.code)
    if person is None:
        raise CallError(
            "code-over",
            "This code was used for another device or is too old.",
            "Ask in the office for a new one.",
        )
    return _whose(site, person)


@sync_router.post("/enrol", dependencies=[_seldom])
def enrol(site: _Site, asked: Annotated[Enrolment, Body()]) -> dict[str, Any]:
    """Take in a device: its first entry, signed, against a one-time code."""
    person = person_of_code(site.people, asked.code)
    entry, weakness = _read_entry(asked.entry)
    if person is None:
        return look(site, asked)
    if entry is None or (weakness := _introduction_weakness(entry, person)):
        raise CallError(
            "introduction-refused",
            f"The device's first entry is not as required: {weakness}.",
            "Make it as docs/sync.md says, with the person's name as enrol/look gives it.",
        )
    token, person = enrol_device(
        site.people, code=asked.code, device=entry.device, label=asked.label
    )
    outcome = site.journal(person.name).merge([entry]).results[0]
    return {
        **_whose(site, person),
        "device": entry.device,
        "token": token,
        "outcome": outcome.status,
    }


@sync_router.get("/hello", dependencies=[_often])
def hello(site: _Site, visitor: _Pulling) -> dict[str, Any]:
    """Tell whether the token holds and what the server can take."""
    seal = site.seal()
    return {
        "protocol": PROTOCOL,
        "site": site.name(),
        "person": visitor.person,
        "role": visitor.role.value,
        "language": visitor.language,
        "units": visitor.units,
        "device": visitor.device,
        "server_time": _moment(site),
        "seal": {"entries": seal.entries, "receipt": seal.receipt},
        "limits": {
            "batch_entries": _BATCH_ENTRIES,
            "batch_bytes": 16 * MEBIBYTE,
            "pull_entries": _PULL_ENTRIES,
            "file_bytes": site.settings.max_file_bytes,
            "piece_bytes": PIECE_BYTES,
        },
    }


@sync_router.post("/push", dependencies=[_often])
def push(
    request: Request, site: _Site, visitor: _Pushing, batch: Annotated[Batch, Body()]
) -> dict[str, Any]:
    """Take entries of devices, each judged by itself; what is there already changes nothing."""
    now = site.settings.now()
    ahead_s = _clock_ahead_s(batch.device_time, now)
    results = _judge(site, batch.entries)
    if visitor.device is not None and ahead_s is not None:
        note_clock(site.people, visitor.device, ahead_s=ahead_s)
    counts: Counts = request.app.state.counts
    for result in results:
        counts.add(f"entries_{result.outcome}")
    if any(result.outcome == "added" for result in results):
        request.app.state.phone_judging.notice()
    return {
        "server_time": format_time(now),
        "clock_ahead_s": ahead_s,
        "results": [result.model_dump() for result in results],
    }


@sync_router.get("/pull", dependencies=[_often])
def pull(
    site: _Site,
    visitor: _Pulling,
    after: Annotated[str, Query(max_length=300)] = "",
    limit: Annotated[int, Query(ge=1, le=_PULL_ENTRIES)] = 500,
    kinds: Annotated[str, Query(max_length=2000)] = "",
    own: bool = True,  # noqa: FBT001, FBT002
) -> dict[str, Any]:
    """Give entries in the order in which they were received, from a cursor on."""
    journal = site.journal(visitor.person)
    seal = journal.seal()
    order = read_cursor(site, after)
    wanted = {kind for kind in kinds.split(",") if kind}
    entries: list[Entry] = []
    reached, more = order, False
    for entry in journal.entries(after=order, at_once=limit + 1):
        if entry.server_order > seal.entries:
            break
        if len(entries) == limit:
            more = True
            break
        reached = entry.server_order
        if (not wanted or entry.kind in wanted) and (own or entry.device != visitor.device):
            entries.append(entry)
    return {
        "server_time": _moment(site),
        "entries": [
            entry_as_json(entry)
            | {"received_time": entry.received_time and format_time(entry.received_time)}
            for entry in entries
        ],
        "cursor": make_cursor(site, reached, seal),
        "more": more,
    }


@sync_router.post("/compare", dependencies=[_often])
def compare(site: _Site, _visitor: _Pushing, held: Annotated[Comparison, Body()]) -> dict[str, Any]:
    """Compare counts of both sides, and list what is missing here."""
    ids = [one.device for one in held.devices]
    counts = device_counts(site.store, ids)
    results = []
    for one in held.devices:
        here = counts[one.device]
        same = not here.gaps and (one.entries, one.last_sequence, one.last_hash) == (
            here.entries,
            here.last_sequence,
            here.last_hash,
        )
        results.append(
            {
                "device": one.device,
                "same": same,
                "entries": here.entries,
                "last_sequence": here.last_sequence,
                "last_hash": here.last_hash,
                "gaps": [list(gap) for gap in here.gaps],
            }
        )
    missing = [named for named in files_named_by(site.store, ids) if not site.files.has(named)]
    return {
        "server_time": _moment(site),
        "results": results,
        "missing_files": [
            {
                "sha256": named.sha256,
                "size": named.size,
                "name": named.name,
                "offset": site.arriving.state(named.sha256).offset,
            }
            for named in missing[:_MISSING_FILES]
        ],
    }


@sync_router.head("/files/{sha256}", dependencies=[_often])
def file_state(site: _Site, _visitor: _Pulling, sha256: str) -> Response:
    """Tell how much of a file is here."""
    state = site.arriving.state(sha256)
    return Response(
        headers={
            "Upload-Offset": str(state.offset),
            "Upload-Complete": "?1" if state.complete else "?0",
        }
    )


@sync_router.put("/files/{sha256}", dependencies=[_often])
async def put_piece(
    request: Request,
    site: _Site,
    _visitor: _Pushing,
    sha256: str,
    upload_offset: Annotated[int, Header(ge=0)],
    upload_length: Annotated[int, Header(ge=0)],
) -> Response:
    """Take a piece of a file."""
    piece = await request.body()
    outcome = await run_in_threadpool(
        site.arriving.add, sha256, piece, offset=upload_offset, length=upload_length
    )
    if isinstance(outcome, PieceRefusal):
        shape = {
            "code": outcome.code,
            "message": outcome.reason,
            "remedy": "Go on from the offset given.",
        }
        return JSONResponse({"error": shape, "offset": outcome.offset}, status_code=outcome.status)
    return JSONResponse({"sha256": sha256, "offset": outcome.offset, "complete": outcome.complete})


@sync_router.get("/files/{sha256}", dependencies=[_often], response_class=FileResponse)
def get_file(site: _Site, _visitor: _Pulling, sha256: str) -> Response:
    """Give a file."""
    if not site.arriving.state(sha256).complete:
        raise AccessError(
            404,
            "file-unknown",
            message="This file is not here.",
            remedy="Wait until the device that made it has sent it.",
        )
    return FileResponse(
        site.files.path(sha256), media_type="application/octet-stream", filename=sha256
    )


def make_cursor(site: SiteHandle, order: int, seal: JournalSeal) -> str:
    """Make the cursor behind the entry with a server order.

    Args:
        site: the site.
        order: the server order.
        seal: the record's seal, spared a look when the cursor is at its end.
    """
    receipt = (
        seal.receipt
        if order == seal.entries
        else (receipt_at(site.store, order) or bytes(32)).hex()
    )
    text = json.dumps([PROTOCOL, order, receipt[:16]], separators=(",", ":"))
    return base64.urlsafe_b64encode(text.encode()).decode().rstrip("=")


def read_cursor(site: SiteHandle, cursor: str) -> int:
    """Give the server order behind which a cursor stands; 0 for the beginning.

    Raises:
        AccessError: the cursor is not of this record.
    """
    if not cursor:
        return 0
    try:
        held = json.loads(base64.urlsafe_b64decode(cursor + "=" * (-len(cursor) % 4)))
        protocol, order, receipt = held
        known = type(order) is int and 0 <= order < 2**53 and protocol == PROTOCOL
    except (ValueError, TypeError, RecursionError):
        known = False
    if known:
        found = bytes(32) if order == 0 else receipt_at(site.store, order)
        if found is not None and found.hex()[:16] == receipt:
            return int(order)
    raise AccessError(
        409,
        "cursor-foreign",
        message="This cursor is not of this record.",
        remedy="Pull from the beginning, compare, and push what is missing.",
    )


def _clock_ahead_s(device_time: str | None, now: datetime) -> float | None:
    if device_time is None:
        return None
    try:
        return round((parse_time(device_time) - now).total_seconds(), 1)
    except ValueError:
        return None


def _read_entry(fields: object) -> tuple[Entry | None, str]:
    try:
        return entry_from_json(fields), ""
    except (ValueError, OverflowError) as error:
        return None, str(error)


def _introduction_weakness(entry: Entry, person: Person) -> str:
    if entry.kind != DEVICE_INTRODUCED or entry.sequence != 1:
        return f"it is no first entry of the kind {DEVICE_INTRODUCED}"
    if entry.person != person.name:
        return f"it names {entry.person}, required is {person.name}"
    if weakness := entry_weakness(entry):
        return weakness
    if not signature_holds(entry.device, entry_hash=entry.entry_hash, signature=entry.signature):
        return "the signature is not that of the device"
    return ""


def _judge(site: SiteHandle, sent: Sequence[object]) -> list[Pushed]:
    read = [_read_entry(fields) for fields in sent]
    sound = [entry for entry, _ in read if entry is not None]
    known = {one.device: one for one in devices(site.people, among=authors(sound))}
    results: list[Pushed | None] = []
    taken: list[tuple[int, Entry]] = []
    for fields, (entry, weakness) in zip(sent, read, strict=True):
        if entry is None:
            uuid = fields.get("uuid", "") if isinstance(fields, dict) else ""
            results.append(
                Pushed(
                    uuid=str(uuid)[:100], outcome="refused", code="entry-malformed", reason=weakness
                )
            )
        elif (refusal := refusal_of(entry, known)) is not None:
            results.append(
                Pushed(uuid=entry.uuid, outcome="refused", code=refusal.code, reason=refusal.reason)
            )
        else:
            taken.append((len(results), entry))
            results.append(None)
    merged = site.journal("server").merge(entry for _, entry in taken).results
    for (place, _), result in zip(taken, merged, strict=True):
        results[place] = Pushed(
            uuid=result.uuid,
            outcome=result.status,
            code="entry-refused" if result.status == "refused" else "",
            reason=result.reason,
        )
    return [result for result in results if result is not None]
