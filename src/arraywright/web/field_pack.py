"""The work pack a phone takes into the field: chosen blocks in few bytes, part by part.

A pack is a list of parts, each a JSON text of columns named by its SHA-256. A phone says which
parts it holds and gets the others: that is the update by difference, and the server keeps nothing
for it.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import zlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, time
from typing import Any, Final
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl

from arraywright.allocation.waivers import waiver_classes
from arraywright.commissioning import INSTRUMENTS, Assumptions, string_modules
from arraywright.commissioning.expected import string_nominal, type_template
from arraywright.commissioning.instruments import DEFAULT_INSTRUMENT_UNCERTAINTY
from arraywright.delivery import DELIVERY_NOTE, INSPECTION_ITEMS
from arraywright.errors import CallError
from arraywright.plant import ModuleType, Site
from arraywright.plant.tables import PLACEMENTS
from arraywright.procedures.allocate import ALLOCATION_PLANNED
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.field_rows import FieldRows, field_rows
from arraywright.procedures.receive import DELIVERY_RECONCILED
from arraywright.procedures.site_record import SiteRecord

__all__ = ["FORMAT", "Pack", "blocks_of", "make_pack", "pack_bytes"]

FORMAT: Final = "arraywright-pack-1"
ALL_MODULES: Final = 20_000
"""Up to this many delivered modules all of them travel; beyond, those of the blocks' pallets."""
_CHUNKS: Final = 16
_CLASS: Final = ["module_type", "power_class_w", "current_class"]
_FLASH: Final = ("isc_a", "voc_v", "imp_a", "vmp_v", "pmax_w")


@dataclass(frozen=True, slots=True, kw_only=True)
class Pack:
    """A work pack.

    Attributes:
        manifest: what it is of, and its parts by name with SHA-256 and size.
        parts: JSON texts by SHA-256.
    """

    manifest: dict[str, Any]
    parts: Mapping[str, bytes]


def blocks_of(site: Site) -> pl.DataFrame:
    """Give the blocks a crew can choose, an inverter with its strings each, in building order.

    Columns: ``block``, ``strings``, ``modules``.
    """
    return (
        site.strings.group_by(pl.col("inverter").alias("block"))
        .agg(
            pl.len().alias("strings"),
            pl.col("modules").sum(),
            pl.col("build_order").min().alias("_order"),
        )
        .sort("_order", "block")
        .drop("_order")
    )


def _json(value: object) -> bytes:
    return json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode()


def _plain(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _type_words(module_type: ModuleType) -> dict[str, Any]:
    held = {key: value for key, value in asdict(module_type).items() if key != "description"}
    template = type_template(module_type)
    held["template"] = {
        "il_a": float(template.photocurrent_a[0]),
        "i0_a": float(template.saturation_current_a[0]),
        "rs_ohm": float(template.series_resistance_ohm[0]),
        "rsh_ohm": _plain(template.shunt_resistance_ohm[0]),
        "a_v": float(template.diode_voltage_v[0]),
        "alpha_a_per_k": float(template.alpha_isc_a_per_k[0]),
        "bandgap_ev": float(template.bandgap_ev[0]),
        "bandgap_slope_per_k": float(template.bandgap_slope_per_k[0]),
    }
    return held


def _instrument_rows(record: SiteRecord) -> list[dict[str, Any]]:
    rows = record.rows(INSTRUMENTS).drop("source_file", "source_row", strict=False)
    return [
        {name: str(value) if name.endswith("_on") else value for name, value in row.items()}
        if row["calibrated_on"] is not None
        else {**row, "calibration_due_on": str(row["calibration_due_on"])}
        for row in rows.iter_rows(named=True)
    ]


def _earliest(record: SiteRecord) -> str | None:
    """Give the start of the day of the first delivery; nothing can be tested before it."""
    days = record.rows(DELIVERY_NOTE)["delivered_on"].drop_nulls().sort()
    if days.is_empty():
        return None
    start = datetime.combine(days[0], time(0), tzinfo=ZoneInfo(record.site.time_zone))
    return start.astimezone(UTC).isoformat()


def _site_part(record: SiteRecord, classes: pl.DataFrame) -> dict[str, Any]:
    site = record.site
    return {
        "name": site.name,
        "time_zone": site.time_zone,
        "latitude_deg": site.latitude_deg,
        "longitude_deg": site.longitude_deg,
        "elevation_m": site.elevation_m,
        "types": [_type_words(held) for held in site.module_types.values()],
        "classes": [list(row) for row in classes.select(_CLASS).iter_rows()],
        "commissioning": asdict(site.commissioning),
        "assumptions": asdict(Assumptions()),
        "instrument_defaults": dict(DEFAULT_INSTRUMENT_UNCERTAINTY),
        "instruments": _instrument_rows(record),
        "earliest": _earliest(record),
        "items": [[item.key, item.part, item.defect_class] for item in INSPECTION_ITEMS],
    }


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stock:
    """Delivered modules and what was planned for them."""

    modules: pl.DataFrame
    pallets: pl.DataFrame
    planned: pl.DataFrame


def _stock(record: SiteRecord) -> _Stock:
    reconciled = record.latest(DELIVERY_RECONCILED)
    plan = record.latest(ALLOCATION_PLANNED)
    empty = pl.Schema(
        {
            "serial": pl.String,
            "pallet": pl.String,
            "module_type": pl.String,
            "power_class_w": pl.Float64,
            "current_class": pl.String,
            **dict.fromkeys(_FLASH, pl.Float64),
            "usable": pl.Boolean,
            "reason": pl.String,
            "pallet_verdict": pl.String,
        }
    )
    modules, pallets = pl.DataFrame(schema=empty), None
    if reconciled is not None:
        loaded = record.load_frame(reconciled, "modules").select(list(empty))
        modules = loaded.filter(pl.col("serial").is_not_null()).unique(
            "serial", keep="first", maintain_order=True
        )
        pallets = record.load_frame(reconciled, "pallets").select(
            "pallet", "verdict", "modules_note", "modules_flash", *_CLASS, "delivery_note"
        )
    places = ["string", "place_in_string", "serial", "position"]
    planned = (
        pl.DataFrame(schema=dict.fromkeys(places, pl.String))
        if plan is None
        else record.load_frame(plan, "assignments").select(places)
    )
    return _Stock(
        modules=modules,
        pallets=pl.DataFrame(schema={"pallet": pl.String}) if pallets is None else pallets,
        planned=planned,
    )


def _chosen(site: Site, blocks: Sequence[str]) -> Site:
    known = site.strings["inverter"].unique().to_list()
    unknown = [block for block in blocks if block not in known]
    if unknown or not blocks:
        raise CallError(
            "block-unknown",
            f"Found the blocks {', '.join(unknown) or 'none'}.",
            f"Choose among: {', '.join(sorted(known)[:20])}.",
        )
    strings = site.strings.filter(pl.col("inverter").is_in(list(blocks)))
    positions = site.positions.join(strings.select("string"), on="string", how="semi")
    return replace(site, strings=strings, positions=positions)


def _travelling(stock: _Stock, strings: Sequence[str]) -> pl.DataFrame:
    """Give the modules that travel: all of them, or on a great site those the blocks may meet."""
    if stock.modules.height <= ALL_MODULES:
        return stock.modules
    planned = stock.planned.filter(pl.col("string").is_in(list(strings)))
    pallets = stock.modules.join(planned, on="serial", how="semi").select("pallet").unique()
    return stock.modules.join(pallets, on="pallet", how="semi")


def _runs(serials: pl.Series) -> list[list[Any]]:
    """Give serials as runs of consecutive numbers under one beginning.

    Each is (beginning, digits, first, counts) with counts of numbers present and absent in turn.
    """
    parts = (
        serials.unique()
        .to_frame("serial")
        .with_columns(
            pl.col("serial").str.extract(r"^(.*?)([0-9]{0,15})$", 1).alias("head"),
            pl.col("serial").str.extract(r"^(.*?)([0-9]{0,15})$", 2).alias("tail"),
        )
        .with_columns(pl.col("tail").str.len_bytes().alias("digits"))
    )
    out: list[list[Any]] = []
    for (head, digits), group in sorted(
        parts.partition_by(["head", "digits"], as_dict=True).items(), key=lambda held: str(held[0])
    ):
        if digits == 0:
            out.append([head, 0, 0, [1]])
            continue
        numbers = group["tail"].cast(pl.Int64).sort().to_numpy()
        jumps = np.flatnonzero(np.diff(numbers) != 1)
        starts = numbers[np.concatenate(([0], jumps + 1))]
        ends = numbers[np.concatenate((jumps, [len(numbers) - 1]))]
        counts = np.empty(2 * len(starts) - 1, dtype=np.int64)
        counts[0::2] = ends - starts + 1
        counts[1::2] = starts[1:] - ends[:-1] - 1
        out.append([head, digits, int(numbers[0]), counts.tolist()])
    return out


def _with_class(frame: pl.DataFrame, classes: pl.DataFrame) -> pl.DataFrame:
    return frame.join(
        classes, on=_CLASS, how="left", nulls_equal=True, maintain_order="left"
    ).with_columns(pl.col("class").fill_null(-1))


def _module_parts(modules: pl.DataFrame, classes: pl.DataFrame) -> dict[str, dict[str, Any]]:
    flashed = pl.all_horizontal(pl.col(name) > 0 for name in _FLASH).fill_null(value=False)
    rows = _with_class(modules, classes).with_columns(
        *(pl.when(flashed).then(pl.col(name)).alias(name) for name in ("voc_v", "isc_a")),
        pl.col("pallet").fill_null(""),
    )
    pallets = rows["pallet"].unique().to_list()
    buckets = pl.DataFrame(
        {"pallet": pallets, "_part": [zlib.crc32(one.encode()) % _CHUNKS for one in pallets]},
        schema={"pallet": pl.String, "_part": pl.Int64},
    )
    rows = rows.join(buckets, on="pallet").sort("pallet", "serial")
    parts = {}
    for (number,), group in sorted(rows.partition_by(["_part"], as_dict=True).items()):
        runs = group.group_by("pallet", maintain_order=True).len()
        parts[f"modules:{int(str(number)):02d}"] = {
            "pallet": runs["pallet"].to_list(),
            "count": runs["len"].to_list(),
            "serial": _fronted(group["serial"].to_list()),
            "class": group["class"].to_list(),
            "voc_v": group["voc_v"].to_list(),
            "isc_a": group["isc_a"].to_list(),
        }
    return parts


def _fronted(texts: Sequence[str]) -> list[Any]:
    """Write texts without the beginning they share with the one before: length, rest, ...

    Two lists, the shared lengths and the rests.
    """
    lengths, rests, before = [], [], ""
    for text in texts:
        shared = 0
        for one, other in zip(text, before, strict=False):
            if one != other:
                break
            shared += 1
        lengths.append(shared)
        rests.append(text[shared:])
        before = text
    return [lengths, rests]


def _ratio_columns(site: Site, placed: pl.DataFrame | None) -> dict[str, list[float | None]]:
    """Give the nominal values of strings, as the server's own judgement takes them."""
    modules = string_modules(site, placed=placed)
    names = ("voc_v", "isc_a", "voc_common", "voc_own", "isc_common", "isc_own")
    out = {name: np.full(site.strings.height, np.nan) for name in names}
    for key in modules.module_type.unique().to_list():
        index = np.flatnonzero((modules.module_type == key).to_numpy())
        held = string_nominal(modules.take(index), site.module_types[key])
        for name, values in zip(
            names,
            (
                held.voc_v,
                held.isc_a,
                held.voc_common_ratio,
                held.voc_own_ratio,
                held.isc_common_ratio,
                held.isc_own_ratio,
            ),
            strict=True,
        ):
            out[name][index] = values
    columns: dict[str, list[float | None]] = {
        name: [_plain(value) for value in values] for name, values in out.items()
    }
    columns["flash"] = (modules.source == "flash").cast(pl.Float64).to_list()
    return columns


def _planes(site: Site) -> tuple[list[list[float]], dict[str, list[int]]]:
    """Give the planes (tilt, azimuth) and which of them each string lies on."""
    rows = (
        site.positions.select("string", "structure")
        .unique()
        .join(site.structures.select("structure", "tilt_deg", "azimuth_deg"), on="structure")
        .select("string", "tilt_deg", "azimuth_deg")
        .unique()
        .sort("tilt_deg", "azimuth_deg", "string")
    )
    planes: list[list[float]] = []
    of_string: dict[str, list[int]] = {}
    for name, tilt, azimuth in rows.iter_rows():
        if not planes or planes[-1] != [tilt, azimuth]:
            planes.append([tilt, azimuth])
        of_string.setdefault(name, []).append(len(planes) - 1)
    return planes, of_string


def _wanted_class(site: Site, stock: _Stock) -> pl.DataFrame:
    """Give the class most of a string's planned modules have: string and class."""
    return (
        stock.planned.join(site.strings.select("string"), on="string", how="semi")
        .join(stock.modules.select("serial", *_CLASS), on="serial", how="inner")
        .group_by("string", *_CLASS)
        .len()
        .sort("string", "len", *_CLASS, descending=[False, True, False, False, False])
        .unique("string", keep="first", maintain_order=True)
        .drop("len")
    )


def _strings_part(site: Site, stock: _Stock, classes: pl.DataFrame) -> dict[str, Any]:
    first = stock.modules.select("serial", "power_class_w", *_FLASH)
    planned = stock.planned.join(site.strings.select("string"), on="string", how="semi").join(
        first, on="serial", how="left"
    )
    by_plan = _ratio_columns(site, planned.drop("position") if planned.height else None)
    by_class = _ratio_columns(site, None)
    wanted = _with_class(_wanted_class(site, stock), classes).select("string", "class")
    waived = _with_class(waiver_classes(site), classes).filter(pl.col("class") >= 0)
    also: dict[str, list[int]] = {}
    for name, number in waived.select("string", "class").iter_rows():
        also.setdefault(name, []).append(number)
    strings = site.strings.join(wanted, on="string", how="left", maintain_order="left")
    types = list(site.module_types)
    planes, planes_of = _planes(site)
    names = strings["string"].to_list()
    return {
        "string": names,
        "type": [types.index(key) for key in strings["module_type"].to_list()],
        "modules": strings["modules"].to_list(),
        "block": strings["inverter"].to_list(),
        "mppt_input": strings["mppt_input"].to_list(),
        "combiner_box": strings["combiner_box"].to_list(),
        "drop_point": strings["drop_point"].to_list(),
        "build_order": strings["build_order"].to_list(),
        "class": strings["class"].fill_null(-1).to_list(),
        "also": [also.get(name, []) for name in names],
        "planes": planes,
        "plane": [planes_of.get(name, []) for name in names],
        "by_plan": by_plan,
        "by_class": by_class,
    }


def _positions_part(site: Site, stock: _Stock) -> dict[str, Any]:
    """Give the positions in building order: structure after structure, from the top row down."""
    order = site.strings.select("string", "build_order").with_row_index("string_index")
    rank = (
        site.positions.join(order, on="string")
        .group_by("structure")
        .agg(pl.col("build_order").min().alias("_rank"))
    )
    planned = stock.planned.select("position", pl.col("serial").alias("planned"))
    rows = (
        site.positions.join(order, on="string")
        .join(rank, on="structure")
        .join(planned, on="position", how="left")
        .sort("_rank", "structure", "row", "column")
    )
    runs = rows.group_by("structure", maintain_order=True).len()
    return {
        "structure": runs["structure"].to_list(),
        "count": runs["len"].to_list(),
        "position": _fronted(rows["position"].to_list()),
        "row": rows["row"].to_list(),
        "column": rows["column"].to_list(),
        "string": rows["string_index"].to_list(),
        "place": rows["place_in_string"].to_list(),
        "planned": _fronted(rows["planned"].fill_null("").to_list()),
    }


def _status_part(stock: _Stock, travelling: pl.DataFrame, said: FieldRows) -> dict[str, Any]:
    apart = travelling.filter(~pl.col("usable").fill_null(value=True)).select("serial", "reason")
    aside = {serial: reason or "" for serial, reason in apart.iter_rows()} | said.set_apart
    pallets = stock.pallets
    held = (
        pallets.filter(pl.col("verdict").is_in(["hold", "refuse"]))
        if "verdict" in pallets.columns
        else pallets
    )
    return {
        "apart": dict(sorted(aside.items())),
        "recalled": dict(sorted(said.recalled.items())),
        "pallets": dict(sorted(held.select("pallet", "verdict").iter_rows()))
        if held.width > 1
        else {},
    }


def _pallet_part(stock: _Stock, travelling: pl.DataFrame, classes: pl.DataFrame) -> dict[str, Any]:
    if "verdict" not in stock.pallets.columns:
        return {"pallet": [], "modules": [], "class": [], "note": []}
    rows = stock.pallets
    if travelling.height < stock.modules.height:
        rows = rows.join(travelling.select("pallet").unique(), on="pallet", how="semi")
    rows = _with_class(rows, classes).sort("pallet")
    return {
        "pallet": rows["pallet"].to_list(),
        "modules": rows.select(pl.coalesce("modules_flash", "modules_note")).to_series().to_list(),
        "class": rows["class"].to_list(),
        "note": rows["delivery_note"].to_list(),
    }


def _tested_part(record: SiteRecord, strings: pl.DataFrame, said: FieldRows) -> dict[str, str]:
    """Give the standard's verdict of strings that have been judged, or read and not judged yet."""
    judged = record.latest(STRINGS_JUDGED)
    known: dict[str, str] = dict.fromkeys(
        said.readings["string"].unique().sort().to_list(), "not_assessable"
    )
    if judged is not None:
        rows = record.load_frame(judged, "strings").filter(pl.col("readings") > 0)
        known |= dict(rows.select("string", "verdict_standard").iter_rows())
    chosen = set(strings["string"].to_list())
    return {name: verdict for name, verdict in sorted(known.items()) if name in chosen}


def _placed_rows(record: SiteRecord, said: FieldRows) -> pl.DataFrame:
    """Give what sits where: as-built lists and live entries, both as they stand."""
    lists = (
        record.rows(PLACEMENTS)
        .join(record.site.positions.select("position", "string", "place_in_string"),
              on=["string", "place_in_string"], how="inner")
        .sort("placed_at", nulls_last=False)
        .unique("position", keep="last", maintain_order=True)
        .select("position", "string", "serial", pl.lit("").alias("uuid"))
    )  # fmt: skip
    told = said.placements.select("position", "string", "serial", "uuid")
    lists = lists.join(told.select("position"), on="position", how="anti")
    return pl.concat([lists, told]).sort("position", "uuid")


def _placed_parts(site: Site, placed: pl.DataFrame) -> dict[str, dict[str, Any]]:
    """Give what is placed, block by block, and what of it lies outside the chosen blocks."""
    rows = placed.join(site.strings.select("string", "inverter"), on="string", how="left")
    parts = {}
    for (block,), group in sorted(
        rows.partition_by(["inverter"], as_dict=True).items(), key=lambda held: str(held[0])
    ):
        if block is None:
            continue
        parts[f"placed:{block}"] = {
            "position": _fronted(group["position"].to_list()),
            "serial": _fronted(group["serial"].to_list()),
            "uuid": group["uuid"].to_list(),
        }
    return parts


def make_pack(record: SiteRecord, *, blocks: Sequence[str]) -> Pack:
    """Make the work pack of the chosen blocks from the site and its record.

    Raises:
        CallError: a block is not one of the site's, or none is named.
        RecordError: a file that the record names is missing or changed.
    """
    seal = record.journal.seal()
    site = _chosen(record.site, blocks)
    stock = _stock(record)
    said = field_rows(record.journal, record.site)
    travelling = _travelling(stock, site.strings["string"].to_list())
    classes = stock.modules.select(_CLASS).unique().sort(_CLASS).with_row_index("class")
    classes = classes.with_columns(pl.col("class").cast(pl.Int64))
    placed = _placed_rows(record, said)
    elsewhere = placed.join(site.strings.select("string"), on="string", how="anti").join(
        travelling.select("serial"), on="serial", how="semi"
    )
    held: dict[str, object] = {
        "site": _site_part(record, classes),
        "strings": _strings_part(site, stock, classes),
        "positions": _positions_part(site, stock),
        "pallets": _pallet_part(stock, travelling, classes),
        **_module_parts(travelling, classes),
        "status": _status_part(stock, travelling, said),
        "tested": _tested_part(record, site.strings, said),
        **_placed_parts(site, placed),
        "elsewhere": {
            "position": elsewhere["position"].to_list(),
            "serial": elsewhere["serial"].to_list(),
            "uuid": elsewhere["uuid"].to_list(),
        },
    }
    if travelling.height < stock.modules.height:
        others = stock.modules.join(travelling.select("serial"), on="serial", how="anti")
        held["others"] = _runs(others["serial"])
    texts = {name: _json(value) for name, value in held.items()}
    digests = {name: hashlib.sha256(text).hexdigest() for name, text in texts.items()}
    manifest = {
        "format": FORMAT,
        "site": site.name,
        "blocks": list(blocks),
        "modules": travelling.height,
        "positions": site.positions.height,
        "strings": site.strings.height,
        "server_order": seal.entries,
        "made_at": record.now().astimezone(UTC).isoformat(timespec="seconds"),
        "parts": [
            {"name": name, "sha256": digests[name], "size": len(text)}
            for name, text in texts.items()
        ],
    }
    return Pack(manifest=manifest, parts={digests[name]: text for name, text in texts.items()})


def pack_bytes(pack: Pack, *, held: Collection[str] = ()) -> bytes:
    """Write manifest and those parts that are not held already, as gzip of one JSON document.

    Args:
        pack: the pack.
        held: SHA-256 of parts the phone has, whole or their first 16 digits.
    """
    have = {one[:16] for one in held}
    parts = {
        digest: text.decode() for digest, text in pack.parts.items() if digest[:16] not in have
    }
    document = _json({"manifest": pack.manifest, "parts": parts})
    return gzip.compress(document, compresslevel=9, mtime=0)
