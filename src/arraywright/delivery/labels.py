"""What stands on notes, labels and lists, brought to one spelling before it is compared."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import polars as pl

from arraywright.plant import Site

__all__ = [
    "SOUND_CONDITIONS",
    "damage_seen",
    "normal_class",
    "normal_power",
    "normal_serial",
    "normal_text",
    "show_class",
    "type_names",
]

SOUND_CONDITIONS: Final = frozenset(
    {
        "ok", "okay", "o.k.", "good", "sound", "fine", "intact", "undamaged", "no damage", "none",
        "-", "--", "n/a",
        "in ordnung", "i.o.", "i. o.", "io", "gut", "unbeschädigt", "unbeschaedigt",
        "kein schaden", "keine schäden", "ohne schaden", "ohne schäden",
        "bien", "bueno", "buena", "correcto", "correcta", "sin daño", "sin daños", "sin danos",
        "intacto", "intacta",
    }
)  # fmt: skip
"""Words in the condition column of a scan that mean sound, lower case; anything else is damage."""


def normal_text(column: pl.Expr) -> pl.Expr:
    """Give texts without surrounding space; an empty one becomes null."""
    text = column.cast(pl.String).str.strip_chars()
    return pl.when(text != "").then(text)


def normal_serial(serial: pl.Expr) -> pl.Expr:
    """Give serials without any space and with letters raised; an empty one becomes null."""
    text = serial.cast(pl.String).str.replace_all(r"\s+", "").str.to_uppercase()
    return pl.when(text != "").then(text)


def normal_class(current_class: pl.Expr) -> pl.Expr:
    """Give names of current classes with letters raised; an empty one becomes null."""
    return normal_text(current_class).str.to_uppercase()


def normal_power(power_class_w: pl.Expr) -> pl.Expr:
    """Give power classes [W] to a tenth of a watt, so that 605 and 605.0 are one class."""
    power = power_class_w.cast(pl.Float64).round(1)
    return pl.when(power.is_finite()).then(power)


def damage_seen(condition: pl.Expr) -> pl.Expr:
    """Tell whether a condition written at a scan says anything but sound; null is sound."""
    text = normal_text(condition).str.to_lowercase()
    return text.is_not_null() & ~text.is_in(sorted(SOUND_CONDITIONS))


def show_class(module_type: pl.Expr, power_class_w: pl.Expr, current_class: pl.Expr) -> pl.Expr:
    """Give type and classes as people write them, for example ``north 605 W class H``."""
    power = power_class_w.cast(pl.String).str.strip_suffix(".0")
    return pl.concat_str(
        [
            module_type.fill_null("type not stated"),
            pl.when(power.is_not_null()).then(pl.lit(" ") + power + " W").otherwise(pl.lit("")),
            pl.when(current_class.is_not_null())
            .then(pl.lit(" class ") + current_class)
            .otherwise(pl.lit("")),
        ]
    )


def type_names(names: Iterable[str | None], site: Site) -> pl.DataFrame:
    """Give a frame of names as written (``written``) and the key they mean at the site.

    A name the site does not know keeps its spelling in ``module_type`` and has ``known`` False.
    """
    written = sorted({name for name in names if name is not None})
    keys = {name: site.module_type_key(name) for name in written}
    return pl.DataFrame(
        {
            "written": written,
            "module_type": [key or name.strip() for name, key in keys.items()],
            "known": [key is not None for key in keys.values()],
        },
        schema={"written": pl.String, "module_type": pl.String, "known": pl.Boolean},
    )
