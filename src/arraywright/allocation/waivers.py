"""Which string may mix which two neighbouring classes: by explicit decision, never otherwise."""

from __future__ import annotations

from typing import Final

import polars as pl

from arraywright.allocation.stock import ModuleClass
from arraywright.findings import Finding, Verdict
from arraywright.plant import ClassWaiver, ModuleType, Site

__all__ = [
    "decided_words",
    "pair_words",
    "waived_pairs",
    "waiver_classes",
    "waiver_finding",
    "waiver_findings",
]

_NEAR_W: Final = 0.05


def _class_words(power_class_w: float, current_class: str) -> str:
    return f"{power_class_w:g} W {current_class}".strip()


def pair_words(waiver: ClassWaiver) -> str:
    """Give the two classes in words."""
    one = _class_words(waiver.power_class_w, waiver.current_class)
    other = _class_words(waiver.other_power_class_w, waiver.other_current_class)
    return f"{one} and {other}"


def waiver_finding(
    waiver: ClassWaiver, verdict: Verdict, message: str, remedy: str = ""
) -> Finding:
    """Give a finding about a string with a waiver."""
    return Finding(
        check="allocation-waiver",
        subject_kind="string",
        subject=waiver.string,
        verdict=verdict,
        message=message,
        remedy=remedy,
        found=waiver.reason,
        basis="common-practice",
    )


def decided_words(waiver: ClassWaiver) -> str:
    """Say who decided it, when and why."""
    return f"by decision of {waiver.decided_by} on {waiver.decided_on}: {waiver.reason.rstrip('.')}"


def _place_of_power(kind: ModuleType, power_w: float) -> int | None:
    powers = sorted(held.power_w for held in kind.power_classes)
    near = [place for place, held in enumerate(powers) if abs(held - power_w) < _NEAR_W]
    return near[0] if near else None


def _place_of_current(kind: ModuleType, name: str) -> int | None:
    if not kind.current_classes:
        return 0 if not name else None
    names = [one.name for one in sorted(kind.current_classes, key=lambda held: held.imp_min_a)]
    return names.index(name) if name in names else None


def _fault(site: Site, waiver: ClassWaiver) -> tuple[str, str] | None:
    """Say what is wrong with a waiver and the remedy, or None when it is sound."""
    rows = site.strings.filter(pl.col("string") == waiver.string)
    if rows.is_empty():
        return "the site has no such string", "Correct the name of the string."
    key = site.module_type_key(rows["module_type"][0] or "")
    if key is None:
        return "the type of its modules is not described", "Name its type in the table of strings."
    kind = site.module_types[key]
    power = [
        _place_of_power(kind, one) for one in (waiver.power_class_w, waiver.other_power_class_w)
    ]
    current = [
        _place_of_current(kind, one) for one in (waiver.current_class, waiver.other_current_class)
    ]
    if None in power or None in current:
        return f"{key} has no such classes", "Name power and current classes the type has."
    apart = abs((power[0] or 0) - (power[1] or 0)) + abs((current[0] or 0) - (current[1] or 0))
    if apart != 1:
        remedy = (
            "Only classes next to each other may be mixed: the next power class with the same "
            "current class, or the next current class with the same power class."
        )
        return "they are not neighbours", remedy
    return None


def waived_pairs(site: Site) -> dict[str, tuple[ModuleClass, ModuleClass]]:
    """Give the two classes each string with a sound waiver may mix."""
    pairs: dict[str, tuple[ModuleClass, ModuleClass]] = {}
    for waiver in site.waivers:
        if _fault(site, waiver) is not None:
            continue
        row = site.strings.filter(pl.col("string") == waiver.string)
        key = site.module_type_key(row["module_type"][0]) or ""
        pairs[waiver.string] = (
            ModuleClass(
                module_type=key,
                power_class_w=round(waiver.power_class_w, 1),
                current_class=waiver.current_class,
            ),
            ModuleClass(
                module_type=key,
                power_class_w=round(waiver.other_power_class_w, 1),
                current_class=waiver.other_current_class,
            ),
        )
    return pairs


def waiver_classes(site: Site) -> pl.DataFrame:
    """Give ``string``, ``module_type``, ``power_class_w`` and ``current_class`` of sound waivers.

    Two rows per string: the two classes it may mix.
    """
    return pl.DataFrame(
        [
            (name, kind.module_type, kind.power_class_w, kind.current_class)
            for name, kinds in waived_pairs(site).items()
            for kind in kinds
        ],
        schema={
            "string": pl.String,
            "module_type": pl.String,
            "power_class_w": pl.Float64,
            "current_class": pl.String,
        },
        orient="row",
    )


def waiver_findings(site: Site) -> tuple[Finding, ...]:
    """Tell of waivers that cannot be applied, and of strings named twice."""
    findings = []
    seen: set[str] = set()
    for waiver in site.waivers:
        fault = _fault(site, waiver)
        if fault is None and waiver.string in seen:
            fault = "another waiver names the string too", "Leave one of the two."
        seen.add(waiver.string)
        if fault is not None:
            findings.append(
                waiver_finding(
                    waiver,
                    Verdict.FAIL,
                    f"The waiver for string {waiver.string} ({pair_words(waiver)}) is not applied: "
                    f"{fault[0]}.",
                    fault[1],
                )
            )
    return tuple(findings)
