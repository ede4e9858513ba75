"""What the map tells of one string, and where a serial, a pallet or a string is found."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any, Final, cast

import numpy as np
import polars as pl

from arraywright.commissioning import IV_POINTS, STRING_READINGS
from arraywright.delivery import normal_pallet
from arraywright.dossier.words import local_time
from arraywright.errors import CallError
from arraywright.procedures.commission import STRINGS_JUDGED
from arraywright.procedures.site_record import SiteRecord
from arraywright.procedures.trace import story_of
from arraywright.web.map_service import MapShown
from arraywright.web.story_words import story_lines
from arraywright.web.words import DEFAULT_LANGUAGE

__all__ = ["find_places", "string_story"]

_MOST_FOUND: Final = 12
_MOST_STRINGS: Final = 400
_VERDICT_KEYS: Final = (
    *("verdict", "verdict_standard", "verdict_measurement", "voc_v", "voc_expected_v"),
    *("voc_deviation_ratio", "isc_a", "isc_expected_a", "isc_deviation_ratio"),
    *("riso_pos_megohm", "riso_neg_megohm", "earth_continuity_ohm", "cause", "check_next"),
    *("caution", "reasons", "measured_at"),
)
_READING_KEYS: Final = (
    *("measured_at", "voc_v", "isc_a", "irradiance_w_m2", "module_temp_c", "riso_pos_megohm"),
    *("riso_neg_megohm", "earth_continuity_ohm", "person", "source_file", "source_row"),
)


def _plain(value: object, zone: str) -> object:
    if isinstance(value, datetime):
        return local_time(value, zone)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, float):
        return value if np.isfinite(value) else None
    if isinstance(value, list):
        return [_plain(one, zone) for one in value]
    return value


def _rows(frame: pl.DataFrame, keys: Iterable[str], zone: str) -> list[dict[str, Any]]:
    kept = [key for key in keys if key in frame.columns]
    return [
        {key: _plain(value, zone) for key, value in row.items()}
        for row in frame.select(kept).iter_rows(named=True)
    ]


def _verdict(record: SiteRecord, string: str) -> dict[str, Any] | None:
    judged = record.latest(STRINGS_JUDGED)
    if judged is None:
        return None
    frame = record.scan_frame(judged, "strings").filter(pl.col("string") == string).collect()
    rows = _rows(frame, _VERDICT_KEYS, record.site.time_zone)
    return rows[0] if rows else None


def _curves(record: SiteRecord, string: str) -> list[dict[str, Any]]:
    """Give the curves of a string at the light they were taken in, newest last."""
    parts = [
        record.scan_frame(entry, "rows").filter(pl.col("string") == string).collect()
        for entry in record.received(IV_POINTS)
    ]
    if not parts:
        return []
    points = pl.concat(parts, how="vertical_relaxed").unique(
        ["measured_at", "voltage_v"], keep="last", maintain_order=True
    )
    return [
        {
            "measured_at": local_time(moment, record.site.time_zone),
            "irradiance_w_m2": _plain(held["irradiance_w_m2"].mean(), ""),
            "module_temp_c": _plain(held["module_temp_c"].mean(), ""),
            "voltage_v": held["voltage_v"].to_list(),
            "current_a": held["current_a"].to_list(),
        }
        for (moment,), held in points.sort("measured_at", "voltage_v").group_by(
            "measured_at", maintain_order=True
        )
    ]


def _readings(record: SiteRecord, shown: MapShown, string: str) -> list[dict[str, Any]]:
    """Give the readings of a string from files and phones, each once, newest last."""
    parts = [
        record.scan_frame(entry, "rows").filter(pl.col("string") == string).collect()
        for entry in record.received(STRING_READINGS)
    ]
    parts.append(shown.state.phone_readings.filter(pl.col("string") == string))
    keys = ["string", *_READING_KEYS]
    frame = pl.concat([part.select(keys) for part in parts], how="vertical_relaxed")
    once = frame.unique("measured_at", keep="first", maintain_order=True)
    return _rows(once.sort("measured_at"), _READING_KEYS, record.site.time_zone)


def _modules(record: SiteRecord, shown: MapShown, row: int) -> list[dict[str, Any]]:
    first, end = (int(shown.layout.geometry.first_module[row + step]) for step in (0, 1))
    places = record.site.positions[first:end].select(
        "place_in_string", "position", module=pl.int_range(first, end)
    )
    held = places.join(
        shown.state.held.filter(pl.col("module").is_between(first, end - 1)),
        on="module",
        how="left",
        maintain_order="left",
    )
    return [
        {
            "place": place,
            "position": position,
            "serial": serial,
            "pallet": pallet,
            "class": None if class_row is None else shown.state.classes[class_row],
            "built": bool(built),
        }
        for place, position, serial, pallet, class_row, built in held.select(
            "place_in_string", "position", "serial", "pallet", "class_row", "built"
        ).iter_rows()
    ]


def string_story(
    record: SiteRecord,
    shown: MapShown,
    string: str,
    *,
    language: str = DEFAULT_LANGUAGE,
    us: bool = False,
) -> Mapping[str, Any]:
    """Tell of a string: its modules, verdict, readings, curves and story.

    The story is in the language and units of the reader; other numbers are as recorded.

    Raises:
        CallError: there is no such string.
    """
    found = shown.layout.geometry.strings.index_of(string)
    if found is None:
        raise CallError(
            "string-unknown",
            f"No string of this site is named {string}.",
            "Check the name on the drawing, or search for it on the map.",
        )
    described = record.site.strings.row(found, named=True)
    return {
        "string": string,
        "row": found,
        "module_type": described["module_type"],
        "inverter": described["inverter"],
        "mppt_input": described["mppt_input"],
        "drop_point": described["drop_point"],
        "modules": _modules(record, shown, found),
        "verdict": _verdict(record, string),
        "readings": _readings(record, shown, string),
        "curves": _curves(record, string),
        "story": [
            {
                "moment": _local(line.moment, record.site.time_zone),
                "what": line.what,
                "recorded": line.recorded,
                "who": line.who,
                "source": line.source,
            }
            for line in story_lines(
                cast("list[dict[str, Any]]", story_of(record, string).result["events"]),
                language=language,
                us=us,
            )
        ],
    }


def _local(moment: str | None, zone: str) -> str:
    return local_time(datetime.fromisoformat(moment), zone) if moment else ""


def _placed(shown: MapShown, kind: str, column: str, names: list[str]) -> list[dict[str, Any]]:
    """Give pallets or modules with the rows of their strings and modules on the map."""
    held = shown.state.held.filter(pl.col(column).is_in(names)).select(column, "module")
    modules = {name: part["module"].to_numpy() for (name,), part in held.group_by(column)}
    found = []
    for name in names:
        mine = np.sort(modules.get(name, np.zeros(0, dtype=np.int64)))
        found.append(
            {
                "kind": kind,
                "name": name,
                "strings": np.unique(shown.state.module_string[mine])[:_MOST_STRINGS].tolist(),
                "modules": mine[:_MOST_STRINGS].tolist(),
                "placed": len(mine),
            }
        )
    return found


def find_places(shown: MapShown, asked: str) -> list[dict[str, Any]]:
    """Find strings, pallets and modules by name or part of it; at most a dozen of each.

    Each is given with the rows of its strings, those of its modules and how many are on the map;
    none for what is not placed yet.
    """
    wanted = asked.strip()
    if len(wanted) < 2:
        return []
    names, sought = shown.layout.geometry.strings, shown.sought()
    found: list[dict[str, Any]] = [
        {"kind": "string", "name": names[row], "strings": [row], "modules": [], "placed": 1}
        for row in _named(sought.strings, wanted.lower())
    ]
    pallet = str(
        pl.DataFrame({"pallet": [wanted]}).select(normal_pallet(pl.col("pallet"))).item() or ""
    )
    if pallet:
        rows = _named(sought.pallets, pallet)
        found += _placed(shown, "pallet", "pallet", [sought.pallets[row] for row in rows])
    if len(wanted) >= 3:
        rows = _named(sought.serials, wanted.upper())
        found += _placed(shown, "module", "serial", [sought.serials[row] for row in rows])
    return found


def _named(names: pl.Series, wanted: str) -> list[int]:
    """Give rows of names that hold a text: the same first, then those that begin or end so."""
    held = (
        pl.DataFrame({"name": names})
        .with_row_index("row")
        .filter(pl.col("name").str.contains(wanted, literal=True))
        .with_columns(
            grade=pl.when(pl.col("name") == wanted)
            .then(0)
            .when(pl.col("name").str.starts_with(wanted) | pl.col("name").str.ends_with(wanted))
            .then(1)
            .otherwise(2)
        )
        .sort("grade", "row")
        .head(_MOST_FOUND)
    )
    rows: list[int] = held["row"].to_list()
    return rows
