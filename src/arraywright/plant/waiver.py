"""A decision that one string may mix two neighbouring classes."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

__all__ = ["ClassWaiver"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassWaiver:
    """One string may hold modules of two neighbouring classes of its type.

    Attributes:
        string: the string.
        power_class_w: power class of the one [W].
        current_class: current class of the one, empty when the type has none.
        other_power_class_w: power class of the other [W].
        other_current_class: current class of the other, empty when the type has none.
        reason: why it is allowed.
        decided_by: who decided it.
        decided_on: on which day.
    """

    string: str
    power_class_w: float
    current_class: str
    other_power_class_w: float
    other_current_class: str
    reason: str
    decided_by: str
    decided_on: date
