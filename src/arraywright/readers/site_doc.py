"""The keys of a site description as tables for the documentation."""

from __future__ import annotations

from arraywright.readers.site_key import SiteKey
from arraywright.readers.site_keys import SECTIONS

__all__ = ["site_keys_markdown"]


def _default_words(key: SiteKey) -> str:
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
    if key.minimum is None or key.maximum is None:
        return {"text": "text", "texts": "list of texts"}.get(key.kind, "")
    return f"{_plain(key.minimum)} to {_plain(key.maximum)}"


def _plain(number: float) -> str:
    return f"{number:.0f}" if number == int(number) else f"{number:g}"


def site_keys_markdown() -> str:
    """Write the keys as the Markdown tables of the documentation."""
    lines: list[str] = []
    for entry in SECTIONS.values():
        if not entry.path:
            continue
        header = entry.path.removesuffix("[]")
        shown = f"[[{header}]]" if entry.path.endswith("[]") else f"[{header}]"
        lines += [f"### `{shown}`: {entry.title}", ""]
        lines += ["| key | unit | allowed | default | meaning |", "|---|---|---|---|---|"]
        lines += [
            f"| `{key.name}` | {key.unit or '-'} | {_range_words(key)} | {_default_words(key)} "
            f"| {key.meaning} |"
            for key in entry.keys
        ]
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    print(site_keys_markdown())
