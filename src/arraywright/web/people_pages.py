"""Signing in, taking up an invitation, and a person's own page."""

from __future__ import annotations

from typing import Annotated, Final

import segno
from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse
from markupsafe import Markup
from starlette.responses import Response

from arraywright.records.people import Person
from arraywright.records.people_access import devices, make_device_code, revoke_device
from arraywright.web.access import (
    ANYONE,
    LANGUAGE_COOKIE,
    AccessError,
    Visitor,
    find_visitor,
    require,
    session_cookie_name,
    site_of,
)
from arraywright.web.limits import Limiter, limited
from arraywright.web.passwords import hash_password, password_holds, password_weak
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle
from arraywright.web.words import languages

__all__ = ["enrolment_page", "people_router", "qr_picture"]

people_router = APIRouter(tags=["people"], include_in_schema=False)

_Site = Annotated[SiteHandle, Depends(site_of)]
_Anyone = Annotated[Visitor, require(*ANYONE, devices=False)]
_Text = Annotated[str, Form(max_length=1000)]
_carefully = limited("sign-in", per_minute=20, at_once=20)
_UNITS: Final = ("metric", "us")
_YEAR_S: Final = 31_536_000


def qr_picture(text: str) -> Markup:
    """Draw a QR code as SVG."""
    drawn: str = segno.make(text, error="m").svg_inline(
        scale=8, border=4, dark="#000", light="#fff"
    )
    return Markup(drawn)  # noqa: S704 - made of squares alone


def _signed_in(site: SiteHandle, person: Person, target: str) -> Response:
    secret, _ = site.people.start_session(person.id, days=site.settings.session_days)
    answer = RedirectResponse(target, status_code=303)
    answer.set_cookie(
        session_cookie_name(site),
        secret,
        max_age=site.settings.session_days * 86_400,
        httponly=True,
        secure=site.settings.https,
        samesite="lax",
        path="/",
    )
    return answer


def _own_path(path: str) -> str:
    plain = path.startswith("/") and not path.startswith(("//", "/\\")) and path.isprintable()
    return path if plain and "\\" not in path else "/"


@people_router.get("/sign-in")
async def sign_in_page(request: Request, next: str = "/", language: str = "") -> Response:  # noqa: A002
    """Show where people sign in."""
    if await find_visitor(request):
        return RedirectResponse(_own_path(next), status_code=303)
    if language in languages():
        answer: Response = RedirectResponse("/sign-in", status_code=303)
        answer.set_cookie(LANGUAGE_COOKIE, language, max_age=_YEAR_S, samesite="lax")
        return answer
    return render(
        request, "sign_in.html", visitor=None, given={"next": _own_path(next), "wrong": False}
    )


@people_router.post("/sign-in", dependencies=[_carefully])
def sign_in(
    request: Request,
    site: _Site,
    name: _Text,
    password: _Text,
    next: _Text = "/",  # noqa: A002
) -> Response:
    """Sign a browser in."""
    limiter: Limiter = request.app.state.limiter
    wait_s = limiter.take("sign-in-name", name.casefold()[:200], per_minute=6, at_once=10)
    if wait_s:
        raise AccessError(
            429,
            "too-many-requests",
            message="Too many attempts were made for this name.",
            remedy=f"Wait {wait_s:.0f} s and repeat.",
            headers={"Retry-After": str(int(wait_s) + 1)},
        )
    person = site.people.person_named(name)
    hashed = None if person is None else site.people.password_hash(person.id)
    if not password_holds(password, hashed) or person is None or not person.active:
        return render(
            request,
            "sign_in.html",
            visitor=None,
            status=403,
            given={"next": _own_path(next), "wrong": True},
        )
    return _signed_in(site, person, _own_path(next))


@people_router.post("/sign-out")
def sign_out(site: _Site, visitor: _Anyone) -> Response:
    """Sign this browser out."""
    site.people.end_session(visitor.session)
    answer = RedirectResponse("/sign-in", status_code=303)
    answer.delete_cookie(session_cookie_name(site), path="/")
    return answer


def _join_page(request: Request, site: SiteHandle, secret: str, *, wrong: str = "") -> Response:
    found = site.people.invitation(secret)
    return render(
        request,
        "join.html",
        visitor=None,
        status=404 if found is None else 422 if wrong else 200,
        given={"invitation": found, "wrong": wrong},
    )


@people_router.get("/join/{secret}", dependencies=[_carefully])
def join_page(request: Request, site: _Site, secret: str) -> Response:
    """Show where somebody who was invited chooses a password."""
    return _join_page(request, site, secret)


@people_router.post("/join/{secret}", dependencies=[_carefully])
def join(
    request: Request,
    site: _Site,
    secret: str,
    password: _Text,
    password_again: _Text,
    name: _Text = "",
) -> Response:
    """Take up an invitation and sign in."""
    found = site.people.invitation(secret)
    if found is None:
        return _join_page(request, site, secret)
    if password != password_again:
        return _join_page(request, site, secret, wrong="passwords_differ")
    if password_weak(password, name=found.name or name):
        return _join_page(request, site, secret, wrong="password_weak")
    person = site.people.accept(secret, name=name, password_hash=hash_password(password))
    return _signed_in(site, person, "/")


def _my_page(
    request: Request, site: SiteHandle, visitor: Visitor, *, said: str = "", status: int = 200
) -> Response:
    mine = [one for one in devices(site.people) if one.person.id == visitor.person_id]
    return render(
        request,
        "me.html",
        visitor=visitor,
        status=status,
        given={"devices": mine, "said": said, "all_units": _UNITS},
    )


@people_router.get("/me")
def me(request: Request, site: _Site, visitor: _Anyone, said: str = "") -> Response:
    """Show a person's own page."""
    return _my_page(request, site, visitor, said="me_saved" if said == "saved" else "")


@people_router.post("/me")
def change_me(site: _Site, visitor: _Anyone, language: _Text, units: _Text) -> Response:
    """Keep a person's language and units."""
    site.people.change(
        visitor.person_id,
        language=language if language in languages() else "en",
        units=units if units in _UNITS else "metric",
    )
    return RedirectResponse("/me?said=saved", status_code=303)


@people_router.post("/me/password", dependencies=[_carefully])
def change_password(
    request: Request,
    site: _Site,
    visitor: _Anyone,
    present: _Text,
    password: _Text,
    password_again: _Text,
) -> Response:
    """Take another password; every other browser of this person is signed out."""
    person = site.people.person(visitor.person_id)
    if person is None or not password_holds(present, site.people.password_hash(person.id)):
        return _my_page(request, site, visitor, said="sign_in_wrong", status=422)
    if password != password_again:
        return _my_page(request, site, visitor, said="passwords_differ", status=422)
    if password_weak(password, name=visitor.person):
        return _my_page(request, site, visitor, said="password_weak", status=422)
    site.people.set_password_hash(person.id, hash_password(password))
    return _signed_in(site, person, "/me?said=saved")


def enrolment_page(
    request: Request, site: SiteHandle, visitor: Visitor, person: Person
) -> Response:
    """Show the code by which a phone becomes somebody's."""
    code = make_device_code(site.people, person.id, hours=site.settings.invitation_hours)
    link = f"{site.settings.address}/field/enrol#{code}"
    return render(
        request,
        "enrol.html",
        visitor=visitor,
        given={
            "person": person,
            "link": link,
            "picture": qr_picture(link),
            "hours": site.settings.invitation_hours,
            "https": site.settings.https
            or site.settings.address.startswith(("http://127.0.0.1", "http://localhost")),
        },
    )


@people_router.post("/me/device")
def my_device(request: Request, site: _Site, visitor: _Anyone) -> Response:
    """Make a code for one's own phone."""
    person = site.people.person(visitor.person_id)
    if person is None:
        raise AccessError(401, "not-signed-in", message="Sign in anew.", remedy="Sign in.")
    return enrolment_page(request, site, visitor, person)


@people_router.post("/me/devices/{device}/revoke")
def revoke_mine(site: _Site, visitor: _Anyone, device: str) -> Response:
    """Give up one's own phone."""
    if any(
        one.device == device and one.person.id == visitor.person_id
        for one in devices(site.people, among=[device])
    ):
        revoke_device(site.people, device)
    return RedirectResponse("/me", status_code=303)
