"""Pages from templates: words, figures and the frame around every page."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from functools import cache, partial
from pathlib import Path
from typing import Any, Final

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from arraywright import __version__
from arraywright.dossier.words import number, percent
from arraywright.findings import Finding
from arraywright.web.access import ANYONE, LEADS, TESTERS, Role, Visitor, language_of, site_of
from arraywright.web.finding_words import FindingLine, finding_line
from arraywright.web.quantities import shown_quantity, shown_unit
from arraywright.web.site_handle import SiteHandle
from arraywright.web.story_words import story_lines
from arraywright.web.words import catalogue, languages
from arraywright.web.work_words import WorkWords

__all__ = ["STATIONS", "environment", "error_page", "render"]

STATIONS: Final = (
    ("map", "/map", ANYONE),
    ("design", "/design", ANYONE),
    ("yard", "/yard", ANYONE),
    ("build", "/build", ANYONE),
    ("test", "/test", ANYONE),
    ("keep", "/keep", ANYONE),
    ("documents", "/documents", ANYONE),
    ("people", "/people", LEADS),
)
"""What stands in the frame of every page: key of its words, path, roles that see it."""


@cache
def environment() -> Environment:
    """Give the templates; everything put into them is escaped."""
    held = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "templates"),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,
    )
    held.globals["LEADS"] = LEADS
    held.globals["TESTERS"] = TESTERS
    held.globals["Role"] = Role
    return held


def render(
    request: Request,
    template: str,
    *,
    visitor: Visitor | None,
    area: str = "office",
    status: int = 200,
    given: Mapping[str, Any] | None = None,
) -> HTMLResponse:
    """Make a page.

    Args:
        request: the request it answers.
        template: name of the template.
        visitor: who sees it; None when nobody is signed in.
        area: whose messages the template uses, as ``t``; those of the frame are ``frame``.
        status: the HTTP status.
        given: what the template shows.
    """
    site = site_of(request)
    language = visitor.language if visitor else language_of(request)
    words_of = _words_in(language)
    frame, words = words_of("office"), words_of(area)
    us = visitor is not None and visitor.units == "us"
    stations = [
        (name, path)
        for name, path, roles in STATIONS
        if visitor is not None and visitor.role in roles
    ]
    text = (
        environment()
        .get_template(template)
        .render(
            {
                "t": words,
                "frame": frame,
                "language": language,
                "languages": languages(),
                "visitor": visitor,
                "stations": stations,
                "here": request.url.path,
                "site_name": site.name(),
                "software": __version__,
                "when": _clock_of(site),
                "local": _local_of(site),
                "number": _number,
                "percent": percent,
                "temperature": _temperature_in(us=us),
                "area": _area_in(us=us),
                "area_unit": shown_unit("m2", us=us).written,
                "quantity": partial(shown_quantity, us=us),
                "finding": _findings_in(language, us=us),
                "story": partial(story_lines, language=language, us=us),
                "words_of": words_of,
                "work": WorkWords(language=language, us=us),
                **(given or {}),
            }
        )
    )
    return HTMLResponse(text, status_code=status)


def _clock_of(site: SiteHandle) -> Callable[[datetime | None], Markup]:
    zone = site.zone()

    def when(moment: datetime | None) -> Markup:
        if moment is None:
            return Markup("–")
        local = moment.astimezone(zone)
        return Markup('<time datetime="{}">{}</time>').format(
            local.isoformat(timespec="seconds"), local.strftime("%Y-%m-%d %H:%M")
        )

    return when


def _local_of(site: SiteHandle) -> Callable[[datetime | str | float], str]:
    zone = site.zone()

    def local(moment: datetime | str | float) -> str:
        if isinstance(moment, str):
            moment = datetime.fromisoformat(moment)
        if isinstance(moment, int | float):
            moment = datetime.fromtimestamp(moment, tz=zone)
        return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M")

    return local


def _number(value: object, digits: int = 0) -> str:
    return number(value, digits).replace(" ", "\N{NARROW NO-BREAK SPACE}")


def _temperature_in(*, us: bool) -> Callable[[float], str]:
    unit = shown_unit("degC", us=us)

    def temperature(celsius: float) -> str:
        told = f"{celsius * unit.factor + unit.offset:.1f}".replace("-", "\N{MINUS SIGN}")
        return f"{told} {unit.written}"

    return temperature


def _area_in(*, us: bool) -> Callable[[float | None], str]:
    factor = shown_unit("m2", us=us).factor

    def area(square_metres: float | None) -> str:
        return _number(None if square_metres is None else square_metres * factor)

    return area


def _findings_in(
    language: str, *, us: bool
) -> Callable[[Finding | Mapping[str, Any]], FindingLine]:
    def finding(found: Finding | Mapping[str, Any]) -> FindingLine:
        return finding_line(found, language=language, us=us)

    return finding


def _words_in(language: str) -> Callable[[str], Mapping[str, str]]:
    def words_of(area: str) -> Mapping[str, str]:
        return catalogue(language if language in languages(area=area) else "en", area=area)

    return words_of


def error_page(request: Request, *, status: int, shape: Mapping[str, str]) -> HTMLResponse:
    """Make the page that says what is wrong and what to do."""
    return render(
        request,
        "error.html",
        visitor=getattr(request.state, "visitor", None),
        status=status,
        given={"error": shape, "status": status},
    )
