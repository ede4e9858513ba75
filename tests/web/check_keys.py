"""Every key of a check the program can give, gathered from its source."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Final

import arraywright
from arraywright.commissioning.gates import TESTS
from arraywright.commissioning.site_test_kinds import SITE_TEST_KINDS
from arraywright.delivery.rules import RULES
from arraywright.procedures.field_points import FIELD_POINT_KINDS
from arraywright.sources import SOURCES

__all__ = ["MADE_OF_PARTS", "NO_CHECKS", "check_keys", "key_like", "keys_made_of_parts"]

SOURCE: Final = Path(arraywright.__file__).parent
_KEY: Final = re.compile(r"[a-z]+(-[a-z0-9]+)+")
_PARTS: Final = re.compile(r"[a-z-]*\*-[a-z-]+|[a-z]+-\*")

NO_CHECKS: Final = frozenset(
    {
        # entries of one table each that only look like keys of checks
        "a-3b",
        "fuse-ratings",
        "highs-ds",
        "iec-conductors",
        "latin-1",
        "mapping-not-valid",
        "nec-conductors",
        "setting-unknown",
        "site-description-refused",
        "tern-580",
        "utf-16",
        "utf-16-be",
        "utf-16-le",
        "utf-8",
        "utf-8-sig",
        "voltage-factors",
        "windows-1252",
        # ways of cabling, losses of the yield, and files written
        "ac-cable",
        "bonding-points",
        "cable-schedule",
        "cutting-plan",
        "daisy-chain",
        "dc-cable",
        "light-induced",
        "low-light",
        "string-cables",
        "string-loops",
        # errors of the record and states of its entries
        "record-append-only",
        "record-newer",
        "record-older",
        "superseded-already",
        # causes of what a string shows, and states of an earth fault
        "bypass-diode-shorted",
        "current-high",
        "current-high-wrong-class",
        "current-low",
        "current-low-wrong-class",
        "digits-swapped",
        "earth-open",
        "insulation-low",
        "label-wrong",
        "low-current",
        "low-voltage",
        "module-missing",
        "module-reversed",
        "module-surplus",
        "not-seen",
        "not-valid",
        "reading-off",
        "reading-sound",
        "sensor-stale",
        "series-resistance",
        "series-resistance-high",
        "shade-or-soiling",
        "shunt-low",
        "string-open",
        "string-reversed",
        "substring-open",
        "unit-slip",
        "wrong-class",
        "wrong-type",
    }
)
"""What is written like a key of a check and is none, outside pages and the command line."""

_NO_CHECK_FILES: Final = frozenset({"delivery/cautions.py", "delivery/inspection.py"})
"""Files whose keys name cautions and faults of a module; their checks are keyword arguments."""

_OTHER_ROOMS: Final = frozenset({"web", "cli"})

MADE_OF_PARTS: Final = {
    "string-*": frozenset(f"string-{test}" for test in TESTS),
    "string-*-deviates": frozenset({"string-voc-deviates", "string-isc-deviates"}),
    "site-*-common": frozenset({"site-voc-common", "site-isc-common"}),
    "test-*": frozenset({*(f"test-{kind.key}" for kind in SITE_TEST_KINDS), "test-unknown"}),
    "layout-*-doubled": frozenset(
        {"layout-structure-doubled", "layout-position-doubled", "layout-string-doubled"}
    ),
    "layout-*-unknown": frozenset(
        {
            "layout-structure-unknown",
            "layout-string-unknown",
            "layout-module-type-unknown",
            "layout-inverter-type-unknown",
        }
    ),
    "*-cable-ampacity": frozenset({"string-cable-ampacity", "array-cable-ampacity"}),
    "*-cable-continuous": frozenset({"string-cable-continuous", "array-cable-continuous"}),
    "*-cable-protection": frozenset({"string-cable-protection", "array-cable-protection"}),
    # the cause of a voltage that is off, which is no check
    "voltage-*": frozenset(),
    "site-*-unknown": frozenset({"site-module-type-unknown", "site-inverter-type-unknown"}),
}
"""Keys put together of parts, by what the source writes around the part."""


@cache
def _trees() -> tuple[tuple[str, ast.Module], ...]:
    return tuple(
        (path.relative_to(SOURCE).as_posix(), ast.parse(path.read_text(encoding="utf-8")))
        for path in sorted(SOURCE.rglob("*.py"))
    )


def _texts(node: ast.expr) -> Iterator[str]:
    for inner in ast.walk(node):
        if isinstance(inner, ast.Constant) and isinstance(inner.value, str):
            yield inner.value


def _codes_of_errors(tree: ast.Module) -> set[int]:
    held: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and node.args:
            name = node.func.id if isinstance(node.func, ast.Name) else ""
            if name.endswith("Error"):
                held |= {id(inner) for inner in ast.walk(node.args[0])}
    return held


@cache
def key_like() -> frozenset[str]:
    """Give every text of the source that is written like a key of a check.

    Codes of errors, keys of sources, pages and the command line are left out.
    """
    found: set[str] = set()
    for file, tree in _trees():
        if file.split("/")[0] in _OTHER_ROOMS or file in _NO_CHECK_FILES:
            continue
        codes = _codes_of_errors(tree)
        found |= {
            node.value
            for node in ast.walk(tree)
            if isinstance(node, ast.Constant)
            and isinstance(node.value, str)
            and _KEY.fullmatch(node.value)
            and id(node) not in codes
            and node.value not in SOURCES
        }
    return frozenset(found)


def _given_as_check() -> set[str]:
    """Give every text handed over as ``check``, whatever it looks like, except the demo's own."""
    return {
        text
        for file, tree in _trees()
        if not file.startswith("demo/")
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        for keyword in node.keywords
        if keyword.arg == "check" and not isinstance(keyword.value, ast.JoinedStr | ast.Call)
        for text in _texts(keyword.value)
    }


def keys_made_of_parts() -> set[str]:
    """Give what the source writes around the part of a key that is put in, with a star for it."""
    found: set[str] = set()
    for file, tree in _trees():
        if file.split("/")[0] in _OTHER_ROOMS:
            continue
        for node in ast.walk(tree):
            if not isinstance(node, ast.JoinedStr):
                continue
            written = "".join(
                str(part.value) if isinstance(part, ast.Constant) else "*" for part in node.values
            )
            if _PARTS.fullmatch(written):
                found.add(written)
    return found


def check_keys() -> frozenset[str]:
    """Give every key of a check a finding of the program may carry."""
    return frozenset(
        (key_like() - NO_CHECKS - {kind.key for kind in SITE_TEST_KINDS})
        | _given_as_check()
        | set(RULES)
        | frozenset().union(*MADE_OF_PARTS.values())
        | {kind.replace("_", "-") for kind in FIELD_POINT_KINDS}
    )
