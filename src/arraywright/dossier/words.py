"""How numbers, moments and findings are written in documents and tables."""

from __future__ import annotations

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

__all__ = [
    "GENERAL_CAUTION",
    "class_text",
    "local_time",
    "number",
    "percent",
    "significant",
    "verdict_word",
]

GENERAL_CAUTION: Final = (
    "This document reports what was recorded and computed; it is no permission to work.",
    "Local codes, the module maker's instructions and licensed people decide.",
    "Modules in light are live and cannot be switched off.",
    "Connectors are never opened under load: isolate first, and make sure that no current flows.",
)


_MANY: Final = 1e9


def number(value: object, digits: int) -> str:
    """Write a number with fixed digits; a dash where there is none."""
    if not isinstance(value, int | float) or value != value:
        return "–"
    return f"{value:,.{digits}f}".replace(",", " ")


def significant(value: object) -> str:
    """Write a number with four significant digits; a dash where there is none."""
    if not isinstance(value, int | float) or value != value:
        return "–"
    told = f"{value:.4g}"
    # 15 000 A reads better than 1.5e+04 A; beyond a thousand million the power of ten does.
    return number(float(told), 0) if "e+0" in told and abs(value) < _MANY else told


def percent(ratio: object, digits: int = 2) -> str:
    """Write a fraction as per cent with its sign; a dash where there is none."""
    if not isinstance(ratio, int | float) or ratio != ratio:
        return "–"
    return f"{100.0 * ratio:+.{digits}f} %"


def local_time(moment: object, zone: str) -> str:
    """Write a moment in the site's own time, with the offset; a dash where there is none."""
    if not isinstance(moment, datetime):
        return "–"
    return moment.astimezone(ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M:%S %z")


def verdict_word(verdict: object) -> str:
    """Write a verdict key as people read it."""
    return str(verdict or "").replace("_", " ")


def class_text(power_class_w: object, current_class: object) -> str:
    """Write a power class and a current class, for example ``580 W H``."""
    power = f"{power_class_w:g} W" if isinstance(power_class_w, int | float) else "no power class"
    return f"{power} {current_class}".strip() if current_class else power
