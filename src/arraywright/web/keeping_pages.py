"""The station Keep with its recalls, and the pages of incidents: what must not be lost."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from arraywright.errors import CallError
from arraywright.procedures.hand_over import DOSSIER_WRITTEN
from arraywright.procedures.incidents import affected_modules, incidents
from arraywright.procedures.open_points import settle_point
from arraywright.procedures.recalls import (
    RecallScope,
    later_modules,
    recalled_modules,
    recalls,
    record_recall,
    withdraw_recall,
)
from arraywright.procedures.where_now import count_where, whereabouts
from arraywright.web.access import ANYONE, LEADS, TESTERS, AccessError, Visitor, require, site_of
from arraywright.web.office_pages import cached_overview, latest_summary
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle

__all__ = ["keeping_router", "lines_of"]

keeping_router = APIRouter(tags=["pages"], include_in_schema=False)

_Site = Annotated[SiteHandle, Depends(site_of)]
_Anyone = Annotated[Visitor, require(*ANYONE, devices=False)]
_Lead = Annotated[Visitor, require(*LEADS, devices=False)]
_Tester = Annotated[Visitor, require(*TESTERS, devices=False)]
_Text = Annotated[str, Form(max_length=5000)]
_List = Annotated[str, Form(max_length=2_000_000)]
_SHOWN: Final = 2_000
_SCOPE_WORDS: Final = {
    "pallets": "pallets",
    "delivery_note": "recall_note",
    "module_type": "recall_type",
    "flashed_from": "recall_flashed_from",
    "flashed_to": "recall_flashed_to",
}


def lines_of(text: str) -> list[str]:
    """Give the names in a text, one a line or parted by commas."""
    return [line.strip() for line in text.replace(",", "\n").splitlines() if line.strip()]


def _day(text: str) -> date | None:
    if not text.strip():
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise CallError(
            "day-not-understood", f"Found the day {text[:30]!r}.", "Give a date."
        ) from None


@keeping_router.get("/keep")
def keep(request: Request, site: _Site, visitor: _Anyone) -> Response:
    """Show what is kept for the years after building."""
    record = site.record(visitor.person)
    called_back = recalls(record)
    return render(
        request,
        "keep.html",
        visitor=visitor,
        given={
            "overview": cached_overview(site),
            "dossier": latest_summary(record, DOSSIER_WRITTEN),
            "seal": site.seal(),
            "recalls": called_back,
            "later": {one.key: len(later_modules(record, one)) for one in called_back},
            "module_types": sorted(record.site.module_types),
        },
    )


@keeping_router.post("/keep/recalls")
def enter_recall(
    site: _Site,
    visitor: _Lead,
    reason: _Text,
    serials: _List = "",
    pallets: _List = "",
    delivery_note: _Text = "",
    module_type: _Text = "",
    flashed_from: _Text = "",
    flashed_to: _Text = "",
) -> Response:
    """Enter that modules are recalled."""
    scope = RecallScope(
        serials=tuple(lines_of(serials)),
        pallets=tuple(lines_of(pallets)),
        delivery_note=delivery_note.strip(),
        module_type=module_type.strip(),
        flashed_from=_day(flashed_from),
        flashed_to=_day(flashed_to),
    )
    entry = record_recall(site.record(visitor.person), reason=reason, scope=scope)
    return RedirectResponse(f"/keep/recalls/{entry.uuid}", status_code=303)


@keeping_router.get("/keep/recalls/{key}")
def recall_page(request: Request, site: _Site, visitor: _Anyone, key: str) -> Response:
    """Show a recall: its modules, where they are now, and what was done."""
    record = site.record(visitor.person)
    found = next((one for one in recalls(record) if one.key == key), None)
    if found is None:
        raise AccessError(
            404, "recall-unknown", message="There is no such recall.", remedy="Open Keep."
        )
    modules = recalled_modules(found, whereabouts(record))
    return render(
        request,
        "recall.html",
        visitor=visitor,
        given={
            "recall": found,
            "modules": modules.head(_SHOWN).to_dicts(),
            "counts": count_where(modules),
            "scope": [(name, found.scope[name]) for name in _SCOPE_WORDS if name in found.scope],
            "scope_words": _SCOPE_WORDS,
            "later": later_modules(record, found),
        },
    )


@keeping_router.post("/keep/recalls/{key}/later")
def recall_later(site: _Site, visitor: _Lead, key: str) -> Response:
    """Recall the modules too that came since and fit what a recall was chosen by."""
    record = site.record(visitor.person)
    found = next((one for one in recalls(record) if one.key == key), None)
    later = () if found is None else later_modules(record, found)
    if found is None or not later:
        raise CallError(
            "recall-fits-not", "No module that came since fits this recall.", "Open Keep."
        )
    entry = record_recall(record, reason=found.reason, scope=RecallScope(serials=later))
    return RedirectResponse(f"/keep/recalls/{entry.uuid}", status_code=303)


def _settle(site: SiteHandle, visitor: Visitor, key: str, *, told: tuple[str, str]) -> None:
    """Settle an incident or a recall by what was inspected or done, or open it again."""
    inspected, reason = told
    if bool(inspected.strip()) != bool(reason.strip()):
        raise CallError(
            "settlement-not-told",
            "What was inspected or done, or why nothing more is to be done, is not told.",
            "Tell both.",
        )
    settle_point(site.record(visitor.person), key, reason=reason, inspected=inspected)


@keeping_router.post("/keep/recalls/{key}/settle")
def settle_recall(
    site: _Site, visitor: _Lead, key: str, reason: _Text = "", inspected: _Text = ""
) -> Response:
    """Say that all is done about a recall, or open it again."""
    _settle(site, visitor, key, told=(inspected, reason))
    return RedirectResponse(f"/keep/recalls/{key}", status_code=303)


@keeping_router.post("/keep/recalls/{key}/withdraw")
def take_back_recall(site: _Site, visitor: _Lead, key: str, reason: _Text) -> Response:
    """Take a recall back."""
    withdraw_recall(site.record(visitor.person), key, reason=reason)
    return RedirectResponse(f"/keep/recalls/{key}", status_code=303)


@keeping_router.get("/incidents/{key}")
def incident_page(request: Request, site: _Site, visitor: _Anyone, key: str) -> Response:
    """Show an incident: what is affected, where it is now, what to inspect, who settled it."""
    record = site.record(visitor.person)
    found = next((one for one in incidents(record) if one.key == key), None)
    if found is None:
        raise AccessError(
            404, "incident-unknown", message="There is no such incident.", remedy="Open the yard."
        )
    modules = affected_modules(found, whereabouts(record))
    return render(
        request,
        "incident.html",
        visitor=visitor,
        given={
            "incident": found,
            "modules": modules.head(_SHOWN).to_dicts(),
            "counts": count_where(modules),
        },
    )


@keeping_router.post("/incidents/{key}/settle")
def settle_incident(
    site: _Site, visitor: _Tester, key: str, reason: _Text = "", inspected: _Text = ""
) -> Response:
    """Settle an incident by what was inspected and decided, or open it again."""
    _settle(site, visitor, key, told=(inspected, reason))
    return RedirectResponse(f"/incidents/{key}", status_code=303)
