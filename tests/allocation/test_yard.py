"""Laydown areas: ground needed day by day, trips, and limits of stacks, ground and lift."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import polars as pl
import pytest

from arraywright.allocation.yard import YardPlan, plan_yard
from arraywright.findings import Verdict
from arraywright.plant import LaydownArea, Site, Yard
from tests.allocation.invented import StringRow, make_site, strings_frame

# (2279 + 150) mm by 1250 mm, half of the ground for the lift's ways
PLACE_M2 = 2.429 * 1.25 / 0.5
MAY = [date(2027, 5, day) for day in range(1, 32)]


def _site(yard: Yard | None) -> Site:
    rows = [StringRow(name=f"S{k}", modules=10, mppt_input=f"M{k}") for k in range(3)]
    rows.append(StringRow(name="S3", modules=10, mppt_input="M3", drop_point="D2"))
    site = make_site(strings_frame(rows))
    positions = pl.DataFrame(
        {
            "string": [row.name for row in rows for _ in range(10)],
            "x_m": [100.0 * (row.drop_point == "D2") for row in rows for _ in range(10)],
            "y_m": [0.0] * 40,
        }
    )
    return replace(site, positions=positions, yard=yard)


def _uses(*rows: tuple[str, int, int | None, str | None]) -> pl.DataFrame:
    """Give pallets of 31 modules: name, day of arrival, day of leaving, drop point."""
    leaving = sorted({row[2] for row in rows if row[2] is not None})
    ranks = {
        name: at
        for at, (_, name) in enumerate(
            sorted((leaving.index(row[2]), row[0]) for row in rows if row[2] is not None)
        )
    }
    return pl.DataFrame(
        {
            "pallet": [row[0] for row in rows],
            "module_type": ["north"] * len(rows),
            "modules": [31] * len(rows),
            "arrives": [MAY[row[1] - 1] for row in rows],
            "leaves": [None if row[2] is None else MAY[row[2] - 1] for row in rows],
            "rank": [ranks.get(row[0]) for row in rows],
            "drop_point": [row[3] for row in rows],
        },
        schema_overrides={"leaves": pl.Date, "rank": pl.Int64, "drop_point": pl.String},
    )


def _areas(*sizes_m2: float) -> Yard:
    return Yard(
        areas=tuple(
            LaydownArea(name=f"A{k}", x_m=100.0 * k, y_m=30.0, area_m2=size)
            for k, size in enumerate(sizes_m2)
        ),
        lift_mass_max_kg=1500.0,
    )


def _row(plan: YardPlan, pallet: str) -> dict[str, object]:
    return plan.stacks.row(by_predicate=pl.col("pallet") == pallet, named=True)


def test_ground_needed_day_by_day_as_worked_out_by_hand() -> None:
    """Two come and stand as one stack, one goes straight from the truck, the last one stays."""
    uses = _uses(("P1", 1, 3, "D1"), ("P2", 1, 2, "D1"), ("P3", 2, 2, "D2"), ("P4", 3, None, None))
    plan = plan_yard(_site(_areas(100.0)), uses=uses, dated=True)
    assert plan.days["day"].to_list() == MAY[:3]
    assert plan.days["pallets"].to_list() == [2, 2, 2]
    # on the third P1 still stands when P4 comes; P4 is not needed and stands below nothing
    assert plan.days["places"].to_list() == [1, 1, 2]
    assert plan.days["area_needed_m2"].to_list() == pytest.approx(
        [PLACE_M2, PLACE_M2, 2 * PLACE_M2], abs=1e-3
    )
    assert plan.days["unloaded"].to_list() == [2, 1, 1]
    assert plan.days["taken_out"].to_list() == [0, 2, 1]
    assert plan.days["trips"].to_list() == [0, 2, 1]
    assert plan.digs == 0
    assert _row(plan, "P2")["on_pallet"] == "P1"
    assert _row(plan, "P3")["way"] == "from the truck"
    assert _row(plan, "P4")["leaves"] is None
    assert plan.area_most_day == MAY[2]
    # P2 and P1 from the area to D1, 30 m each; the way from the truck is not known
    assert plan.trip_m == pytest.approx(60.0)


def test_one_place_makes_a_dig_and_says_when() -> None:
    """Where there is only one place, the pallet needed first lies below and is dug out."""
    uses = _uses(("P1", 1, 3, "D1"), ("P2", 2, 5, "D1"))
    plan = plan_yard(_site(_areas(PLACE_M2 + 0.1)), uses=uses, dated=True)
    assert plan.digs == 1
    assert plan.digs_proven
    assert _row(plan, "P2")["digs"] == 1
    assert plan.days.filter(pl.col("digs") > 0)["day"].to_list() == [MAY[2]]


def test_the_nearest_area_is_taken_while_it_has_room() -> None:
    """A pallet stands near its drop point, and in the next area only when that is full."""
    uses = _uses(("P1", 1, 9, "D2"), ("P2", 1, 8, "D1"), ("P3", 1, 7, "D1"), ("P4", 2, 10, "D1"))
    plan = plan_yard(_site(_areas(PLACE_M2 + 0.1, 100.0)), uses=uses, dated=True)
    areas = dict(plan.stacks.select("pallet", "area").iter_rows())
    assert areas == {"P1": "A1", "P2": "A0", "P3": "A0", "P4": "A1"}


def test_more_pallets_than_room_is_told_and_never_stacked_higher() -> None:
    """A yard too small is a matter to be looked at, with the number of pallets without room."""
    uses = _uses(*((f"P{k}", 1, 9, "D1") for k in range(5)))
    plan = plan_yard(_site(_areas(2 * PLACE_M2 + 0.1)), uses=uses, dated=True)
    (found,) = [f for f in plan.findings if f.check == "allocation-yard-area"]
    assert found.verdict is Verdict.REVIEW
    assert "1 pallets find no room" in found.message
    assert plan.stacks.filter(pl.col("way") == "no room").height == 1
    assert plan.stacks["level"].max() == 2


@pytest.mark.parametrize(
    ("lift_kg", "verdict"),
    [(914.0, Verdict.PASS), (912.0, Verdict.FAIL), (None, Verdict.NOT_ASSESSABLE)],
)
def test_the_heaviest_pallet_is_held_against_the_lift(
    lift_kg: float | None, verdict: Verdict
) -> None:
    """31 modules of 28 kg and a pallet of 45 kg are 913 kg."""
    yard = replace(_areas(500.0), lift_mass_max_kg=lift_kg)
    plan = plan_yard(_site(yard), uses=_uses(("P1", 1, 2, "D1")), dated=True)
    (found,) = [f for f in plan.findings if f.check == "allocation-yard-lift"]
    assert found.verdict is verdict
    assert found.value == pytest.approx(913.0)


def test_the_lower_of_two_stack_limits_holds() -> None:
    """A yard that allows more than the module's maker does not make stacks higher."""
    uses = _uses(*((f"P{k}", 1, 5, "D1") for k in range(6)))
    plan = plan_yard(_site(replace(_areas(500.0), stack_max=5)), uses=uses, dated=True)
    assert plan.stacks["level"].max() == 2
    (found,) = [f for f in plan.findings if f.check == "allocation-yard-stack"]
    assert found.verdict is Verdict.REVIEW


def test_without_dates_everything_stands_at_once() -> None:
    """With no dates the whole stock needs room at the same time, and nothing is said of days."""
    uses = _uses(*((f"P{k}", 1 + k, 9, "D1") for k in range(4)))
    plan = plan_yard(_site(None), uses=uses, dated=False)
    assert plan.days["pallets"].to_list() == [4]
    assert plan.days["places"].to_list() == [2]
    assert plan.trips == 4
    assert plan.findings == ()
    assert "on one day" not in plan.sentence


def test_two_pallets_a_trip_halve_the_trips_of_a_day_and_drop_point() -> None:
    """Pallets for one drop point on one day share trips, others do not."""
    uses = _uses(*((f"P{k}", 1, 4, "D1") for k in range(3)), ("Q1", 1, 4, "D2"))
    plan = plan_yard(_site(_areas(500.0)), uses=uses, dated=True, pallets_per_trip=2)
    assert plan.trips == 3


def test_pallets_that_stand_already_are_not_moved_and_their_digs_are_counted() -> None:
    """A plan changed later finds the pallet needed first below, and others are put around it."""
    uses = _uses(("P1", 1, 3, "D1"), ("P2", 1, 5, "D1"), ("P3", 2, 4, "D1"))
    standing = pl.DataFrame(
        {
            "pallet": ["P1", "P2", "gone"],
            "area": ["A0", "A0", "A0"],
            "level": [1, 2, 1],
            "on_pallet": [None, "P1", None],
        },
        schema_overrides={"on_pallet": pl.String},
    )
    plan = plan_yard(_site(_areas(500.0)), uses=uses, dated=True, standing=standing)
    assert plan.digs == 1
    assert _row(plan, "P2")["on_pallet"] == "P1"
    assert _row(plan, "P2")["digs"] == 1
    assert plan.days.filter(pl.col("digs") > 0)["day"].to_list() == [MAY[2]]
    # P3 is needed before P2 but after P1: it stands on the ground
    assert _row(plan, "P3")["level"] == 1
    free = plan_yard(_site(_areas(500.0)), uses=uses, dated=True)
    assert free.digs == 0


def test_a_pallet_whose_lower_one_is_gone_stands_on_the_ground() -> None:
    """What stood below and was taken out leaves the upper one on its place."""
    uses = _uses(("P2", 1, 5, "D1"), ("P3", 1, 4, "D1"))
    standing = pl.DataFrame(
        {"pallet": ["P2"], "area": ["A1"], "level": [2], "on_pallet": ["P1"]},
    )
    plan = plan_yard(_site(_areas(50.0, 50.0)), uses=uses, dated=True, standing=standing)
    assert _row(plan, "P2")["level"] == 1
    assert _row(plan, "P2")["area"] == "A1"
