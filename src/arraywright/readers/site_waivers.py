"""What a site description says of strings that may mix classes."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from arraywright.plant.waiver import ClassWaiver
from arraywright.readers.site_key import SiteKey, SiteSection
from arraywright.readers.site_key_makers import number_key, text_key
from arraywright.readers.site_values import Description

__all__ = ["WAIVER_SECTION", "read_waivers"]

WAIVER_SECTION: Final = SiteSection(
    path="waivers[]",
    title="strings that may mix two neighbouring classes, each by a decision; without one, never",
    keys=(
        text_key("string", "the string"),
        number_key("power_class_w", "W", 0.5, 2000.0, "power class of the one"),
        text_key("current_class", "current class of the one, empty when the type has none", ""),
        number_key("other_power_class_w", "W", 0.5, 2000.0, "power class of the other"),
        text_key(
            "other_current_class", "current class of the other, empty when the type has none", ""
        ),
        text_key("reason", "why it is allowed"),
        text_key("decided_by", "who decided it"),
        SiteKey(name="decided_on", kind="date", meaning="day of the decision"),
    ),
)


def read_waivers(description: Description, data: Mapping[str, object]) -> tuple[ClassWaiver, ...]:
    """Read ``[[waivers]]``; those that are wrong are reported and left out."""
    if "waivers" not in data:
        return ()
    held: list[ClassWaiver] = []
    for number, table in enumerate(description.tables(data["waivers"], ("waivers",)) or []):
        values = description.read(table, WAIVER_SECTION, ("waivers", number))
        if not values.complete:
            continue
        held.append(
            ClassWaiver(
                string=values.text("string"),
                power_class_w=values.number("power_class_w"),
                current_class=values.text("current_class").strip(),
                other_power_class_w=values.number("other_power_class_w"),
                other_current_class=values.text("other_current_class").strip(),
                reason=values.text("reason"),
                decided_by=values.text("decided_by"),
                decided_on=values.day("decided_on"),
            )
        )
    return tuple(held)
