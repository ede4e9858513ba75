"""Sections of a site description read key by key, every mistake collected."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Final, TypeGuard

from arraywright.findings import Finding, Place, Verdict
from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.toml_lines import KeyPath, TomlLines, shown_path

__all__ = ["Coefficient", "Description", "Values", "nearest", "shown"]

_COEFFICIENT: Final = re.compile(r"([+\-−]?\s*[0-9]+(?:[.,][0-9]+)?(?:[eE][+-]?[0-9]+)?)\s*(\S.*)")
_UNITS: Final[dict[str, tuple[float, str]]] = {
    "1/k": (1.0, ""),
    "/k": (1.0, ""),
    "%/k": (0.01, ""),
    "ppm/k": (1e-6, ""),
    "a/k": (1.0, "A"),
    "ma/k": (1e-3, "A"),
    "v/k": (1.0, "V"),
    "mv/k": (1e-3, "V"),
    "w/k": (1.0, "W"),
    "mw/k": (1e-3, "W"),
}
"""Units of coefficients in lower case, with the factor to 1/K, A/K, V/K or W/K."""
_SHOWN_MAX: Final = 80
_NUMBER_MAX: Final = 10**15


@dataclass(frozen=True, slots=True, kw_only=True)
class Coefficient:
    """A temperature coefficient as written.

    Attributes:
        per_k: the number in 1/K, or in ``unit`` per K.
        unit: ``A``, ``V`` or ``W`` of an absolute coefficient, empty for a relative one.
    """

    per_k: float
    unit: str


@dataclass(slots=True, kw_only=True)
class Values:
    """What a section holds after reading; keys that were wrong or missing are not there.

    Attributes:
        path: path of the section.
        held: values by key, defaults included.
        given: keys that stand in the file and are right.
        complete: every required key is there and nothing in the section is wrong.
    """

    path: KeyPath
    held: dict[str, object] = field(default_factory=dict)
    given: set[str] = field(default_factory=set)
    complete: bool = True

    def has(self, *names: str) -> bool:
        """True when all these keys hold values."""
        return all(name in self.held for name in names)

    def number(self, name: str) -> float:
        """Give a number that is there."""
        held = self.held[name]
        if not isinstance(held, int | float):
            raise TypeError(name)
        return float(held)

    def integer(self, name: str) -> int:
        """Give a whole number that is there."""
        held = self.held[name]
        if not isinstance(held, int):
            raise TypeError(name)
        return held

    def text(self, name: str) -> str:
        """Give a text that is there."""
        held = self.held[name]
        if not isinstance(held, str):
            raise TypeError(name)
        return held

    def texts(self, name: str) -> tuple[str, ...]:
        """Give a list of texts that is there."""
        held = self.held[name]
        if not isinstance(held, tuple):
            raise TypeError(name)
        return held

    def day(self, name: str) -> date:
        """Give a day that is there."""
        held = self.held[name]
        if not isinstance(held, date):
            raise TypeError(name)
        return held

    def days(self, name: str) -> tuple[date, ...]:
        """Give a list of days that is there."""
        held = self.held[name]
        if not isinstance(held, tuple):
            raise TypeError(name)
        return held

    def coefficient(self, name: str) -> Coefficient:
        """Give a coefficient that is there."""
        held = self.held[name]
        if not isinstance(held, Coefficient):
            raise TypeError(name)
        return held


def shown(found: object) -> str:
    """Write a value of the file as it looks there, shortened."""
    if isinstance(found, bool):
        text = "true" if found else "false"
    elif isinstance(found, str):
        text = f'"{"".join(sign if sign.isprintable() else " " for sign in found)}"'
    elif isinstance(found, Mapping):
        text = "a table"
    elif isinstance(found, list):
        text = f"a list of {len(found)}"
    elif isinstance(found, int) and abs(found) > _NUMBER_MAX:
        text = "a number far too great"
    else:
        text = str(found)
    return text if len(text) <= _SHOWN_MAX else text[: _SHOWN_MAX - 3] + "..."


def nearest(name: str, known: Iterable[str]) -> str:
    """Give the known name nearest to a name, empty when none is near."""
    by_fold = {other.casefold(): other for other in known}
    folded = name.casefold()
    starts = sorted((fold for fold in by_fold if fold.startswith(folded + "_")), key=len)
    near = starts or difflib.get_close_matches(folded, by_fold, n=1, cutoff=0.6)
    return by_fold[near[0]] if near else ""


class Description:
    """A parsed description with the findings made on the way."""

    def __init__(self, file: str, lines: TomlLines) -> None:
        self.file = file
        self.lines = lines
        self.findings: list[Finding] = []
        self.asks_for_design = False

    def place(self, path: KeyPath) -> Place:
        """Give the place of a key."""
        return Place(file=self.file, row=self.lines.line(path), key=shown_path(path))

    def report(
        self,
        path: KeyPath,
        check: str,
        *,
        found: str,
        required: str,
        remedy: str,
        verdict: Verdict = Verdict.FAIL,
        basis: str = "",
    ) -> None:
        """Note that something at a key is wrong or has to be looked at."""
        key = shown_path(path)
        self.findings.append(
            Finding(
                check=check,
                subject_kind="description",
                subject=key or self.file,
                verdict=verdict,
                message=f"{key or self.file}: found {found}, required {required}.",
                remedy=remedy,
                found=found,
                required=required,
                basis=basis,
                place=self.place(path),
            )
        )

    def table(self, data: object, path: KeyPath) -> Mapping[str, object] | None:
        """Give a table, or report that it is none."""
        if isinstance(data, dict):
            return data
        self.report(
            path,
            "site-not-a-table",
            found=shown(data),
            required="a table",
            remedy=f"Begin it with a line [{shown_path(path)}] and put its keys below.",
        )
        return None

    def tables(self, data: object, path: KeyPath) -> list[Mapping[str, object]] | None:
        """Give an array of tables, or report that it is none."""
        if isinstance(data, list) and all(isinstance(entry, dict) for entry in data):
            return data
        self.report(
            path,
            "site-not-a-list-of-tables",
            found=shown(data),
            required="one or more tables",
            remedy=f"Begin each with a line [[{shown_path(path)}]] and put its keys below.",
        )
        return None

    def unknown_keys(self, data: Mapping[str, object], path: KeyPath, known: Iterable[str]) -> bool:
        """Report keys nobody knows, with the nearest known one; True when there are any."""
        known = tuple(known)
        strange = [name for name in data if name not in known]
        for name in strange:
            near = nearest(name, (other for other in known if other not in data))
            remedy = (
                f"Did you mean {near}? Correct the key or take it out."
                if near
                else f"Take the key out. Known here: {', '.join(known)}."
            )
            self.report(
                (*path, name),
                "site-unknown-key",
                found=name,
                required=near or "a known key",
                remedy=remedy,
            )
        return bool(strange)

    def read(self, data: Mapping[str, object], section: SiteSection, path: KeyPath) -> Values:
        """Read the keys of a section; sections inside it are left to the caller."""
        values = Values(path=path)
        known = (*(key.name for key in section.keys), *section.sections)
        values.complete = not self.unknown_keys(data, path, known)
        for key in section.keys:
            here = (*path, key.name)
            if key.name in data:
                read = self._value(data[key.name], key, here)
                if read is None:
                    values.complete = False
                else:
                    values.held[key.name] = read
                    values.given.add(key.name)
            elif key.required:
                values.complete = False
                self.report(
                    here,
                    "site-missing-key",
                    found="nothing",
                    required=f"{key.meaning}{_in_unit(key)}",
                    remedy=f"Write {key.name} = ... below [{shown_path(path)}].",
                )
            elif key.default is not None and (self.asks_for_design or not key.with_design):
                values.held[key.name] = () if key.kind == "texts" else key.default
                if key.noted:
                    self.note_default(here, key, key.default)
        return values

    def note_default(self, path: KeyPath, key: SiteKey, taken: float | str) -> None:
        """Note that a value of common practice stands in for a missing key."""
        unit = "" if key.unit == "1" else key.unit
        number = None if isinstance(taken, str) else float(taken)
        written = taken if isinstance(taken, str) else f"{taken:g}"
        self.findings.append(
            Finding(
                check="site-default",
                subject_kind="description",
                subject=shown_path(path),
                verdict=Verdict.PASS,
                message=f"{shown_path(path)} is not given; {written} {unit}".rstrip()
                + f" is taken ({key.meaning}).",
                remedy=f"Write {key.name} where documents say otherwise.",
                value=number,
                unit=key.unit,
                found="nothing",
                required=f"{key.meaning}{_in_unit(key)}",
                basis=key.basis or "common-practice",
                place=self.place(path),
            )
        )

    def _value(self, found: object, key: SiteKey, path: KeyPath) -> object | None:
        if key.kind == "text":
            return self._text(found, key, path)
        if key.kind == "texts":
            if isinstance(found, list) and all(
                isinstance(entry, str) and entry.strip() for entry in found
            ):
                return tuple(entry.strip() for entry in found)
            self._wrong(found, path, "a list of texts", f'Write {key.name} = ["...", "..."].')
            return None
        if key.kind == "date":
            day = _day(found)
            if day is None:
                self._wrong(found, path, "a day", f"Write {key.name} = 2027-03-01.")
            return day
        if key.kind == "dates":
            days = [_day(one) for one in found] if isinstance(found, list) else [None]
            if None in days:
                self._wrong(found, path, "a list of days", f"Write {key.name} = [2027-03-01].")
                return None
            return tuple(days)
        if key.kind == "coefficient":
            return self._coefficient(found, key, path)
        if key.kind == "yes_no":
            return self._yes_no(found, path)
        return self._number(found, key, path)

    def _text(self, found: object, key: SiteKey, path: KeyPath) -> str | None:
        if not isinstance(found, str):
            self._wrong(found, path, "a text", "Put it between quotation marks.")
            return None
        text = found.strip()
        if not text and (key.required or key.optional):
            self._wrong(found, path, "a text that is not empty", f"Write {key.meaning}.")
            return None
        if any(not sign.isprintable() for sign in text):
            self._wrong(
                ascii(found),
                path,
                "one line of printable signs",
                "Take line breaks and control signs out.",
            )
            return None
        if key.choices and text not in key.choices:
            near = nearest(text, key.choices)
            self._wrong(
                found,
                path,
                f"one of {', '.join(key.choices)}",
                f"Did you mean {near}?" if near else "Choose one of these.",
            )
            return None
        return text

    def _yes_no(self, found: object, path: KeyPath) -> float | None:
        """Give 1 for yes and 0 for no."""
        answer = found.strip().casefold() if isinstance(found, str) else found
        for yes, words in ((1.0, (True, 1, "yes", "true")), (0.0, (False, 0, "no", "false"))):
            if answer in words:
                return yes
        self._wrong(found, path, "true or false", "Write true for yes, false for no.")
        return None

    def _number(self, found: object, key: SiteKey, path: KeyPath) -> float | int | None:
        kind = "a whole number" if key.kind == "integer" else "a number"
        if not _is_number(found):
            remedy = "Write the number alone, with a decimal point and without quotation marks."
            self._wrong(found, path, f"{kind}{_in_unit(key)}", remedy)
            return None
        if key.kind == "integer" and found != int(found):
            self._wrong(found, path, f"{kind}{_in_unit(key)}", f"Correct {key.name}.")
            return None
        if not self.in_range(found, key, path):
            return None
        return int(found) if key.kind == "integer" else float(found)

    def in_range(self, number: float, key: SiteKey, path: KeyPath, shown_as: str = "") -> bool:
        """Check a number against the range of its key and report it when it is outside."""
        if (key.minimum is None or number >= key.minimum) and (
            key.maximum is None or number <= key.maximum
        ):
            return True
        remedy = f"Correct {key.name}; its unit is {key.unit}." if key.unit not in {"", "1"} else ""
        if key.unit == "1" and number > 1:
            remedy = f"{key.name} is a fraction: 3 % is written 0.03."
        if key.kind == "coefficient":
            remedy = (
                f"A number is in 1/K. Write the unit when it is another, for example {key.name} = "
                f'"{number:g} %/K", and mind the sign.'
            )
        self._wrong(
            shown_as or number,
            path,
            f"{key.minimum:g} to {key.maximum:g}{_in_unit(key)}",
            remedy or f"Correct {key.name}.",
        )
        return False

    def _coefficient(self, found: object, key: SiteKey, path: KeyPath) -> Coefficient | None:
        if isinstance(found, str):
            match = _COEFFICIENT.fullmatch(found.strip())
            if match is not None:
                unit = re.sub(r"\s|°|º", "", match.group(2)).casefold()
                unit = re.sub(r"/(degc|c)$", "/k", unit)
                number = re.sub(r"\s", "", match.group(1)).replace(",", ".").replace("−", "-")
                if unit in _UNITS:
                    factor, absolute = _UNITS[unit]
                    return Coefficient(per_k=float(number) * factor, unit=absolute)
        elif _is_number(found):
            if self.in_range(float(found), key, path):
                return Coefficient(per_k=float(found), unit="")
            return None
        self._wrong(
            found,
            path,
            'a number in 1/K, or a text with unit such as "-0.27 %/K", "-140 mV/K", "6 mA/K"',
            "Write number and unit as the data sheet gives them.",
        )
        return None

    def _wrong(self, found: object, path: KeyPath, required: str, remedy: str) -> None:
        self.report(path, "site-value", found=_written(found), required=required, remedy=remedy)


def _day(found: object) -> date | None:
    """Give the day a value of the file says, written as a date or as a text in ISO 8601."""
    if isinstance(found, str):
        try:
            return date.fromisoformat(found.strip())
        except ValueError:
            return None
    return found if isinstance(found, date) and not isinstance(found, datetime) else None


def _is_number(found: object) -> TypeGuard[int | float]:
    return (
        isinstance(found, int | float) and not isinstance(found, bool) and abs(found) <= _NUMBER_MAX
    )


def _written(found: object) -> str:
    return f"{found:g}" if isinstance(found, float) and math.isfinite(found) else shown(found)


def _in_unit(key: SiteKey) -> str:
    return f" [{key.unit}]" if key.unit and key.unit != "1" else ""
