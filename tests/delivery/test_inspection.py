"""Lots, limits and samples for incoming inspection, and the cautions beside them."""

from __future__ import annotations

import polars as pl
import pytest

from arraywright.delivery import (
    CAUTIONS,
    DEFERENCE,
    INSPECTION_ITEMS,
    inspection_lots,
    judge_lot,
    sampling_plan,
)
from arraywright.errors import CallError
from arraywright.findings import Verdict
from tests.delivery.making import MODULES, clean, receive, sscc


def test_a_lot_is_one_note_one_type_one_class() -> None:
    """Eight pallets on four notes of two classes alternating by note make four lots of 62."""
    lots = inspection_lots(receive(clean(8)))
    assert [(lot.delivery_note, lot.power_class_w, lot.lot_size) for lot in lots] == [
        ("N-1", 600.0, 62),
        ("N-2", 605.0, 62),
        ("N-3", 600.0, 62),
        ("N-4", 605.0, 62),
    ]


def test_limits_are_those_of_the_plans_and_none_for_critical() -> None:
    """Major and minor follow their AQL, critical accepts nothing in the largest sample."""
    lot = inspection_lots(receive(clean(8)), aql_percent={"major": 2.5})[0]
    limits = {limit.defect_class: limit for limit in lot.limits}
    for name, aql in (("major", 2.5), ("minor", 4.0)):
        plan = sampling_plan(62, aql_percent=aql)
        held = limits[name]  # type: ignore[index]
        assert (held.sample_size, held.accept, held.reject, held.code_letter) == (
            plan.sample_size, plan.accept, plan.reject, plan.code_letter,
        )  # fmt: skip
    assert (limits["critical"].accept, limits["critical"].reject) == (0, 1)
    largest = max(limit.sample_size for limit in lot.limits)
    assert limits["critical"].sample_size == largest == len(lot.sample)


def test_refused_and_unseen_pallets_are_in_no_lot() -> None:
    """One inspects what stands there and stays."""
    delivery = clean(2)
    assert inspection_lots(receive(delivery.but(scans=[]))) == ()
    one = inspection_lots(receive(delivery.but(scans=delivery.scans[:1])))
    assert [lot.pallets for lot in one] == [(sscc(1),)]
    assert inspection_lots(receive(delivery.but(order=delivery.order[2:]))) == ()


def test_without_serials_the_lot_still_has_its_size() -> None:
    """The count on the labels tells how many to look at; which ones is then up to the person."""
    lots = inspection_lots(receive(clean(2).but(flash=[])))
    assert [(lot.lot_size, lot.sample) for lot in lots] == [(2 * MODULES, ())]


def test_a_small_lot_is_looked_at_whole() -> None:
    """Where the sample would be as large as the lot, every module is in it."""
    lots = inspection_lots(receive(clean(1)), aql_percent={"major": 0.10})
    assert len(lots[0].sample) == lots[0].lot_size == MODULES


@pytest.mark.parametrize(
    ("inspected", "defective", "verdict"),
    [
        (13, {"critical": 0, "major": 0, "minor": 1}, Verdict.PASS),
        (13, {"critical": 1, "major": 0, "minor": 0}, Verdict.FAIL),
        (13, {"critical": 0, "major": 1, "minor": 0}, Verdict.FAIL),
        (13, {"critical": 0, "major": 0, "minor": 2}, Verdict.FAIL),
        (12, {"critical": 0, "major": 0, "minor": 0}, Verdict.NOT_ASSESSABLE),
        (13, {"critical": 0, "major": 0}, Verdict.NOT_ASSESSABLE),
        (1, {"critical": 1}, Verdict.FAIL),
    ],
)
def test_a_lot_is_judged_by_its_numbers(
    inspected: int, defective: dict[str, int], verdict: Verdict
) -> None:
    """Lot of 62: letter E, 13 modules, major 0/1 and minor 1/2, and an unfinished one waits."""
    lot = inspection_lots(receive(clean(2)))[0]
    assert judge_lot(lot, inspected=inspected, defective=defective).verdict is verdict  # type: ignore[arg-type]


def test_more_defects_than_modules_is_a_mistake_of_the_caller() -> None:
    """Modules are counted, not defects."""
    lot = inspection_lots(receive(clean(2)))[0]
    with pytest.raises(CallError, match="looked at"):
        judge_lot(lot, inspected=3, defective={"minor": 4})


def test_what_to_look_for_covers_the_module_and_every_class() -> None:
    """Glass, frame, cells, back, box and lid, label, leads, connectors; three classes; unique."""
    parts = {item.part for item in INSPECTION_ITEMS}
    wanted = {"glass", "frame", "cells", "junction box", "label", "leads", "connectors"}
    assert wanted <= parts
    assert any("back" in part for part in parts)
    assert any("lid" in item.look_for for item in INSPECTION_ITEMS)
    assert {item.defect_class for item in INSPECTION_ITEMS} == {"critical", "major", "minor"}
    keys = [item.key for item in INSPECTION_ITEMS]
    assert len(keys) == len(set(keys))


def test_cautions_hold_the_common_practice_and_defer() -> None:
    """Two pallets, twenty loose modules, two people, live in light; and others decide."""
    said = " ".join(caution.text for caution in CAUTIONS).lower()
    for wanted in ("two pallets at most", "at most 20 loose", "two people", "live", "under load"):
        assert wanted in said
    for who in ("local codes", "maker's instructions", "licensed people"):
        assert who in DEFERENCE.lower()


def test_held_pallets_are_inspected_with_their_lot() -> None:
    """A damaged pallet is the first one wants to look into."""
    delivery = clean(2)
    scans = [row | {"condition": "wet"} for row in delivery.scans]
    result = receive(delivery.but(scans=scans))
    assert set(result.pallets["verdict"]) == {"hold"}
    lots = inspection_lots(result)
    assert len(lots) == 1
    assert pl.Series(lots[0].pallets).is_unique().all()
