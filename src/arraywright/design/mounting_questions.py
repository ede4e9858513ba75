"""Questions about mounting and surroundings that must be answered before steel goes up."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values

__all__ = ["QUESTIONS", "YES_OR_NO"]

YES_OR_NO: Final = " (1 yes, 0 no)"
"""Stands behind the meaning of an input that is answered with yes or no."""
_BOTH: Final = (Practice.IEC, Practice.NEC)


def _question(
    key: str,
    *,
    title: str,
    inputs: tuple[Input, ...],
    value: Callable[[Values], FloatArray],
    formula: str,
    words: tuple[str, str, str],
    basis: str = "common-practice",
) -> DesignCheck:
    return DesignCheck(
        key=key,
        family="mechanical",
        title=title,
        subject_kind="site",
        basis=dict.fromkeys(_BOTH, basis),
        formula=formula,
        inputs=inputs,
        unit="1",
        sense="at most",
        value=value,
        limit=lambda values: np.zeros_like(values[inputs[0].name]),
        passing=words[0],
        failing=words[1],
        remedy=words[2],
        question=True,
    )


def _yes(name: str, symbol: str, meaning: str, key: str) -> Input:
    return Input(name=name, symbol=symbol, unit="1", meaning=f"{meaning}{YES_OR_NO}", key=key)


QUESTIONS: Final[tuple[DesignCheck, ...]] = (
    _question(
        "drainage-free",
        title="Drainage holes of the frames",
        inputs=(
            _yes(
                "drainage_free_ratio",
                "d",
                "whether rails and clamps leave the frames' drainage holes free",
                "mounting.drainage_free",
            ),
        ),
        value=lambda values: 1.0 - values["drainage_free_ratio"],
        formula="1 - d <= 0",
        words=(
            "In {subject} rails and clamps leave the drainage holes free.",
            (
                "In {subject} rails or clamps cover drainage holes: water stays in the frame, and "
                "freezing water bursts it."
            ),
            "Move rails or clamps off the holes, within the clamping zone.",
        ),
    ),
    _question(
        "module-over-joint",
        title="Modules over joints of rails",
        inputs=(
            _yes(
                "over_joint_ratio",
                "b",
                "whether a module is clamped across an expansion gap of its rails",
                "mounting.module_over_joint",
            ),
        ),
        value=lambda values: values["over_joint_ratio"],
        formula="b <= 0",
        words=(
            "In {subject} no module is clamped across an expansion gap.",
            (
                "In {subject} a module is clamped across an expansion gap: the moving rails pull "
                "at frame and glass."
            ),
            "Shift the gap between two modules.",
        ),
    ),
    _question(
        "corrosive-surroundings",
        title="Salt, ammonia or other corrosive surroundings",
        inputs=(
            _yes(
                "corrosive_near_ratio",
                "n",
                "whether sea spray, ammonia or other corrosive air reaches the site",
                "surroundings.corrosive_near",
            ),
            _yes(
                "corrosion_confirmed_ratio",
                "k",
                "whether the makers of module and structure confirm it for that air",
                "surroundings.corrosion_confirmed",
            ),
        ),
        value=lambda values: (
            values["corrosive_near_ratio"] * (1.0 - values["corrosion_confirmed_ratio"])
        ),
        formula="n (1 - k) <= 0",
        words=(
            "At {subject} the air is not corrosive, or the makers confirm their parts for it.",
            "At {subject} corrosive air is near and the makers' confirmation is missing.",
            (
                "Ask the makers of module, clamps and structure in writing, with distance to the "
                "source and the test standard (salt mist IEC 61701, ammonia IEC 62716)."
            ),
        ),
        basis="iec-61701",
    ),
    _question(
        "flammable-surroundings",
        title="Flammable surroundings",
        inputs=(
            _yes(
                "flammable_near_ratio",
                "n",
                "whether flammable gas, vapour, dust or stored goods are near the modules",
                "surroundings.flammable_near",
            ),
        ),
        value=lambda values: values["flammable_near_ratio"],
        formula="n <= 0",
        words=(
            "Near {subject} nothing flammable is described; fire codes still decide on distances.",
            (
                "Near {subject} there is something flammable: modules in light are live and "
                "connectors can arc."
            ),
            (
                "Keep the array away from it; the fire authority and the maker's instructions say "
                "how far."
            ),
        ),
    ),
)
"""Questions that must be answered with yes or no; the same in both practices."""
