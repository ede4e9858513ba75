"""Keys of a parsed description set from outside, to ask what another value would do."""

from __future__ import annotations

import copy
import re
from collections.abc import Mapping
from typing import Final

from arraywright.errors import InputFileError
from arraywright.readers.site_key import SiteKey
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_values import nearest

__all__ = ["with_settings"]

_PART: Final = re.compile(r'"([^"]*)"|([^."]+)')
_NAMED: Final = ("module_types", "inverter_types")


def with_settings(data: Mapping[str, object], settings: Mapping[str, object]) -> dict[str, object]:
    """Give a parsed description with other values at dotted keys; the given one stays as it is.

    ``design.practice``, ``module_types.ridge.least_gap_mm``, ``layout.block.0.tilt_deg``: an
    element of an array of tables is a number counted from 0. A section that is missing is made;
    a type or an element of an array must be there. Values are checked when the description is
    read, like those of the file.

    Raises:
        InputFileError: ``setting-unknown`` when no such key can stand in a description.
    """
    out: dict[str, object] = copy.deepcopy(dict(data))
    for dotted, value in settings.items():
        _set(out, dotted, value)
    return out


def _refuse(dotted: str, why: str, remedy: str) -> InputFileError:
    return InputFileError("setting-unknown", f"{dotted} cannot be set: {why}.", remedy)


def _parts(dotted: str) -> list[str]:
    parts: list[str] = []
    at = 0
    while at < len(dotted):
        match = _PART.match(dotted, at)
        if match is None:
            raise _refuse(dotted, "it is no dotted key", "Write it as section.key.")
        parts.append(match.group(1) if match.group(1) is not None else match.group(2).strip())
        at = match.end()
        if at < len(dotted):
            if dotted[at] != "." or at + 1 == len(dotted):
                raise _refuse(dotted, "it is no dotted key", "Write it as section.key.")
            at += 1
    return parts


def _set(out: dict[str, object], dotted: str, value: object) -> None:
    parts = _parts(dotted)
    if len(parts) < 2:
        raise _refuse(dotted, "it names no key of a section", "Write it as section.key.")
    path, table = "", out
    while len(parts) > 1:
        section = SECTIONS[path]
        name = _known(dotted, parts.pop(0), section.sections)
        path = f"{path}.{name}" if path else name
        if name in _NAMED:
            table = _inner(dotted, table, name)
            key = _type_name(dotted, parts, table)
            table, path = _inner(dotted, table, key), f"{path}.NAME"
        elif f"{path}[]" in SECTIONS:
            table, path = _element(dotted, parts, table.get(name)), f"{path}[]"
        else:
            table = _inner(dotted, table, name)
    if not parts:
        raise _refuse(dotted, "it names no key of a section", "Add a key of the section.")
    section = SECTIONS[path]
    inner = SECTIONS.get(f"{path}.{parts[0]}")
    if inner is not None and parts[0] in section.sections:
        keys = ", ".join(key.name for key in inner.keys)
        raise _refuse(dotted, "it is a section", f"Add a key of it: {keys}.")
    name = _known(dotted, ".".join(parts), tuple(key.name for key in section.keys))
    table[name] = _as_written(value, section.key(name))


def _as_written(value: object, key: SiteKey) -> object:
    """Give the value as the file would hold it: a text that looks like a number is a text."""
    if key.kind == "text" and isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value:g}" if isinstance(value, float) else str(value)
    if key.kind == "texts" and isinstance(value, str):
        return [part.strip() for part in value.split(",")]
    return copy.deepcopy(value)


def _known(dotted: str, name: str, known: tuple[str, ...]) -> str:
    if name in known:
        return name
    near = nearest(name, known)
    raise _refuse(
        dotted,
        f"a description has no {name} there",
        f"Did you mean {near}?" if near else f"Known there: {', '.join(known)}.",
    )


def _inner(dotted: str, table: dict[str, object], name: str) -> dict[str, object]:
    inner = table.setdefault(name, {})
    if not isinstance(inner, dict):
        raise _refuse(dotted, f"{name} is no table in the description", "Correct it first.")
    return inner


def _type_name(dotted: str, parts: list[str], table: dict[str, object]) -> str:
    """Take the name of a described type off the parts; it may have dots in it."""
    for count in range(1, len(parts)):
        name = ".".join(parts[:count])
        if name in table:
            del parts[:count]
            return name
    near = nearest(parts[0], table)
    raise _refuse(
        dotted,
        f"no type {parts[0]} is described",
        f"Did you mean {near}?" if near else f"Described: {', '.join(table) or 'none'}.",
    )


def _element(dotted: str, parts: list[str], entries: object) -> dict[str, object]:
    count = len(entries) if isinstance(entries, list) else 0
    number = int(parts.pop(0)) if parts and re.fullmatch("[0-9]{1,9}", parts[0]) else -1
    entry = entries[number] if isinstance(entries, list) and 0 <= number < count else None
    if not isinstance(entry, dict):
        raise _refuse(
            dotted,
            f"the description has {count} of them",
            f"Write a number from 0 to {count - 1} behind the name of the list."
            if count
            else "Describe one first.",
        )
    return entry
