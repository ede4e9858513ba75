"""The page of people: invitations, roles, devices and tokens."""

from __future__ import annotations

from typing import Annotated, Final

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import RedirectResponse
from starlette.responses import Response

from arraywright.errors import CallError
from arraywright.records.people import Person, Role
from arraywright.records.people_access import (
    devices,
    make_token,
    revoke_device,
    revoke_token,
    tokens,
)
from arraywright.web.access import LEADS, SCOPES, AccessError, Visitor, require, site_of
from arraywright.web.people_pages import enrolment_page, qr_picture
from arraywright.web.rendering import render
from arraywright.web.site_handle import SiteHandle

__all__ = ["people_admin_router"]

people_admin_router = APIRouter(prefix="/people", tags=["people"], include_in_schema=False)

_Site = Annotated[SiteHandle, Depends(site_of)]
_Lead = Annotated[Visitor, require(*LEADS, devices=False)]
_Text = Annotated[str, Form(max_length=1000)]
_LEADS_GIVE: Final = (Role.TESTER, Role.CREW, Role.GUEST)


def _roles_to_give(visitor: Visitor) -> tuple[Role, ...]:
    return tuple(Role) if visitor.role is Role.OWNER else _LEADS_GIVE


def _check_may_give(visitor: Visitor, *roles: Role) -> None:
    if any(role not in _roles_to_give(visitor) for role in roles):
        raise AccessError(
            403,
            "not-allowed",
            message="Owners and leads are named by the owner.",
            remedy="Ask the owner.",
        )


def _role(text: str) -> Role:
    try:
        return Role(text)
    except ValueError:
        raise CallError("role-unknown", f"Found the role {text[:50]!r}.", "Choose one.") from None


def _person(site: SiteHandle, person_id: str) -> Person:
    person = site.people.person(person_id)
    if person is None:
        raise AccessError(
            404, "person-unknown", message="Nobody has this key.", remedy="Open the list anew."
        )
    return person


def _page(request: Request, site: SiteHandle, visitor: Visitor, *, token: str = "") -> Response:
    return render(
        request,
        "people.html",
        visitor=visitor,
        given={
            "people": site.people.everyone(),
            "devices": devices(site.people),
            "tokens": tokens(site.people),
            "roles": _roles_to_give(visitor),
            "scopes": SCOPES,
            "token": token,
        },
    )


@people_admin_router.get("")
def people(request: Request, site: _Site, visitor: _Lead) -> Response:
    """Show who may use the server, with what."""
    return _page(request, site, visitor)


def _invited(
    request: Request, site: SiteHandle, visitor: Visitor, name: str, secret: str
) -> Response:
    link = f"{site.settings.address}/join/{secret}"
    return render(
        request,
        "invited.html",
        visitor=visitor,
        given={
            "name": name,
            "link": link,
            "picture": qr_picture(link),
            "hours": site.settings.invitation_hours,
        },
    )


@people_admin_router.post("/invite")
def invite(request: Request, site: _Site, visitor: _Lead, name: _Text, role: _Text) -> Response:
    """Invite somebody new."""
    given = _role(role)
    _check_may_give(visitor, given)
    secret = site.people.invite(
        role=given,
        name=name,
        made_by=visitor.person_id,
        hours=site.settings.invitation_hours,
    )
    return _invited(request, site, visitor, name, secret)


@people_admin_router.post("/{person_id}/invite")
def invite_again(request: Request, site: _Site, visitor: _Lead, person_id: str) -> Response:
    """Let somebody choose another password."""
    person = _person(site, person_id)
    _check_may_give(visitor, person.role)
    secret = site.people.invite(
        role=person.role,
        person_id=person.id,
        made_by=visitor.person_id,
        hours=site.settings.invitation_hours,
    )
    return _invited(request, site, visitor, person.name, secret)


@people_admin_router.post("/{person_id}/role")
def change_role(site: _Site, visitor: _Lead, person_id: str, role: _Text) -> Response:
    """Give somebody another role."""
    _check_may_give(visitor, _role(role), _person(site, person_id).role)
    site.people.change(person_id, role=_role(role))
    return RedirectResponse("/people", status_code=303)


@people_admin_router.post("/{person_id}/active")
def change_active(site: _Site, visitor: _Lead, person_id: str, active: _Text) -> Response:
    """Shut somebody out, or let them in again."""
    _check_may_give(visitor, _person(site, person_id).role)
    site.people.change(person_id, active=active == "yes")
    return RedirectResponse("/people", status_code=303)


@people_admin_router.post("/{person_id}/device")
def add_device(request: Request, site: _Site, visitor: _Lead, person_id: str) -> Response:
    """Make a code for somebody's phone."""
    person = _person(site, person_id)
    if person.id != visitor.person_id:
        _check_may_give(visitor, person.role)
    return enrolment_page(request, site, visitor, person)


@people_admin_router.post("/devices/{device}/revoke")
def give_up_device(site: _Site, visitor: _Lead, device: str) -> Response:
    """Refuse a device from now on."""
    for one in devices(site.people, among=[device]):
        if one.person.id != visitor.person_id:
            _check_may_give(visitor, one.person.role)
        revoke_device(site.people, one.device)
    return RedirectResponse("/people", status_code=303)


@people_admin_router.post("/tokens")
def add_token(
    request: Request,
    site: _Site,
    visitor: _Lead,
    name: _Text,
    days: Annotated[int, Form(ge=1, le=3650)] = 365,
    scopes: Annotated[list[str] | None, Form()] = None,
) -> Response:
    """Make a token for another program."""
    chosen = [scope for scope in scopes or [] if scope in SCOPES]
    if not chosen or not name.strip():
        raise CallError(
            "token-without-scope", "The token would be good for nothing.", "Name it, and choose."
        )
    token = make_token(
        site.people, visitor.person_id, name=name.strip()[:100], scopes=chosen, days=days
    )
    return _page(request, site, visitor, token=token)


@people_admin_router.post("/tokens/{token_id}/revoke")
def give_up_token(site: _Site, visitor: _Lead, token_id: str) -> Response:
    """Make a token worthless."""
    for one in tokens(site.people):
        if one.id == token_id:
            if one.person.id != visitor.person_id:
                _check_may_give(visitor, one.person.role)
            revoke_token(site.people, token_id)
    return RedirectResponse("/people", status_code=303)
