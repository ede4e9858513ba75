"""The test station, and the page of one string's proof."""

from __future__ import annotations

from typing import Annotated, Final
from urllib.parse import quote

import polars as pl
from fastapi import APIRouter, Depends, Form, Query, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from arraywright.commissioning.retest_advice import RETEST_REASONS, RetestAdvice
from arraywright.errors import CallError
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.openings import record_opening, withdraw_opening
from arraywright.web.access import ANYONE, TESTERS, AccessError, Visitor, require, site_of
from arraywright.web.office_pages import cached_overview
from arraywright.web.office_points import shown_points
from arraywright.web.office_proof import (
    SORTS,
    RetestNow,
    chosen_strings,
    judged_strings,
    parts_read,
    string_proof,
    swapped_pairs,
)
from arraywright.web.office_tests import SESSION_KINDS, measured_sessions
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle

__all__ = ["chance", "proving_router"]

proving_router = APIRouter(tags=["pages"], include_in_schema=False)

_Site = Annotated[SiteHandle, Depends(site_of)]
_Anyone = Annotated[Visitor, require(*ANYONE, devices=False)]
_Tester = Annotated[Visitor, require(*TESTERS, devices=False)]
_Text = Annotated[str, Form(max_length=500)]
_PAGE: Final = 50
_POINTS: Final = 50
_RETESTS: Final = 40
_PAIRS: Final = 40


def chance(ratio: float | None) -> str:
    """Write a probability as per cent, never as certain; a dash where there is none."""
    if ratio is None:
        return "–"
    told = f"{100.0 * ratio:.1f} %"
    return {"100.0 %": "> 99.9 %", "0.0 %": "< 0.1 %"}.get(told, told)


def _counted(strings: pl.DataFrame) -> list[tuple[str, int]]:
    """List the causes there are with how many strings show them, the commonest first."""
    if "cause_shown" not in strings.columns:
        return []
    named = strings.filter(pl.col("cause_shown") != "")["cause_shown"].value_counts()
    return list(named.sort("count", "cause_shown", descending=[True, False]).iter_rows())


def _reasons(advice: RetestAdvice | None) -> dict[str, int]:
    """Count the strings to be read again by why, the most urgent first."""
    if advice is None:
        return {}
    counts = dict(advice.strings["why"].value_counts().iter_rows())
    return {why: counts[why] for why in RETEST_REASONS if why in counts}


@proving_router.get("/test")
def proving(
    request: Request,
    site: _Site,
    visitor: _Anyone,
    verdict: str = "",
    cause: Annotated[str, Query(max_length=100)] = "",
    sort: str = SORTS[0],
    start: Annotated[int, Query(ge=0, le=10**7)] = 0,
) -> Response:
    """Show test sessions, what to read again, verdicts with their causes, and open points."""
    strings = site.cached("strings", judged_strings, kinds=(STRINGS_JUDGED,))
    chosen = chosen_strings(strings, verdict=verdict, cause=cause, sort=sort)
    points = shown_points(site)
    retest = site.cached("retest", RetestNow, kinds=(STRINGS_JUDGED,))
    advice = retest.at(site.settings.now())
    pairs = swapped_pairs(strings)
    return render(
        request,
        "test.html",
        visitor=visitor,
        given={
            "chance": chance,
            "judges_itself": site.settings.judge_phones,
            "overview": cached_overview(site),
            "sessions": site.cached("sessions", measured_sessions, kinds=SESSION_KINDS),
            "advice": advice,
            "retest": [] if advice is None else advice.strings.head(_RETESTS).to_dicts(),
            "retest_reasons": _reasons(advice),
            "pairs": pairs[:_PAIRS],
            "pairs_all": len(pairs),
            "strings": strings[chosen[start : start + _PAGE]].to_dicts(),
            "found": len(chosen),
            "start": start,
            "page": _PAGE,
            "verdict": verdict,
            "cause": cause,
            "causes": _counted(strings),
            "sort": sort if sort in SORTS else SORTS[0],
            "sorts": SORTS,
            "points": points.points[:_POINTS],
            "points_open": points.still_open,
            "points_all": len(points.points),
        },
    )


@proving_router.get("/test/strings/{string:path}")
def proof(
    request: Request,
    site: _Site,
    visitor: _Anyone,
    string: str,
    whole: Annotated[float | None, Query(gt=0, le=5000)] = None,
) -> Response:
    """Show everything that speaks for or against one string, and what to open next."""
    record = site.record(visitor.person)
    if string not in record.site.strings["string"]:
        raise AccessError(
            404,
            "string-unknown",
            message=f"No string of this site is named {string[:100]}.",
            remedy="Open the list of strings.",
        )
    told = string_proof(record, string)
    return render(
        request,
        "string_proof.html",
        visitor=visitor,
        given={
            "proof": told,
            "parts": [] if told.search is None else parts_read(told.search, whole_v=whole),
            "whole": whole,
            "site": record.site,
            "chance": chance,
        },
    )


def _volts(text: str) -> float:
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise CallError(
            "reading-not-understood",
            f"Found {text[:30]!r} where volts were expected.",
            "Give a number, for example 612.4.",
        ) from None


def _back(string: str) -> Response:
    return RedirectResponse(f"/test/strings/{quote(string, safe='')}#open", status_code=303)


@proving_router.post("/test/opened")
def opened(
    site: _Site,
    visitor: _Tester,
    string: _Text,
    after_module: Annotated[int, Form()],
    first_v: _Text,
    rest_v: _Text,
    whole_v: _Text = "",
) -> Response:
    """Enter what both parts of an opened string read."""
    record_opening(
        site.record(visitor.person),
        string,
        after_module=after_module,
        first_v=_volts(first_v),
        rest_v=_volts(rest_v),
        whole_v=_volts(whole_v) if whole_v.strip() else None,
    )
    return _back(string)


@proving_router.post("/test/opened/withdraw")
def opening_withdrawn(site: _Site, visitor: _Tester, string: _Text, uuid: _Text) -> Response:
    """Take back what was entered of an opening."""
    withdraw_opening(site.record(visitor.person), string, uuid=uuid)
    return _back(string)
