"""What holds for every delivery, however it is spoiled."""

from __future__ import annotations

from typing import Any

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arraywright.delivery import MODULE_CHECKS, RULES, Reconciliation, inspection_lots
from arraywright.sources import SOURCES
from tests.delivery.making import Delivery, clean, receive, sscc

NUMBERS = [sscc(1), sscc(2), sscc(3), "OWN 4", "", None, sscc(1)[:-1] + "0"]
SPOILS: dict[str, list[Any]] = {
    "pallet": NUMBERS,
    "module_type": ["heron", "HERON 72", "Crane 54", None, ""],
    "power_class_w": [600.0, 605.0, 610.0, None, float("nan")],
    "current_class": ["L", "h", "M", None, ""],
    "modules": [0, 30, 31, 3_000_000, None],
    "condition": ["ok", "wet", None],
    "order_number": ["O-1", "O-9", None],
    "delivery_note": ["N-1", "N-2", None],
    "serial": ["HR00000001", "hr00000001", "X", "", None],
    "pmax_w": [0.0, 601.0, 606.0, 1e9, float("nan"), None],
    "voc_v": [-1.0, 52.0, 53.4, float("inf"), None],
    "isc_a": [13.0, 14.4, 1e-300, None],
    "vmp_v": [44.0, 60.0, None],
    "imp_a": [13.6, 13.9, 15.0, None],
    "fill_factor_ratio": [0.8, 80.0, None],
    "scanned_at": [None],
    "source_file": ["flash-0.csv", "b.csv", None],
}


@st.composite
def deliveries(draw: st.DrawFn) -> Delivery:
    """Draw a delivery with rows lost, repeated and spoiled in any column."""
    delivery = clean(draw(st.integers(1, 3)))
    tables: dict[str, list[dict[str, Any]]] = {}
    for name in ("order", "notes", "scans", "flash"):
        rows = [dict(row) for row in getattr(delivery, name)]
        if draw(st.integers(0, 9)) == 0:
            rows = []
        for _ in range(draw(st.integers(0, 4))):
            if not rows:
                break
            place = draw(st.integers(0, len(rows) - 1))
            kind = draw(st.sampled_from(["lose", "repeat", "spoil", "spoil", "spoil"]))
            if kind == "lose":
                rows.pop(place)
            elif kind == "repeat":
                rows.append(rows[place] | {"source_row": 1000 + len(rows)})
            else:
                column = draw(st.sampled_from(sorted(set(rows[place]) & set(SPOILS))))
                rows[place][column] = draw(st.sampled_from(SPOILS[column]))
        tables[name] = rows
    return Delivery(**tables)


def _same(one: Reconciliation, two: Reconciliation) -> None:
    for name in ("pallets", "modules", "order_balance", "discrepancies"):
        assert getattr(one, name).equals(getattr(two, name)), name
    assert one.findings == two.findings


SETTINGS = settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@SETTINGS
@given(deliveries(), st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing(delivery: Delivery, random: Any) -> None:
    """However the rows of the four tables are shuffled, every output is the same."""
    shuffled = {}
    for name in ("order", "notes", "scans", "flash"):
        rows = list(getattr(delivery, name))
        random.shuffle(rows)
        shuffled[name] = rows
    _same(receive(delivery), receive(Delivery(**shuffled)))


@SETTINGS
@given(deliveries())
def test_every_pallet_gets_one_verdict_and_every_row_is_accounted_for(delivery: Delivery) -> None:
    """No pallet is lost or doubled, and rows in = modules + repeats reported."""
    result = receive(delivery)
    pallets = result.pallets
    assert pallets["pallet"].is_unique().all()
    assert set(pallets["verdict"]) <= {"accept", "hold", "refuse"}
    for row in pallets.iter_rows(named=True):
        gravest = {RULES[check].consequence for check in row["reasons"]}
        expected = "refuse" if "refuse" in gravest else "hold" if gravest else "accept"
        assert row["verdict"] == expected
    repeated = sum(
        int(finding.value or 0) for finding in result.findings if finding.check == "flash-repeated"
    )
    assert result.modules.height + repeated == len(delivery.flash)
    assert set(result.modules["pallet"].drop_nulls()) <= set(pallets["pallet"])
    assert (result.modules["usable"] == (result.modules["reason"] == "")).all()


@SETTINGS
@given(deliveries())
def test_an_accepted_pallet_has_every_paper_and_they_agree(delivery: Delivery) -> None:
    """Accepted means: noted, scanned and flashed with one count and class, by plain sets."""
    result = receive(delivery)

    def plain(rows: list[dict[str, Any]]) -> set[str]:
        return {str(row["pallet"]).replace(" ", "").upper() for row in rows if row["pallet"]}

    accepted = result.pallets.filter(pl.col("verdict") == "accept")
    names = set(accepted["pallet"])
    assert names <= plain(delivery.notes) & plain(delivery.scans) & plain(delivery.flash)
    assert not names or delivery.order
    known = {row["pallet"]: row for row in accepted.iter_rows(named=True)}
    for row in delivery.scans:
        name = str(row["pallet"]).replace(" ", "").upper()
        if name in known:
            assert row["condition"] != "wet"
            assert row["modules"] in {None, known[name]["modules_flash"]}
    for row in accepted.iter_rows(named=True):
        assert row["module_type"] == "heron"
        assert row["power_class_w"] in {600.0, 605.0}


@SETTINGS
@given(deliveries())
def test_usable_modules_can_be_true(delivery: Delivery) -> None:
    """No module that is left to plan with breaks the physics of a solar module."""
    modules = receive(delivery).modules.filter(pl.col("usable"))
    for row in modules.iter_rows(named=True):
        assert 0 < row["imp_a"] < row["isc_a"]
        assert 0 < row["vmp_v"] < row["voc_v"]
        assert abs(row["pmax_w"] / (row["imp_a"] * row["vmp_v"]) - 1) <= 0.005
        assert row["serial"]
        assert row["pallet"]
    assert modules["serial"].is_unique().all()


@SETTINGS
@given(deliveries())
def test_lots_hold_no_module_twice_and_no_refused_pallet(delivery: Delivery) -> None:
    """Each seen pallet is in at most one lot, and samples are drawn from it."""
    result = receive(delivery)
    refused = set(result.pallets.filter(pl.col("verdict") == "refuse")["pallet"])
    seen: set[str] = set()
    for lot in inspection_lots(result):
        assert not seen & set(lot.pallets)
        seen |= set(lot.pallets)
        assert {module.pallet for module in lot.sample} <= set(lot.pallets)
        assert len({module.serial for module in lot.sample}) == len(lot.sample)
        assert len(lot.sample) <= lot.lot_size
    assert not seen & refused


def test_every_rule_cites_a_source_that_exists_and_says_what_to_do() -> None:
    """No reason without basis, remedy and the wording of its pass."""
    for rule in RULES.values():
        assert rule.basis.split()[0] in SOURCES
        assert rule.sentence
        assert rule.remedy
        assert rule.good
    assert set(MODULE_CHECKS) <= set(RULES)
