"""What a site description says of the money of allocating."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from typing import Any

from arraywright.plant.handling import Coefficients
from arraywright.readers.site_keys import SECTIONS
from arraywright.readers.site_values import Description

__all__ = ["read_coefficients"]


def read_coefficients(description: Description, data: Mapping[str, object]) -> Coefficients | None:
    """Read ``[allocation]``; the defaults when it is missing, None when it is wrong."""
    if "allocation" not in data:
        return Coefficients()
    table = description.table(data["allocation"], ("allocation",))
    if table is None:
        return None
    values = description.read(table, SECTIONS["allocation"], ("allocation",))
    if not values.complete:
        return None
    usual = Coefficients()
    held: dict[str, Any] = {}
    for field in fields(Coefficients):
        default = getattr(usual, field.name)
        if isinstance(default, str):
            held[field.name] = values.text(field.name)
        elif isinstance(default, int):
            held[field.name] = values.integer(field.name)
        else:
            held[field.name] = values.number(field.name)
    return Coefficients(**held)
