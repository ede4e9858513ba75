"""The usual cautions where pallets are unloaded and modules are carried."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

__all__ = ["CAUTIONS", "DEFERENCE", "Caution"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Caution:
    """One caution. All of them are common practice of the trade.

    Attributes:
        key: stable key.
        when: ``unloading``, ``storing``, ``unpacking``, ``inspecting`` or ``carrying``.
        text: what to do or to leave, one or two sentences.
        basis: source key.
    """

    key: str
    when: str
    text: str
    basis: str = "common-practice"


DEFERENCE: Final = (
    "These are the usual cautions. Local codes, the module maker's instructions and licensed "
    "people decide; where they differ, they apply. Nothing here is a permission to work."
)
"""The sentence that stands with the cautions wherever they are shown."""

CAUTIONS: Final = (
    Caution(
        key="lift-limit",
        when="unloading",
        text="Lift two pallets at most, one on the other and aligned, with forks long enough to "
        "carry the far side; nobody stands under or beside the load.",
    ),
    Caution(
        key="count-before-signing",
        when="unloading",
        text="Count, photograph and note what is wrong before the delivery note is signed; a "
        "damaged or leaning pallet is moved only by people who know how.",
    ),
    Caution(
        key="stack-limit",
        when="storing",
        text="Stack two pallets at most, aligned, on firm and level ground, dry and covered; fewer "
        "when the maker says so.",
    ),
    Caution(
        key="loose-limit",
        when="storing",
        text="Put at most 20 loose modules in a stack, the first with its glass up, the others "
        "with their glass down, on battens and tied down against wind.",
    ),
    Caution(
        key="tipping",
        when="unpacking",
        text="Modules standing on edge can topple when straps are cut: prop them first, take them "
        "out in the order the maker gives, and never leave a half-empty pallet unsecured.",
    ),
    Caution(
        key="live-in-light",
        when="inspecting",
        text="A module in light is live and cannot be switched off. Do not open the junction box, "
        "do not touch broken glass, bare leads or a wet module, and never part connectors under "
        "load.",
    ),
    Caution(
        key="broken-glass",
        when="inspecting",
        text="A module with broken glass or damaged leads can give a shock and cuts: keep people "
        "away, cover it, handle it with insulating gloves only by people trained for it, and "
        "never mount it.",
    ),
    Caution(
        key="two-people",
        when="carrying",
        text="Two people carry a module, at its short sides, with gloves and safety shoes; never "
        "by the leads or the junction box, and never on the head.",
    ),
    Caution(
        key="wind-and-steps",
        when="carrying",
        text="A module catches wind like a sail: stop when it gusts. Do not step, kneel or lean on "
        "glass, and put nothing on it.",
    ),
)
"""Cautions to show beside receiving, storing and inspecting."""
