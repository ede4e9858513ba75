"""Who asks, and what they may: what every route needs."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, Final, cast

from fastapi import Depends, Request
from starlette.concurrency import run_in_threadpool

from arraywright.errors import ArraywrightError
from arraywright.records.people import Role
from arraywright.records.people_access import device_by_secret, token_by_secret
from arraywright.web.site_handle import SiteHandle
from arraywright.web.words import languages, preferred_language

__all__ = [
    "ANYONE",
    "CREWS",
    "CSRF_FIELD",
    "CSRF_HEADER",
    "LANGUAGE_COOKIE",
    "LEADS",
    "OWNERS",
    "SCOPES",
    "SESSION_COOKIE",
    "SESSION_COOKIE_HTTPS",
    "TESTERS",
    "AccessError",
    "Role",
    "Visitor",
    "find_visitor",
    "language_of",
    "require",
    "session_cookie_name",
    "site_of",
]

OWNERS: Final = (Role.OWNER,)
LEADS: Final = (*OWNERS, Role.LEAD)
TESTERS: Final = (*LEADS, Role.TESTER)
CREWS: Final = (*TESTERS, Role.CREW)
ANYONE: Final = (*CREWS, Role.GUEST)

SESSION_COOKIE: Final = "arraywright"
SESSION_COOKIE_HTTPS: Final = "__Host-arraywright"
LANGUAGE_COOKIE: Final = "arraywright_language"
CSRF_FIELD: Final = "csrf"
CSRF_HEADER: Final = "X-CSRF-Token"
_SAFE: Final = {"GET", "HEAD", "OPTIONS"}

SCOPES: Final = ("read", "work", "documents")
"""Scopes of tokens: read the state, run procedures and hand in files, download documents."""


class AccessError(ArraywrightError):
    """Somebody asks for what they may not have; ``status`` is the HTTP status."""

    exit_code = 3

    def __init__(
        self,
        status: int,
        code: str,
        *,
        message: str,
        remedy: str,
        headers: dict[str, str] | None = None,
    ) -> None:
        super().__init__(code, message, remedy)
        self.status = status
        self.headers = headers


@dataclass(frozen=True, slots=True, kw_only=True)
class Visitor:
    """Who asks.

    Attributes:
        person: the name that stands in entries.
        person_id: the person's own key.
        role: what the person may do.
        device: id of the device that asks; None for a browser in the office or a program.
        scopes: what a program's token may be used for; None for people and devices.
        session: key of the browser's session; empty for devices and programs.
        csrf: what forms must carry; empty for devices and programs, which need no such thing.
        language: language of the pages.
        units: ``metric`` or ``us``.
    """

    person: str
    person_id: str
    role: Role
    device: str | None = None
    scopes: tuple[str, ...] | None = None
    session: str = ""
    csrf: str = ""
    language: str = "en"
    units: str = "metric"


def site_of(request: Request) -> SiteHandle:
    """Give the site that this server serves."""
    return cast("SiteHandle", request.app.state.site)


def session_cookie_name(site: SiteHandle) -> str:
    """Give the name of the cookie; over HTTPS the browser itself guards its origin."""
    return SESSION_COOKIE_HTTPS if site.settings.https else SESSION_COOKIE


def language_of(request: Request) -> str:
    """Give the language for somebody who is not signed in: chosen before, else the browser's."""
    chosen = request.cookies.get(LANGUAGE_COOKIE, "")
    if chosen in languages():
        return chosen
    return preferred_language(request.headers.get("accept-language", ""))


def _bearer(request: Request) -> str | None:
    kind, _, secret = request.headers.get("authorization", "").partition(" ")
    return secret.strip() if kind.lower() == "bearer" and secret.strip() else None


def _find(request: Request) -> Visitor | None:
    site = site_of(request)
    secret = _bearer(request)
    if secret is not None:
        return _by_secret(request, secret)
    cookie = request.cookies.get(session_cookie_name(site))
    session = None if cookie is None else site.people.session(cookie)
    if session is None:
        return None
    person = session.person
    return Visitor(
        person=person.name,
        person_id=person.id,
        role=person.role,
        session=session.key,
        csrf=session.csrf,
        language=person.language or language_of(request),
        units=person.units,
    )


def _by_secret(request: Request, secret: str) -> Visitor | None:
    people = site_of(request).people
    device = device_by_secret(people, secret)
    token = None if device else token_by_secret(people, secret)
    held = device or token
    if held is None:
        return None
    return Visitor(
        person=held.person.name,
        person_id=held.person.id,
        role=held.person.role,
        device=device.device if device else None,
        scopes=token.scopes if token else None,
        language=held.person.language or language_of(request),
        units=held.person.units,
    )


async def find_visitor(request: Request) -> Visitor | None:
    """Find out who asks; None when nobody is known."""
    if not hasattr(request.state, "visitor"):
        request.state.visitor = await run_in_threadpool(_find, request)
    return cast("Visitor | None", request.state.visitor)


async def _check_csrf(request: Request, visitor: Visitor) -> None:
    if request.method in _SAFE or not visitor.session:
        return
    given = request.headers.get(CSRF_HEADER, "")
    if not given and request.headers.get("content-type", "").startswith(
        ("application/x-www-form-urlencoded", "multipart/form-data")
    ):
        held = (await request.form()).get(CSRF_FIELD, "")
        given = held if isinstance(held, str) else ""
    if not hmac.compare_digest(given.encode(), visitor.csrf.encode()):
        raise AccessError(
            403,
            "form-not-ours",
            message="This request does not carry the mark of a page of this server.",
            remedy="Open the page anew and repeat.",
        )


def require(*roles: Role, scope: str | None = None, devices: bool = True) -> Any:
    """Let through who has one of some roles, and give the visitor to the route.

    ``visitor: Annotated[Visitor, require(*LEADS)]``. A request of a browser that changes
    something must carry the session's mark, in the header ``X-CSRF-Token`` or the form field
    ``csrf``.

    Args:
        roles: the roles that may.
        scope: what a program's token must be made for; None lets no token through.
        devices: whether devices may too, in their person's name.
    """

    async def guard(request: Request) -> Visitor:
        visitor = await find_visitor(request)
        if visitor is None:
            raise AccessError(
                401,
                "not-signed-in",
                message="Nobody is signed in here.",
                remedy="Sign in and repeat.",
            )
        shut_out = (
            visitor.role not in roles
            or (visitor.scopes is not None and scope not in visitor.scopes)
            or (visitor.device is not None and not devices)
        )
        if shut_out:
            raise AccessError(
                403,
                "not-allowed",
                message=f"{visitor.person} may not do this in the role {visitor.role.value}.",
                remedy="Ask the site lead.",
            )
        await _check_csrf(request, visitor)
        request.state.allowed = roles
        return visitor

    checked: Callable[[Request], Awaitable[Visitor]] = guard
    checked.__dict__["roles"] = roles
    checked.__dict__["scope"] = scope
    return Depends(checked)
