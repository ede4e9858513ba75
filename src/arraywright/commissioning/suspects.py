"""For every string that all readings together call: which connector to open first, in words."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from arraywright.commissioning.budget import FAMILIES, STRING_CAUSES
from arraywright.commissioning.isolation import (
    EVERYWHERE,
    ISOLATION_CAUTION,
    NextOpening,
    begin_isolation,
    next_opening,
)
from arraywright.commissioning.likely import CAUSE_WORDS, Likely
from arraywright.commissioning.standard import REVIEW
from arraywright.commissioning.string_modules import StringModules
from arraywright.plant import Site

__all__ = ["opening_columns"]

_TOLD: Final = 3
_TOLD_FROM: Final = 0.02
_IN_VOLTAGE_FROM: Final = 0.2
_LEAST_MODULES: Final = 2
_SOUND_LEAST: Final = 1e-6


def _sentence(advice: NextOpening) -> str:
    """What to open and what to read, as one sentence."""
    at = advice.after_module
    sound = next((one for one in advice.readings if one.cause == "none"), None)
    parts = []
    if sound is not None:
        parts.append(f"{sound.first_v:.1f} V and {sound.rest_v:.1f} V when sound")
    located = [one for one in advice.readings if one.cause not in {"none", *EVERYWHERE}]
    for one in located[:_TOLD]:
        if one.probability >= _TOLD_FROM:
            side = "+ side" if one.in_first_part else "- side"
            parts.append(
                f"{one.first_v:.1f} V and {one.rest_v:.1f} V with {CAUSE_WORDS[one.cause]} on "
                f"the {side}"
            )
    return (
        f"Open the connector between modules {at} and {at + 1}, counted from the positive end, "
        f"with the string isolated: the + side and the - side should read {'; '.join(parts)} "
        f"(u {advice.uncertainty_v:.1f} V, at the conditions of the reading)"
    )


def opening_columns(site: Site, *, modules: StringModules, likely: Likely) -> dict[str, pl.Series]:
    """Columns of the first connector to open, empty where nothing is to be looked for.

    Only strings the joint explanation calls for what shows in their voltage: shade is seen, and a
    slip of a reading is read again.
    """
    count = len(modules.strings)
    place: list[int | None] = [None] * count
    volts: list[float | None] = [None] * count
    bits: list[float | None] = [None] * count
    words, caution = [""] * count, [""] * count
    in_voltage = np.array([name in FAMILIES["voltage"] for name in STRING_CAUSES])
    held = np.nan_to_num(likely.probability)
    asked = (
        (likely.verdict >= REVIEW)
        & (likely.partner < 0)
        & (held[:, in_voltage].sum(axis=1) >= _IN_VOLTAGE_FROM)
        & np.isfinite(likely.voc_v)
        & (modules.lengths >= _LEAST_MODULES)
    )
    types = modules.module_type.to_list()
    held[:, 0] = np.maximum(held[:, 0], _SOUND_LEAST)
    for row in np.flatnonzero(asked).tolist():
        own = modules.voc_v[modules.offsets[row] : modules.offsets[row + 1]]
        advice = next_opening(
            begin_isolation(
                own * (likely.voc_v[row] / own.sum()),
                causes=dict(zip(STRING_CAUSES, held[row].tolist(), strict=True)),
                bypass_substrings=site.module_types[types[row]].bypass_substrings,
            )
        )
        if advice is None:
            continue
        sound = next(one for one in advice.readings if one.cause == "none")
        place[row], bits[row] = advice.after_module, advice.information_bits
        volts[row] = sound.first_v
        words[row], caution[row] = _sentence(advice), ISOLATION_CAUTION
    return {
        "open_after_module": pl.Series("o", place, dtype=pl.Int64),
        "open_sound_v": pl.Series("o", volts, dtype=pl.Float64),
        "open_information_bits": pl.Series("o", bits, dtype=pl.Float64),
        "open_next": pl.Series("o", words, dtype=pl.String),
        "open_caution": pl.Series("o", caution, dtype=pl.String),
    }
