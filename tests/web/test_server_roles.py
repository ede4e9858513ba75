"""Every route lets in exactly the roles that its row of the table names."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute

from arraywright.records.people import Role
from arraywright.records.people_access import make_token
from tests.web.phones import enrolled
from tests.web.serving import Office

RANK = [Role.OWNER, Role.LEAD, Role.TESTER, Role.CREW, Role.GUEST]

TABLE = """
GET    /health                                  public
GET    /metrics                                 lead
POST   /sync/v1/enrol/look                      public
POST   /sync/v1/enrol                           public
GET    /sync/v1/hello                           guest
POST   /sync/v1/push                            crew
GET    /sync/v1/pull                            guest
POST   /sync/v1/compare                         crew
HEAD   /sync/v1/files/{sha256}                  guest
PUT    /sync/v1/files/{sha256}                  crew
GET    /sync/v1/files/{sha256}                  guest
GET    /field                                   public
GET    /field/                                  public
GET    /field/enrol                             public
GET    /field/manifest.webmanifest              public
GET    /field/sw.js                             public
GET    /field/app/{version}/words/{language}.json public
GET    /field/app/{version}/{name:path}         public
GET    /field/api/blocks                        guest
GET    /field/api/pack                          guest
POST   /field/api/recalls                       lead
GET    /                                        guest
GET    /sign-in                                 public
POST   /sign-in                                 public
POST   /sign-out                                guest
GET    /join/{secret}                           public
POST   /join/{secret}                           public
GET    /me                                      guest
POST   /me                                      guest
POST   /me/password                             guest
POST   /me/device                               guest
POST   /me/devices/{device}/revoke              guest
GET    /people                                  lead
POST   /people/invite                           lead
POST   /people/{person_id}/invite               lead
POST   /people/{person_id}/role                 lead
POST   /people/{person_id}/active               lead
POST   /people/{person_id}/device               lead
POST   /people/devices/{device}/revoke          lead
POST   /people/tokens                           lead
POST   /people/tokens/{token_id}/revoke         lead
GET    /map                                     guest
GET    /api/v1/map/boxes                        guest
GET    /api/v1/map/names                        guest
GET    /api/v1/map/tiles/{tile}                 guest
GET    /api/v1/map/values/{colouring}           guest
GET    /api/v1/map/values/{colouring}/tiles/{tile} guest
GET    /api/v1/map/search                       guest
GET    /api/v1/map/strings/{string:path}        guest
GET    /design                                  guest
GET    /yard                                    guest
GET    /incidents/{key}                         guest
POST   /incidents/{key}/settle                  tester
GET    /build                                   guest
GET    /test                                    guest
GET    /test/strings/{string:path}              guest
POST   /test/opened                             tester
POST   /test/opened/withdraw                    tester
GET    /documents                               guest
GET    /documents/{name}                        guest
GET    /photos/{sha256}                         guest
GET    /keep                                    guest
POST   /keep/recalls                            lead
GET    /keep/recalls/{key}                      guest
POST   /keep/recalls/{key}/later                lead
POST   /keep/recalls/{key}/settle               lead
POST   /keep/recalls/{key}/withdraw             lead
GET    /story/{subject}                         guest
GET    /find                                    guest
GET    /jobs                                    guest
GET    /jobs/{job_id}                           guest
GET    /jobs/{job_id}/state                     guest
POST   /uploads/{station}                       tester
POST   /run/{command}                           tester
POST   /jobs/{job_id}/cancel                    tester
POST   /jobs/{job_id}/again                     tester
GET    /mapping/{station}                       tester
POST   /mapping/{station}                       tester
POST   /yard/decide                             lead
POST   /yard/incidents                          tester
POST   /build/withdraw                          tester
POST   /test/sign                               tester
POST   /test/settle                             tester
GET    /api/v1/site                             guest
GET    /api/v1/deliveries                       guest
GET    /api/v1/pallets                          guest
GET    /api/v1/stock                            guest
GET    /api/v1/modules                          guest
GET    /api/v1/plan                             guest
GET    /api/v1/strings                          guest
GET    /api/v1/sessions                         guest
GET    /api/v1/open-points                      guest
GET    /api/v1/progress                         guest
GET    /api/v1/incidents                        guest
GET    /api/v1/recalls                          guest
GET    /api/v1/story/{subject}                  guest
GET    /api/v1/changes                          guest
GET    /api/v1/documents                        guest
GET    /api/v1/documents/{name}                 guest
POST   /api/v1/files                            tester
POST   /api/v1/jobs                             tester
GET    /api/v1/jobs                             guest
GET    /api/v1/jobs/{job_id}                    guest
DELETE /api/v1/jobs/{job_id}                    tester
"""

ROWS = [(method, path, least) for method, path, least in map(str.split, TABLE.split("\n")[1:-1])]


def _routes(routes: list[BaseRoute], prefix: str = "") -> Iterator[tuple[str, str]]:
    for route in routes:
        if isinstance(route, APIRoute):
            for method in route.methods or ():
                yield method, prefix + route.path
        elif hasattr(route, "original_router"):
            yield from _routes(route.original_router.routes, prefix)


def _paths(app: FastAPI) -> set[tuple[str, str]]:
    return set(_routes(app.routes))


def _filled(path: str) -> str:
    return re.sub(r"\{[^}]*\}", "0", path)


def test_the_table_names_every_route(office: Office) -> None:
    """A route that is not in the table cannot be added unseen."""
    app = office.client.app
    assert isinstance(app, FastAPI)
    assert _paths(app) == {(method, path) for method, path, _ in ROWS}
    documented = office.client.get("/api/v1/openapi.json").json()["paths"]
    assert len(documented) > 20


def test_nobody_passes_a_route_that_is_not_theirs(office: Office) -> None:
    """All routes times all roles: who may is let in, who may not gets 403, a stranger 401."""
    clients = {role: office.signed_in(role) for role in Role}
    wrong = []
    for method, path, least in ROWS:
        asked = _filled(path)
        stranger = office.client.request(method, asked, follow_redirects=False).status_code
        if (stranger == 401) != (least != "public"):
            wrong.append((method, path, "stranger", stranger))
        if least == "public" or path == "/sign-out":
            continue
        for role, client in clients.items():
            may = RANK.index(role) <= RANK.index(Role(least))
            status = client.request(method, asked, follow_redirects=False).status_code
            if (status == 403) != (not may) or status == 401:
                wrong.append((method, path, role.value, status))
    assert wrong == []


def test_devices_reach_no_page_of_the_office(office: Office) -> None:
    """A stolen phone of the owner is no way into the office."""
    phone = enrolled(office, office.people[Role.OWNER], "owner's phone")
    for method, path, least in ROWS:
        if least == "public" or path.startswith(("/sync/", "/field/", "/api/", "/map")):
            continue
        if path == "/":
            continue
        answer = office.client.request(
            method, _filled(path), headers=phone.headers, follow_redirects=False
        )
        assert answer.status_code == 403, (method, path)


@pytest.mark.parametrize("scope", ["read", "work", "documents"])
def test_a_token_does_only_what_it_was_made_for(office: Office, scope: str) -> None:
    """Every token of the owner is shut out of people, pages and other scopes."""
    owner = office.people[Role.OWNER]
    secret = make_token(office.site.people, owner.id, name="x", scopes=[scope], days=1)
    headers = {"Authorization": f"Bearer {secret}"}
    passed = set()
    for method, path, least in ROWS:
        if least == "public":
            continue
        answer = office.client.request(
            method, _filled(path), headers=headers, follow_redirects=False
        )
        if answer.status_code != 403:
            passed.add(f"{method} {path}")
    documents = {"GET /api/v1/documents", "GET /api/v1/documents/{name}"}
    work = {"POST /api/v1/files", "POST /api/v1/jobs", "DELETE /api/v1/jobs/{job_id}"}
    if scope == "documents":
        assert passed == documents
    elif scope == "work":
        assert passed == work
    else:
        assert passed.isdisjoint(documents | work)
        assert all(one.startswith(("GET /api/v1/", "GET /metrics")) for one in passed)
