"""The field page: its shell and modules, the service worker that keeps them, and work packs."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query
from fastapi.responses import FileResponse, RedirectResponse
from pydantic import BaseModel, ConfigDict, Field
from starlette.responses import Response

from arraywright.procedures.recalls import MOST_RECALLED, RECALL_KINDS, RecallScope, record_recall
from arraywright.records import parse_body
from arraywright.web.access import ANYONE, LEADS, AccessError, Visitor, require, site_of
from arraywright.web.field_pack import Pack, blocks_of, make_pack, pack_bytes
from arraywright.web.limits import limited
from arraywright.web.rendering import environment
from arraywright.web.site_handle import SiteHandle
from arraywright.web.sync_routes import make_cursor
from arraywright.web.words import catalogue, languages

__all__ = ["PACK_KINDS", "assets", "field_router"]

PACK_KINDS: Final = (
    "file_received",
    "file_withdrawn",
    "delivery_reconciled",
    "allocation_planned",
    "strings_judged",
    "string_tested",
    "module_placed",
    "placement_undone",
    "module_inspected",
    *RECALL_KINDS,
)
"""Kinds of entry that change what stands in a work pack."""

_STATIC: Final = Path(__file__).parent / "static"
_TYPES: Final = {
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
    ".png": "image/png",
    ".wasm": "application/wasm",
}
_LATER: Final = ("sw.js", "decode_worker.js")
_IMMUTABLE: Final = "public, max-age=31536000, immutable"
_MOST_BLOCKS: Final = 500

field_router = APIRouter(prefix="/field", tags=["field"])
_Site = Annotated[SiteHandle, Depends(site_of)]
_often = limited("field", per_minute=240, at_once=60)


@dataclass(frozen=True, slots=True, kw_only=True)
class Assets:
    """The files of the field page.

    Attributes:
        version: digest over all of them and all words; another one is another page.
        files: paths by the name under which they are served.
        words: messages as JSON by language.
    """

    version: str
    files: dict[str, Path]
    words: dict[str, bytes]


@cache
def assets() -> Assets:
    """Find the files of the field page; they do not change while a server runs."""
    files = {
        path.relative_to(root).as_posix() if root.name == "field" else f"zxing/{name}": path
        for root in (_STATIC / "field", _STATIC / "vendor" / "zxing")
        for path in sorted(root.rglob("*"))
        if path.suffix in _TYPES
        for name in (path.relative_to(root).as_posix(),)
    }
    words = {
        language: json.dumps(
            dict(catalogue(language, area="field")), ensure_ascii=False, sort_keys=True
        ).encode()
        for language in languages(area="field")
    }
    digest = hashlib.sha256()
    template = Path(__file__).parent / "templates" / "field.html"
    for name, data in [
        *((name, path.read_bytes()) for name, path in sorted(files.items())),
        *sorted(words.items()),
        ("shell", template.read_bytes()),
    ]:
        digest.update(f"{name} {len(data)} ".encode() + data)
    return Assets(version=digest.hexdigest()[:16], files=files, words=words)


def _base(version: str) -> str:
    return f"/field/app/{version}"


def _shell() -> Response:
    held = assets()
    modules = [
        name
        for name in held.files
        if name.endswith(".js") and "/" not in name and name not in _LATER
    ]
    text = (
        environment()
        .get_template("field.html")
        .render(
            base=_base(held.version),
            version=held.version,
            languages=list(held.words),
            modules=modules,
        )
    )
    return Response(
        text, media_type="text/html; charset=utf-8", headers={"Cache-Control": "no-cache"}
    )


@field_router.get("", include_in_schema=False)
def to_shell() -> Response:
    """Send people to the page itself."""
    return RedirectResponse("/field/", status_code=308)


@field_router.get("/", include_in_schema=False)
def shell() -> Response:
    """Give the page; everything on it is kept by the phone."""
    return _shell()


@field_router.get("/enrol", include_in_schema=False)
def enrol_shell() -> Response:
    """Give the page for a phone that comes by the code of the office, which stands behind #."""
    return _shell()


@field_router.get("/manifest.webmanifest", include_in_schema=False)
def web_manifest() -> Response:
    """Tell the phone how the page is installed."""
    base = _base(assets().version)
    words = catalogue("en", area="field")
    manifest = {
        "id": "/field/",
        "name": words["app_name"],
        "short_name": words["app_short_name"],
        "start_url": "/field/",
        "scope": "/field/",
        "display": "standalone",
        "orientation": "portrait",
        "background_color": "#ffffff",
        "theme_color": "#10263d",
        "icons": [
            {"src": f"{base}/icon.svg", "sizes": "any", "type": "image/svg+xml", "purpose": "any"},
            {"src": f"{base}/icon-192.png", "sizes": "192x192", "type": "image/png"},
            {"src": f"{base}/icon-512.png", "sizes": "512x512", "type": "image/png"},
        ],
    }
    return Response(
        json.dumps(manifest),
        media_type="application/manifest+json",
        headers={"Cache-Control": "no-cache"},
    )


@field_router.get("/sw.js", include_in_schema=False)
def service_worker() -> Response:
    """Give the service worker; its text changes with every version of the page."""
    held = assets()
    base = _base(held.version)
    listed = [
        "/field/",
        "/field/manifest.webmanifest",
        *(f"{base}/{name}" for name in held.files if name != "sw.js"),
        *(f"{base}/words/{language}.json" for language in held.words),
    ]
    head = f"const VERSION = {json.dumps(held.version)};\nconst ASSETS = {json.dumps(listed)};\n"
    return Response(
        head + held.files["sw.js"].read_text(encoding="utf-8"),
        media_type="text/javascript; charset=utf-8",
        headers={"Cache-Control": "no-cache", "Service-Worker-Allowed": "/field/"},
    )


@field_router.get("/app/{version}/words/{language}.json", include_in_schema=False)
def words(version: str, language: str) -> Response:
    """Give the words of a language."""
    held = assets()
    if language not in held.words:
        raise _no_such(language)
    return Response(
        held.words[language],
        media_type="application/json",
        headers={"Cache-Control": _caching(version, held)},
    )


@field_router.get("/app/{version}/{name:path}", include_in_schema=False)
def app_file(version: str, name: str) -> Response:
    """Give a file of the page."""
    held = assets()
    path = held.files.get(name)
    if path is None:
        raise _no_such(name)
    return FileResponse(
        path,
        media_type=_TYPES[path.suffix],
        headers={"Cache-Control": _caching(version, held)},
    )


def _caching(version: str, held: Assets) -> str:
    return _IMMUTABLE if version == held.version else "no-store"


def _no_such(name: str) -> AccessError:
    return AccessError(
        404,
        "file-unknown",
        message=f"The field page has no file {name[:80]}.",
        remedy="Open the field page anew.",
    )


@field_router.get("/api/blocks", dependencies=[_often])
def blocks(site: _Site, _visitor: Annotated[Visitor, require(*ANYONE)]) -> dict[str, Any]:
    """List the blocks a crew can take into the field."""
    record_site = site.record("server").site
    return {"site": record_site.name, "blocks": blocks_of(record_site).to_dicts()}


@field_router.get("/api/pack", dependencies=[_often])
def pack(
    site: _Site,
    visitor: Annotated[Visitor, require(*ANYONE)],
    block: Annotated[list[str], Query(max_length=_MOST_BLOCKS)],
    have: Annotated[str, Query(max_length=20_000)] = "",
) -> Response:
    """Give the work pack of some blocks: its list of parts, and those the phone lacks."""
    made = _pack_of(site, sorted(set(block)))
    order = int(made.manifest["server_order"])
    cursor = make_cursor(site, order, site.journal(visitor.person).seal())
    told = Pack(manifest=made.manifest | {"cursor": cursor}, parts=made.parts)
    held = [one for one in have.split(",") if one]
    return Response(
        pack_bytes(told, held=held),
        media_type="application/json",
        headers={"Content-Encoding": "gzip", "Cache-Control": "no-store"},
    )


class Recall(BaseModel):
    """Modules that their maker calls back."""

    model_config = ConfigDict(extra="forbid")
    serials: list[str] = Field(min_length=1, max_length=MOST_RECALLED)
    reason: str = Field(min_length=1, max_length=2000)


@field_router.post("/api/recalls", dependencies=[_often])
def recall(
    site: _Site,
    visitor: Annotated[Visitor, require(*LEADS, devices=False)],
    asked: Recall,
) -> dict[str, Any]:
    """Enter that modules are recalled; phones then refuse them at the scan."""
    scope = RecallScope(serials=tuple(asked.serials))
    entry = record_recall(site.record(visitor.person), reason=asked.reason, scope=scope)
    return {"entry": entry.uuid, "serials": len(parse_body(entry.body)["serials"])}


def _pack_of(site: SiteHandle, chosen: Sequence[str]) -> Pack:
    name = f"field-pack {json.dumps(chosen)}"
    return site.cached(name, lambda record: make_pack(record, blocks=chosen), kinds=PACK_KINDS)
