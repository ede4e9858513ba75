"""Routes of the map: the page, its layout and values as typed arrays, search and stories."""

from __future__ import annotations

from typing import Annotated, Any, Final, Literal

from fastapi import APIRouter, Path, Query, Request
from fastapi.responses import HTMLResponse, JSONResponse, Response

from arraywright.errors import CallError
from arraywright.records.entry import format_time
from arraywright.web.access import ANYONE, Visitor, require, site_of
from arraywright.web.map_service import Packed, map_layout, map_shown, values_since
from arraywright.web.map_story import find_places, string_story
from arraywright.web.map_values import COLOURINGS
from arraywright.web.rendering import render
from arraywright.web.words import catalogue, languages

__all__ = ["map_router"]

map_router = APIRouter(tags=["map"])

_Reader = Annotated[Visitor, require(*ANYONE, scope="read")]
_BINARY: Final = "application/vnd.arraywright.arrays"
_Tile = Annotated[int, Path(ge=0, description="number of the tile")]

ColouringName = Literal[
    "stage", "class", "verdict", "voc", "isc", "mismatch", "planned_on", "built_on", "tested_on"
]
"""Ways to colour the map."""

_ARRAYS: Final[dict[int | str, dict[str, Any]]] = {
    200: {
        "description": "typed arrays, little-endian; docs/map.md says which",
        "content": {_BINARY: {"schema": {"type": "string", "format": "binary"}}},
    },
    304: {"description": "nothing changed since the tag that was sent"},
}


def _answer(request: Request, packed: Packed, *, kind: str = _BINARY) -> Response:
    headers = {
        "ETag": f'"{packed.tag}"',
        "Cache-Control": "private, no-cache",
        "Vary": "Accept-Encoding, Cookie, Authorization",
    }
    known = request.headers.get("if-none-match", "")
    if packed.tag in {one.strip().removeprefix("W/").strip('"') for one in known.split(",")}:
        return Response(status_code=304, headers=headers)
    if "gzip" in request.headers.get("accept-encoding", ""):
        headers["Content-Encoding"] = "gzip"
        return Response(packed.zipped, media_type=kind, headers=headers)
    return Response(packed.data, media_type=kind, headers=headers)


def _tile_number(tile: int, tiles: int) -> int:
    if tile >= tiles:
        raise CallError(
            "tile-unknown", f"Found the tile {tile}.", f"Tiles are numbered from 0 to {tiles - 1}."
        )
    return tile


@map_router.get("/map", response_class=HTMLResponse, include_in_schema=False)
def map_page(request: Request, visitor: Annotated[Visitor, require(*ANYONE)]) -> HTMLResponse:
    """Show the map."""
    language = visitor.language if visitor.language in languages(area="map") else "en"
    words = catalogue(language, area="map")
    return render(
        request,
        "map.html",
        visitor=visitor,
        area="map",
        given={
            "colourings": list(COLOURINGS),
            "words": dict(words),
            "time_zone": site_of(request).record("server").site.time_zone,
        },
    )


@map_router.get("/api/v1/map/boxes", responses=_ARRAYS, response_class=Response)
def map_boxes(request: Request, _: _Reader) -> Response:
    """Give the ground of all strings and the bounds of the tiles."""
    return _answer(request, map_layout(site_of(request)).boxes())


@map_router.get("/api/v1/map/names")
def map_names(request: Request, _: _Reader) -> Response:
    """Give the names of all strings in building order, as a JSON list."""
    return _answer(request, map_layout(site_of(request)).names(), kind="application/json")


@map_router.get("/api/v1/map/tiles/{tile}", responses=_ARRAYS, response_class=Response)
def map_tile(request: Request, tile: _Tile, _: _Reader) -> Response:
    """Give the modules of a tile."""
    layout = map_layout(site_of(request))
    return _answer(request, layout.tile(_tile_number(tile, layout.geometry.tiles)))


@map_router.get("/api/v1/map/values/{colouring}", responses=_ARRAYS, response_class=Response)
def map_values(
    request: Request,
    colouring: ColouringName,
    _: _Reader,
    since: Annotated[str, Query(max_length=64, description="ETag of what is held")] = "",
) -> Response:
    """Give the legend and what each string is; with ``since`` only the strings that changed."""
    told = values_since(site_of(request), colouring, since.strip('"'))
    answer = _answer(request, told.packed)
    answer.headers["Arraywright-As-Of"] = format_time(told.as_of)
    answer.headers["Arraywright-Renewing"] = "?1" if told.renewing else "?0"
    return answer


@map_router.get(
    "/api/v1/map/values/{colouring}/tiles/{tile}", responses=_ARRAYS, response_class=Response
)
def map_tile_values(
    request: Request, colouring: ColouringName, tile: _Tile, _: _Reader
) -> Response:
    """Give what each module of a tile is."""
    shown = map_shown(site_of(request))
    tile = _tile_number(tile, shown.layout.geometry.tiles)
    return _answer(request, shown.tile(colouring, tile))


@map_router.get("/api/v1/map/search")
def map_search(
    request: Request,
    _: _Reader,
    q: Annotated[str, Query(max_length=100, description="a name or part of it")] = "",
) -> JSONResponse:
    """Find strings, pallets and serials by name or part of it."""
    return JSONResponse({"found": find_places(map_shown(site_of(request)), q)})


@map_router.get("/api/v1/map/strings/{string:path}")
def map_string(
    request: Request, string: Annotated[str, Path(max_length=200)], visitor: _Reader
) -> JSONResponse:
    """Tell of a string: its modules, verdict, readings, curves and story."""
    site = site_of(request)
    told = string_story(
        site.record(visitor.person),
        map_shown(site),
        string,
        language=visitor.language,
        us=visitor.units == "us",
    )
    return JSONResponse(dict(told))
