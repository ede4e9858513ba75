"""The mapping file a person writes for a table that is not recognised by itself."""

from __future__ import annotations

import tomllib
import zoneinfo
from difflib import get_close_matches
from pathlib import Path
from typing import Final

from arraywright.errors import InputFileError
from arraywright.readers.results import ColumnMapping, DateOrder, DecimalMark

__all__ = ["read_mapping"]

_KEYS: Final = ("kind", "columns", "decimal_mark", "time_zone", "date_order")
_ORDERS: Final[dict[str, DateOrder]] = {
    "day_first": "day_first",
    "month_first": "month_first",
    "year_first": "year_first",
}
_MARKS: Final[dict[str, DecimalMark]] = {".": ".", ",": ","}
_MAX_BYTES: Final = 1_000_000


def _bad(name: str, key: str, *, found: object, required: str) -> InputFileError:
    return InputFileError(
        "mapping-not-valid",
        f"{name}, key {key}: found {str(found)[:80]!r}, required {required}.",
        "Correct the mapping file.",
    )


def _load(path: Path) -> dict[str, object]:
    try:
        data = path.read_bytes()
        if len(data) > _MAX_BYTES:
            raise InputFileError(
                "file-too-large",
                f"{path.name} holds {len(data):,} bytes; a mapping file has at most 1,000,000.",
                "Give the mapping file, not the table.",
            )
        return tomllib.loads(data.decode("utf-8-sig"))
    except (OSError, UnicodeDecodeError, RecursionError) as error:
        raise InputFileError(
            "file-not-readable",
            f"{path.name} cannot be read: {error}.",
            "Check the name, the permission and that it is a UTF-8 text.",
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise InputFileError(
            "mapping-not-valid",
            f"{path.name} is no valid TOML: {error}.",
            "Correct the place named.",
        ) from error


def _choice(name: str, key: str, held: object, required: str) -> str:
    if not isinstance(held, str):
        raise _bad(name, key, found=held, required=required)
    return held


def read_mapping(path: Path) -> ColumnMapping:
    """Read a mapping file: which heading holds which column.

    TOML with ``kind = "flash_list"``, a table ``[columns]`` of canonical name to heading as
    written, and optionally ``decimal_mark`` (``"."`` or ``","``), ``time_zone`` (IANA) and
    ``date_order`` (``day_first``, ``month_first`` or ``year_first``).

    Raises:
        InputFileError: not readable, unknown key, or a value that is not allowed.
    """
    held = _load(path)
    for key in held:
        if key not in _KEYS:
            near = get_close_matches(key, _KEYS, n=1)
            hint = f"the nearest is {near[0]}" if near else f"one of {', '.join(_KEYS)}"
            raise _bad(path.name, key, found=key, required=f"a known key, {hint}")
    columns = held.get("columns", {})
    if not isinstance(columns, dict) or not all(isinstance(v, str) for v in columns.values()):
        raise _bad(
            path.name, "columns", found=columns, required='lines such as serial = "Modul-ID"'
        )
    kind = _choice(path.name, "kind", held.get("kind"), "the kind of table, such as flash_list")
    mark: DecimalMark | None = None
    order: DateOrder | None = None
    zone: str | None = None
    if "decimal_mark" in held:
        required = "'.' or ','"
        mark = _MARKS.get(_choice(path.name, "decimal_mark", held["decimal_mark"], required))
        if mark is None:
            raise _bad(path.name, "decimal_mark", found=held["decimal_mark"], required=required)
    if "date_order" in held:
        required = ", ".join(_ORDERS)
        order = _ORDERS.get(_choice(path.name, "date_order", held["date_order"], required))
        if order is None:
            raise _bad(path.name, "date_order", found=held["date_order"], required=required)
    if "time_zone" in held:
        required = "an IANA time zone such as Europe/Madrid"
        zone = _choice(path.name, "time_zone", held["time_zone"], required)
        if zone not in zoneinfo.available_timezones():
            raise _bad(path.name, "time_zone", found=zone, required=required)
    return ColumnMapping(
        kind=kind,
        columns={str(name): str(heading) for name, heading in columns.items()},
        decimal_mark=mark,
        time_zone=zone,
        date_order=order,
        file=path.name,
    )
