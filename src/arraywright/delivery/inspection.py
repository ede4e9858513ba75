"""Incoming inspection: which modules to look at, what to look for, and what follows."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import polars as pl

from arraywright.delivery.reconcile import Reconciliation
from arraywright.delivery.sampling import Inspection, SamplingPlan, draw_sample, sampling_plan
from arraywright.errors import CallError
from arraywright.findings import Finding, Verdict

__all__ = [
    "DEFAULT_AQL_PERCENT",
    "INSPECTION_ITEMS",
    "DefectClass",
    "DefectLimit",
    "InspectionItem",
    "InspectionLot",
    "SampledModule",
    "inspection_lots",
    "judge_lot",
]

DefectClass: TypeAlias = Literal["critical", "major", "minor"]

DEFAULT_AQL_PERCENT: Final[dict[DefectClass, float]] = {"major": 1.0, "minor": 4.0}
"""Acceptance quality limits that apply when none are agreed (common practice) [%].

A critical defect has none: not one is accepted in the whole sample.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionItem:
    """One thing to look for on a sampled module. All of them are common practice.

    Attributes:
        key: stable key.
        part: part of the module.
        look_for: what is a defect.
        defect_class: ``critical`` can hurt someone or makes the module useless; ``major`` costs
            yield, life or warranty; ``minor`` is a blemish.
        then: what to do with the module that has it.
    """

    key: str
    part: str
    look_for: str
    defect_class: DefectClass
    then: str


def _item(
    key: str, part: str, *, look_for: str, defect_class: DefectClass, then: str
) -> InspectionItem:
    return InspectionItem(
        key=key, part=part, look_for=look_for, defect_class=defect_class, then=then
    )


_APART: Final = "Set it apart, mark it as not to be mounted, and photograph it with its serial."
_RECORD: Final = "Photograph it with its serial, and ask the supplier before it is mounted."
_NOTE: Final = "Write it down; it may be mounted."

INSPECTION_ITEMS: Final = (
    _item(
        "glass-broken", "glass", look_for="broken, cracked or chipped at an edge",
        defect_class="critical", then=_APART,
    ),
    _item(
        "glass-scratch", "glass", look_for="a scratch that a fingernail feels, or a milky patch",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "glass-marks", "glass", look_for="streaks, glue or marks that washing does not take off",
        defect_class="minor", then=_NOTE,
    ),
    _item(
        "frame-open", "frame", look_for="a corner open, a frame bent, loose or off the glass",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "frame-hole-missing", "frame",
        look_for="mounting, drain or earthing holes missing, closed or in the wrong place",
        defect_class="major", then="Never drill a hole of your own; ask the supplier.",
    ),
    _item(
        "frame-sharp", "frame", look_for="burrs or edges that cut a glove",
        defect_class="critical", then=_APART,
    ),
    _item(
        "frame-scratch", "frame", look_for="scratches through the coating or dents",
        defect_class="minor", then=_NOTE,
    ),
    _item(
        "cells-broken", "cells", look_for="a cell broken, or a crack one can see",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "cells-shifted", "cells", look_for="cells or ribbons shifted, touching or near the frame",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "cells-colour", "cells", look_for="one cell of clearly another colour than its neighbours",
        defect_class="minor", then=_NOTE,
    ),
    _item(
        "laminate-bubble", "laminate",
        look_for="bubbles or peeling that make a path from a cell or ribbon to the edge",
        defect_class="critical", then=_APART,
    ),
    _item(
        "laminate-inclusion", "laminate", look_for="bubbles or foreign bodies away from any edge",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "back-open", "back sheet or back glass",
        look_for="cut, pierced, burnt or cracked so that a live part may be reached",
        defect_class="critical", then=_APART,
    ),
    _item(
        "back-wrinkle", "back sheet or back glass", look_for="wrinkles, dents or bubbles, closed",
        defect_class="minor", then=_NOTE,
    ),
    _item(
        "box-loose", "junction box", look_for="loose, tilted, badly glued, cracked or wet inside",
        defect_class="critical", then=_APART,
    ),
    _item(
        "box-lid", "junction box", look_for="a lid missing, open or not snapped shut",
        defect_class="critical", then=_APART,
    ),
    _item(
        "label-missing", "label",
        look_for="missing, unreadable, or without ratings, polarity or warnings",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "label-differs", "label",
        look_for="type, class or serial other than on list, pallet or the code in the laminate",
        defect_class="major", then="Hold the pallet, and read the serials of its other modules.",
    ),
    _item(
        "leads-damaged", "leads", look_for="insulation cut, squeezed or chafed, copper to be seen",
        defect_class="critical", then=_APART,
    ),
    _item(
        "leads-length", "leads", look_for="shorter than ordered, or poles exchanged",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "connectors-damaged", "connectors",
        look_for="cracked, bent, dirty, wet, without seal, or of another kind than agreed",
        defect_class="major", then=_RECORD,
    ),
    _item(
        "packing-shifted", "packing",
        look_for="modules shifted, spacers missing, or glass on glass without protection",
        defect_class="major", then="Look at every module of the pallet.",
    ),
)  # fmt: skip
"""What to look for on each sampled module, without opening or measuring anything."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DefectLimit:
    """How many modules with a defect of one class a lot may show in its sample.

    Attributes:
        defect_class: critical, major or minor.
        aql_percent: acceptance quality limit [%]; None for critical.
        code_letter: letter of the plan; empty for critical.
        sample_size: modules looked at for it, the first ones of the sample.
        accept: greatest number accepted.
        reject: least number with which the lot is not accepted.
    """

    defect_class: DefectClass
    aql_percent: float | None
    code_letter: str
    sample_size: int
    accept: int
    reject: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SampledModule:
    """A module to look at, and where it is packed."""

    serial: str
    pallet: str
    stack_position: int | None


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionLot:
    """A lot for incoming inspection: one delivery note, one module type, one power class.

    Attributes:
        lot: identity of the lot; also the seed of its sample.
        delivery_note: number of the note, empty when it has none.
        module_type: key of the type.
        power_class_w: power class [W]; None when not stated.
        lot_size: modules on its pallets that were seen and not refused.
        pallets: their numbers.
        limits: one per defect class.
        sample: modules to look at, in the order to take them; empty when no serials are known.
    """

    lot: str
    delivery_note: str
    module_type: str
    power_class_w: float | None
    lot_size: int
    pallets: tuple[str, ...]
    limits: tuple[DefectLimit, ...]
    sample: tuple[SampledModule, ...]


def _limits(plans: Mapping[DefectClass, SamplingPlan]) -> tuple[DefectLimit, ...]:
    largest = max(plan.sample_size for plan in plans.values())
    critical = DefectLimit(
        defect_class="critical",
        aql_percent=None,
        code_letter="",
        sample_size=largest,
        accept=0,
        reject=1,
    )
    by_aql = (
        DefectLimit(
            defect_class=defect_class,
            aql_percent=plan.aql_percent,
            code_letter=plan.code_letter,
            sample_size=plan.sample_size,
            accept=plan.accept,
            reject=plan.reject,
        )
        for defect_class, plan in plans.items()
    )
    return (critical, *by_aql)


def _sample(modules: pl.DataFrame, *, lot: str, plan: SamplingPlan) -> tuple[SampledModule, ...]:
    serials, pallets = modules["serial"].to_list(), modules["pallet"].to_list()
    packed = dict(
        zip(serials, zip(pallets, modules["stack_position"].to_list(), strict=True), strict=True)
    )
    return tuple(
        SampledModule(serial=serial, pallet=packed[serial][0], stack_position=packed[serial][1])
        for serial in draw_sample(serials, plan, seed=lot, pallets=pallets)
    )


def inspection_lots(
    reconciliation: Reconciliation,
    *,
    level: str = "II",
    aql_percent: Mapping[DefectClass, float] | None = None,
    inspection: Inspection = "normal",
) -> tuple[InspectionLot, ...]:
    """Give the lots for incoming inspection with their plans and the modules to look at.

    One lot per delivery note, module type and power class, of the pallets that were seen on site
    and not refused; held pallets belong to their lot. A serial that stands twice is drawn once.

    Source: iso-2859-1 tables 1, 2-A and 2-B; the division into lots and the default AQL are
    common-practice

    Raises:
        CallError: unknown level or AQL.
    """
    aql = dict(DEFAULT_AQL_PERCENT) | dict(aql_percent or {})
    keys = ["delivery_note", "module_type", "power_class_w"]
    seen = reconciliation.pallets.filter(
        pl.col("seen") & (pl.col("verdict") != "refuse") & pl.col("module_type").is_not_null()
    ).with_columns(
        pl.coalesce("modules_scan", "modules_flash", "modules_note").fill_null(0).alias("count")
    )
    modules = (
        reconciliation.modules.filter(pl.col("serial").is_not_null())
        .select("serial", "pallet", "stack_position")
        .unique("serial", keep="first", maintain_order=True)
        .join(seen.select("pallet", *keys), on="pallet", how="inner")
    )
    by_lot = modules.partition_by(keys, as_dict=True) if modules.height else {}
    lots = []
    for key, pallets in sorted(
        seen.partition_by(keys, as_dict=True).items(), key=lambda held: str(held[0])
    ):
        note, module_type, power = key
        listed = by_lot.get(key)
        size = max(int(pallets["count"].sum()), 0 if listed is None else listed.height)
        if size == 0:
            continue
        shown = "class not stated" if power is None else f"{power:g} W"
        lot = f"{note or 'no note'} / {module_type} / {shown}"
        plans: dict[DefectClass, SamplingPlan] = {
            defect_class: sampling_plan(
                size, level=level, aql_percent=aql[defect_class], inspection=inspection
            )
            for defect_class in ("major", "minor")
        }
        largest = max(plans.values(), key=lambda plan: plan.sample_size)
        lots.append(
            InspectionLot(
                lot=lot,
                delivery_note=note or "",
                module_type=module_type,
                power_class_w=power,
                lot_size=size,
                pallets=tuple(pallets["pallet"].sort().to_list()),
                limits=_limits(plans),
                sample=() if listed is None else _sample(listed, lot=lot, plan=largest),
            )
        )
    return tuple(lots)


def judge_lot(
    lot: InspectionLot, *, inspected: int, defective: Mapping[DefectClass, int]
) -> Finding:
    """Judge a lot by its inspected sample: modules looked at, and defective ones per class.

    A module with defects of several classes counts once in each. A class that is not named is not
    assessable, as is a sample that is not complete, unless the number to reject is reached already.

    Source: iso-2859-1 10.1 acceptance of a lot under single sampling (from memory)

    Raises:
        CallError: more defective modules than modules looked at.
    """
    if any(not 0 <= count <= inspected for count in defective.values()):
        raise CallError(
            "bad-sample-count",
            f"Found {dict(defective)} defective modules of {inspected} looked at.",
            "Count each module once per class of defect.",
        )
    rejected = [
        limit for limit in lot.limits if defective.get(limit.defect_class, 0) >= limit.reject
    ]
    complete = all(limit.defect_class in defective for limit in lot.limits) and inspected >= max(
        limit.sample_size for limit in lot.limits
    )
    counts = ", ".join(
        f"{limit.defect_class} {defective.get(limit.defect_class, 'not counted')} "
        f"(accept {limit.accept}, reject {limit.reject})"
        for limit in lot.limits
    )
    if rejected:
        verdict, says, remedy = (
            Verdict.FAIL,
            "is not accepted",
            "Hold its pallets, look at every module or send it back, and tell the supplier.",
        )
    elif not complete:
        verdict, says, remedy = (
            Verdict.NOT_ASSESSABLE,
            "cannot be judged yet",
            "Look at the rest of the sample and count every class of defect.",
        )
    else:
        verdict, says, remedy = (Verdict.PASS, "is accepted", "")
    return Finding(
        check="incoming-inspection",
        subject_kind="lot",
        subject=lot.lot,
        verdict=verdict,
        message=f"Lot {lot.lot} {says}: {inspected} of {lot.lot_size} modules looked at; {counts}.",
        remedy=remedy,
        value=float(inspected),
        basis="iso-2859-1",
    )
