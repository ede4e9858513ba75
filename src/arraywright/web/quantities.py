"""Quantities as a reader sees them: units written out, and those of the United States by choice.

Cross-sections of conductors stay in square millimetres, which is how cables are bought and
described here; electrical units, irradiance and energy are the same everywhere.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from arraywright.dossier.words import number, significant

__all__ = ["Unit", "in_cells", "number_of", "shown_quantity", "shown_unit", "unit_of_heading"]

_FOOT_M: Final = 0.3048
_POUND_KG: Final = 0.45359237
_POUND_FORCE_N: Final = _POUND_KG * 9.80665
_MILE_M: Final = 5280 * _FOOT_M

_WRITTEN: Final = {
    "1": "",
    "degC": "°C",
    "ohm": "Ω",
    "kohm": "kΩ",
    "Mohm": "MΩ",
    "mm2": "mm²",
    "m2": "m²",
    "W/m2": "W/m²",
    "kWh/m2": "kWh/m²",
    "N.m": "N·m",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Unit:
    """How a unit is shown.

    Attributes:
        written: what stands behind the number; empty for a bare number.
        factor: what a difference in the recorded unit is multiplied by.
        offset: what is added to a value, not to a difference, after that.
    """

    written: str
    factor: float = 1.0
    offset: float = 0.0


_US: Final = {
    "degC": Unit(written="°F", factor=1.8, offset=32.0),
    "K": Unit(written="°F", factor=1.8),
    "m": Unit(written="ft", factor=1.0 / _FOOT_M),
    "km": Unit(written="mi", factor=1000.0 / _MILE_M),
    "mm": Unit(written="in", factor=12.0 / (1000.0 * _FOOT_M)),
    "m2": Unit(written="ft²", factor=_FOOT_M**-2),
    "kg": Unit(written="lb", factor=1.0 / _POUND_KG),
    "m/s": Unit(written="mph", factor=3600.0 / _MILE_M),
    "N.m": Unit(written="lbf·ft", factor=1.0 / (_POUND_FORCE_N * _FOOT_M)),
    "N": Unit(written="lbf", factor=1.0 / _POUND_FORCE_N),
    "Pa": Unit(written="lbf/ft²", factor=_FOOT_M**2 / _POUND_FORCE_N),
    "bar": Unit(written="psi", factor=1e5 * (_FOOT_M / 12.0) ** 2 / _POUND_FORCE_N),
}
"""The international foot, pound and mile of 1959 are exact; a pound-force is a pound at the
standard fall of 9.80665 m/s2. From memory; the test holds them against SciPy's constants."""

_ALIASES: Final = {"°C": "degC", "N·m": "N.m", "m²": "m2", "Nm": "N.m"}

_HEADING: Final = re.compile(r"\[([^\[\]]+)\]\s*$")
_NUMBER: Final = re.compile(r"[+\-\u2212]?\d[\d \u00a0\u202f]*(?:\.\d+)?")


def shown_unit(unit: str, *, us: bool) -> Unit:
    """Give how a unit of the record is shown; one without a rule is shown as it is."""
    if us and unit in _US:
        return _US[unit]
    return Unit(written=_WRITTEN.get(unit, unit))


def shown_quantity(value: float, unit: str, *, us: bool, difference: bool = False) -> str:
    """Write a quantity with four significant digits and its unit.

    Args:
        value: the number as recorded.
        unit: its unit as recorded, for example ``degC`` or ``N.m``; ``1`` for a bare number.
        us: whether units of the United States are wanted.
        difference: whether it is a margin or an uncertainty, which has no zero of its own.
    """
    held = shown_unit(unit, us=us)
    told = significant(value * held.factor + (0.0 if difference else held.offset))
    told = told.replace(" ", "\N{NARROW NO-BREAK SPACE}").replace("-", "\N{MINUS SIGN}")
    return f"{told}\N{NO-BREAK SPACE}{held.written}" if held.written else told


def unit_of_heading(heading: str) -> str:
    """Give the unit in brackets at the end of a heading, as the record spells it; else nothing."""
    found = _HEADING.search(heading)
    held = found.group(1).strip() if found else ""
    return _ALIASES.get(held, held)


def number_of(cell: str) -> float | None:
    """Give the number a cell of a table holds, None for a cell that holds something else."""
    text = cell.strip()
    if not _NUMBER.fullmatch(text):
        return None
    return float(re.sub(r"\s", "", text).replace("\N{MINUS SIGN}", "-"))


def in_cells(cell: str, unit: Unit, *, difference: bool = False) -> str:
    """Write a cell of a table in another unit, with as many decimals as it had, one at least.

    A ``difference`` is not shifted by the zero of the unit.
    """
    value = number_of(cell)
    if value is None:
        return cell
    decimals = max(1, len(cell.partition(".")[2].strip()))
    return number(value * unit.factor + (0.0 if difference else unit.offset), decimals)
