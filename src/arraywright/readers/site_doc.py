"""The keys and tables of a site description, written for the documentation."""

from __future__ import annotations

import re
from typing import Final

from arraywright.plant.tables import POSITIONS, STRINGS, STRUCTURES
from arraywright.readers.site_key import SiteKey
from arraywright.readers.site_keys import SECTIONS

__all__ = ["layout_tables_markdown", "site_keys_markdown", "with_generated_parts"]

_PART: Final = "<!-- generated from the program: {} {} -->\n"


def site_keys_markdown() -> str:
    """Write every section and key as Markdown."""
    lines: list[str] = []
    for entry in SECTIONS.values():
        if not entry.path:
            continue
        header = entry.path.removesuffix("[]").replace("[].", ".")
        shown = f"[[{header}]]" if entry.path.endswith("[]") else f"[{header}]"
        lines += [f"### `{shown}`: {entry.title}", ""]
        lines += ["| key | unit | allowed | default | meaning |", "|---|---|---|---|---|"]
        lines += [
            f"| `{key.name}` | {_unit(key.unit)} | {_range_words(key)} | {_default_words(key)} "
            f"| {key.meaning} |"
            for key in entry.keys
        ]
        lines.append("")
    return "\n".join(lines)


def layout_tables_markdown() -> str:
    """Write the columns of structures, positions and strings as Markdown."""
    lines: list[str] = []
    for spec in (STRUCTURES, POSITIONS, STRINGS):
        lines += [f"**`{spec.kind}`**: {spec.title}", ""]
        lines += ["| column | unit | kind | needed | meaning |", "|---|---|---|---|---|"]
        lines += [
            f"| `{column.name}` | {_unit(column.unit)} | {column.kind} "
            f"| {'yes' if column.required else 'no'} | {column.meaning} |"
            for column in spec.columns
        ]
        lines.append("")
    return "\n".join(lines)


def with_generated_parts(text: str) -> str:
    """Give a Markdown text with its generated parts written anew."""
    for name, part in (("tables", layout_tables_markdown()), ("keys", site_keys_markdown())):
        begin, end = _PART.format("begin", name), _PART.format("end", name)
        pattern = re.compile(f"{re.escape(begin)}.*?{re.escape(end)}", re.DOTALL)
        whole = begin + part + end
        text = pattern.sub(lambda _, whole=whole: whole, text)  # type: ignore[misc]
    return text


def _unit(unit: str) -> str:
    return "-" if unit in {"", "1"} else unit


def _default_words(key: SiteKey) -> str:
    if key.kind == "yes_no" and key.default is not None:
        return "`true`" if key.default else "`false`"
    if key.required:
        return "required"
    if key.default is None:
        return "may be missing"
    if key.default == "":
        return "none" if key.kind == "texts" else "empty"
    shown = f"`{key.default}`" if isinstance(key.default, str) else f"{key.default:g}"
    return f"{shown} ({key.basis})" if key.basis else shown


def _range_words(key: SiteKey) -> str:
    if key.choices:
        return ", ".join(f"`{choice}`" for choice in key.choices)
    if key.kind == "yes_no":
        return "`true` or `false`"
    if key.kind in {"date", "dates"}:
        return "day, `2027-03-01`" if key.kind == "date" else "list of days"
    if key.minimum is None or key.maximum is None:
        return "list of texts" if key.kind == "texts" else "text"
    words = f"{_plain(key.minimum)} to {_plain(key.maximum)}"
    return f"whole, {words}" if key.kind == "integer" else words


def _plain(number: float) -> str:
    return f"{number:.0f}" if number == int(number) else f"{number:g}"
