"""For every string that all readings together call: which connector to open first, in words."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray
from arraywright.commissioning.budget import FAMILIES, STRING_CAUSES
from arraywright.commissioning.isolation import (
    EVERYWHERE,
    ISOLATION_CAUTION,
    NextOpening,
    StringIsolation,
    begin_isolation,
    next_opening,
)
from arraywright.commissioning.likely import CAUSE_WORDS, Likely
from arraywright.commissioning.standard import REVIEW
from arraywright.commissioning.string_modules import StringModules
from arraywright.plant import Site

__all__ = ["opening_columns", "suspect_isolation"]

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


def suspect_isolation(
    module_voc_v: FloatArray,
    *,
    level_v: float,
    causes: Mapping[str, float],
    bypass_substrings: int,
) -> StringIsolation:
    """Say what is known of a called string before anything of it is opened.

    Args:
        module_voc_v: Voc of its modules at STC, from the positive end, (modules,).
        level_v: Voc the other readings let expect of the whole string at its reading.
        causes: probability of each of ``STRING_CAUSES``; a sound string is never ruled out.
        bypass_substrings: sub-strings with a bypass diode in one module.

    Raises:
        CallError: fewer than two modules, or no cause that is possible.

    Source: common-practice
    """
    held = {name: float(np.nan_to_num(value)) for name, value in causes.items()}
    return begin_isolation(
        module_voc_v * (level_v / module_voc_v.sum()),
        causes=held | {"none": max(held.get("none", 0.0), _SOUND_LEAST)},
        bypass_substrings=bypass_substrings,
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
    for row in np.flatnonzero(asked).tolist():
        advice = next_opening(
            suspect_isolation(
                modules.voc_v[modules.offsets[row] : modules.offsets[row + 1]],
                level_v=float(likely.voc_v[row]),
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
