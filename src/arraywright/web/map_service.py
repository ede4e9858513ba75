"""Messages of the map: made once, kept until the description or the record changes."""

from __future__ import annotations

import gzip
import hashlib
import json
import threading
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final

import numpy as np
import polars as pl

from arraywright.procedures.site_record import SiteRecord
from arraywright.web.map_geometry import MapGeometry, map_geometry
from arraywright.web.map_phones import PhoneRows, phone_rows
from arraywright.web.map_state import STATE_KINDS, MapState, map_state
from arraywright.web.map_values import COLOURINGS, Colouring, changed_strings, colouring
from arraywright.web.map_wire import pack_arrays
from arraywright.web.renewing import Standing
from arraywright.web.site_handle import SiteHandle

__all__ = [
    "MapAnswer",
    "MapLayout",
    "MapShown",
    "Packed",
    "Sought",
    "map_layout",
    "map_now",
    "map_shown",
    "values_since",
]

_DESCRIPTION_ONLY: Final = ("map_layout",)
"""No entry is of this kind: what is kept under it changes with the description alone."""
_KEPT_TILES: Final = 600
_REMEMBERED: Final = 6
"""Colourings of which an earlier state is remembered, so that only what changed is sent."""


class Packed:
    """Bytes of an answer, also compressed, and the tag that tells them from others.

    Attributes:
        data: the bytes.
        zipped: the same, compressed with gzip.
        tag: digest of the bytes.
    """

    __slots__ = ("data", "tag", "zipped")

    def __init__(self, data: bytes) -> None:
        """Compress the bytes and take their digest."""
        self.data = data
        self.zipped = gzip.compress(data, compresslevel=4, mtime=0)
        self.tag = hashlib.blake2b(data, digest_size=12).hexdigest()


class _Kept:
    """Messages by name; the oldest go when there are too many."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: dict[str, Packed] = {}

    def give(self, name: str, make: Callable[[], bytes]) -> Packed:
        with self._lock:
            found = self._held.get(name)
        if found is None:
            found = Packed(make())
            with self._lock:
                self._held[name] = found
                while len(self._held) > _KEPT_TILES:
                    del self._held[next(iter(self._held))]
        return found


class MapLayout:
    """The layout of a site as messages.

    Attributes:
        geometry: where everything lies.
    """

    def __init__(self, geometry: MapGeometry) -> None:
        """Keep the layout; messages are made when they are asked for."""
        self.geometry = geometry
        self._kept = _Kept()

    def boxes(self) -> Packed:
        """Give the ground of all strings, and the bounds of the tiles."""
        return self._kept.give("boxes", self._boxes)

    def names(self) -> Packed:
        """Give the names of all strings as JSON, in building order."""
        return self._kept.give(
            "names",
            lambda: json.dumps(
                self.geometry.strings.to_list(), ensure_ascii=False, separators=(",", ":")
            ).encode(),
        )

    def tile(self, tile: int) -> Packed:
        """Give the modules of a tile."""
        return self._kept.give(f"tile {tile}", lambda: self._tile(tile))

    def _boxes(self) -> bytes:
        held = self.geometry
        return pack_arrays(
            {
                "x": held.box_x_m,
                "y": held.box_y_m,
                "shapes": held.box_shapes_m.reshape(-1),
                "shape": held.box_shape,
                "string": held.box_string,
                "modules": np.diff(held.first_module).astype(np.uint16),
                "tile_bounds": held.tile_bounds_m.reshape(-1),
                "module_shapes": held.shapes_m.reshape(-1),
            },
            about={
                "origin": [held.origin_x_m, held.origin_y_m],
                "bounds": list(held.bounds_m),
                "strings": len(held.strings),
                "modules": held.modules,
                "tiles": held.tiles,
            },
        )

    def _tile(self, tile: int) -> bytes:
        held = self.geometry
        strings, modules = held.strings_of_tile(tile), held.modules_of_tile(tile)
        return pack_arrays(
            {
                "string": strings.astype(np.uint32),
                "count": np.diff(held.first_module)[strings].astype(np.uint16),
                "x": held.module_x_m[modules],
                "y": held.module_y_m[modules],
                "shape": held.module_shape[modules],
            },
            about={"tile": tile},
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sought:
    """What can be searched for.

    Attributes:
        strings: names of strings in building order, in small letters.
        pallets: numbers of all pallets, sorted.
        serials: serials of all modules, sorted.
    """

    strings: pl.Series
    pallets: pl.Series
    serials: pl.Series


class MapShown:
    """What is known of the site as messages, one state of the record.

    Attributes:
        state: what is known.
        layout: where everything lies.
    """

    def __init__(self, state: MapState, layout: MapLayout) -> None:
        """Keep the state; colourings are made when they are asked for."""
        self.state = state
        self.layout = layout
        self._kept = _Kept()
        self._lock = threading.Lock()
        self._colourings: dict[str, Colouring] = {}
        self._sought: Sought | None = None

    def sought(self) -> Sought:
        """Give what can be searched for."""
        with self._lock:
            if self._sought is None:
                held, came = self.state.held, self.state.delivered
                self._sought = Sought(
                    strings=self.layout.geometry.strings.str.to_lowercase(),
                    pallets=came["pallet"].drop_nulls().unique().sort(),
                    serials=pl.concat([came["serial"], held["serial"]])
                    .drop_nulls()
                    .unique()
                    .sort(),
                )
            return self._sought

    def prepare(self, following: MapShown) -> None:
        """Make ready in a following state what was asked of this one."""
        with self._lock:
            names, sought = list(self._colourings), self._sought is not None
        for name in names:
            following.values(name)
        if sought:
            following.sought()

    def colouring(self, name: str) -> Colouring:
        """Give a way to colour the map."""
        with self._lock:
            if name not in self._colourings:
                self._colourings[name] = colouring(self.state, name)
            return self._colourings[name]

    def values(self, name: str) -> Packed:
        """Give the legend and what each string is."""
        return self._kept.give(name, lambda: _values(self.colouring(name)))

    def tile(self, name: str, tile: int) -> Packed:
        """Give what each module of a tile is."""
        return self._kept.give(f"{name} {tile}", lambda: self._tile(name, tile))

    def _tile(self, name: str, tile: int) -> bytes:
        held = self.colouring(name)
        modules = self.layout.geometry.modules_of_tile(tile)
        codes = (
            held.strings[self.state.module_string[modules]]
            if held.modules is None
            else held.modules[modules]
        )
        return pack_arrays({"code": codes}, about={"tile": tile, "colouring": name})


def _about(held: Colouring) -> dict[str, Any]:
    return {
        "colouring": held.name,
        "unit": held.unit,
        "by_module": held.modules is not None,
        "categories": [asdict(one) for one in held.categories],
    }


def _values(held: Colouring) -> bytes:
    arrays: dict[str, Any] = {"code": held.strings}
    if held.values is not None:
        arrays["value"] = held.values
    return pack_arrays(arrays, about=_about(held))


def _changes(before: Colouring, now: Colouring, *, since: str, tag: str) -> bytes | None:
    changed = changed_strings(before, now)
    if changed is None:
        return None
    rows = np.flatnonzero(changed)
    arrays: dict[str, Any] = {"string": rows.astype(np.uint32), "code": now.strings[rows]}
    if now.values is not None:
        arrays["value"] = now.values[rows]
    return pack_arrays(arrays, about={**_about(now), "since": since, "tag": tag})


def map_layout(site: SiteHandle) -> MapLayout:
    """Give the layout of the site, made anew only when its description changed."""
    return site.cached(
        "map_layout",
        lambda record: MapLayout(map_geometry(record.site)),
        kinds=_DESCRIPTION_ONLY,
    )


class _History:
    """Earlier colourings by the tag of their message."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: dict[str, Colouring] = {}

    def note(self, tag: str, held: Colouring) -> None:
        with self._lock:
            self._held.pop(tag, None)
            self._held[tag] = held
            while len(self._held) > _REMEMBERED * len(COLOURINGS):
                del self._held[next(iter(self._held))]

    def find(self, tag: str) -> Colouring | None:
        with self._lock:
            return self._held.get(tag)


class _Phones:
    """What phones entered, as far as it was read."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._held: PhoneRows | None = None

    def read(self, record: SiteRecord) -> PhoneRows:
        with self._lock:
            self._held = phone_rows(record, self._held)
            return self._held


@dataclass(frozen=True, slots=True, kw_only=True)
class MapAnswer:
    """A message of the map, and how old what it tells is.

    Attributes:
        packed: the message.
        as_of: the moment of the record it tells.
        renewing: whether the record says more, and the next state is being made.
    """

    packed: Packed
    as_of: datetime
    renewing: bool


def _made(
    record: SiteRecord, layout: MapLayout, phones: _Phones, before: MapShown | None
) -> MapShown:
    """Read what is known; what was asked of the last state is ready before the new one is given."""
    shown = MapShown(map_state(record, layout.geometry, phones.read(record)), layout)
    if before is not None:
        before.prepare(shown)
    return shown


def map_now(site: SiteHandle) -> Standing[MapShown]:
    """Give what is known, with its time; made anew in the background when the record says more.

    The first state, and the first after the description changed, is waited for.
    """
    layout = map_layout(site)
    phones = site.cached("map_phones", lambda _: _Phones(), kinds=_DESCRIPTION_ONLY)
    return site.renewals.give(
        "map_shown",
        ground=layout,
        key=site.last_order(STATE_KINDS),
        make=lambda before: _made(site.record("server"), layout, phones, before),
        wait_s=site.settings.map_patience_s,
    )


def map_shown(site: SiteHandle) -> MapShown:
    """Give what is known, as ``map_now`` does."""
    return map_now(site).value


def values_since(site: SiteHandle, name: str, since: str) -> MapAnswer:
    """Give a colouring whole, or what changed in it since a message that was given before."""
    standing = map_now(site)
    shown = standing.value
    history = site.cached("map_history", lambda _: _History(), kinds=_DESCRIPTION_ONLY)
    packed, now = shown.values(name), shown.colouring(name)
    history.note(packed.tag, now)
    before = history.find(since)
    if before is not None and since != packed.tag and before.name == name:
        changes = _changes(before, now, since=since, tag=packed.tag)
        packed = packed if changes is None else Packed(changes)
    return MapAnswer(packed=packed, as_of=standing.as_of, renewing=standing.renewing)
