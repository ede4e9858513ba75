"""Sampling plans against the published tables, and the draw of a sample."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from arraywright.delivery import (
    acceptance_probability,
    code_letter,
    draw_sample,
    sampling_plan,
)
from arraywright.delivery.sampling_tables import (
    AQL_PERCENT,
    NORMAL,
    SAMPLE_SIZE,
    TIGHTENED,
    TIGHTENED_AQL_PERCENT,
)
from arraywright.errors import CallError
from tests.published_values import published

LETTERS = published("mil_std_105e_code_letters")
MASTER = published("mil_std_105e_normal")
TIGHT = published("mil_std_105e_tightened")
EXAMPLES = published("mil_std_105e_examples")["example"]


def _cells_by_hand(rows: dict[str, str], letter: str, column: int) -> tuple[str, int]:
    """Follow the arrows of a published excerpt; gives the letter and rejection number."""
    order = list(rows)
    place = order.index(letter)
    while (cell := rows[order[place]].split()[column]) in {"v", "^"}:
        place += 1 if cell == "v" else -1
    return order[place], int(cell)


@pytest.mark.parametrize("row", LETTERS["rows"], ids=lambda row: f"{row[0]}-{row[1]}")
def test_code_letters_are_those_of_the_table(row: tuple[int, int, str]) -> None:
    """Both ends of every row of lot sizes give the published letter at all seven levels."""
    start, end, letters = row
    for level, letter in zip(LETTERS["levels"], letters.split(), strict=True):
        assert code_letter(start, level=level) == letter
        assert code_letter(end or 2_000_000, level=level) == letter


@pytest.mark.parametrize("row", MASTER["rows"], ids=lambda row: row[0])
def test_rows_of_the_master_table_hold_the_published_numbers(
    row: tuple[str, int, list[int]],
) -> None:
    """Sample size and the sequence of acceptance numbers of each letter are as published."""
    letter, size, accept = row
    cells = NORMAL[letter].split()
    assert SAMPLE_SIZE[letter] == size
    assert len(cells) == len(AQL_PERCENT)
    assert [int(cell) for cell in cells if cell not in {"v", "^"}] == accept


@pytest.mark.parametrize("column", range(8), ids=lambda at: f"{MASTER['guide_aql_percent'][at]}")
def test_plans_at_level_two_are_those_of_the_guide(column: int) -> None:
    """For every lot size and AQL the plan, arrows followed, is the one the guide's table gives."""
    rows = {letter: cells for _, letter, _, cells in MASTER["guide_rows"]}
    sizes = {letter: size for _, letter, size, _ in MASTER["guide_rows"]}
    for lot_size, letter, _, _ in MASTER["guide_rows"]:
        plan_letter, reject = _cells_by_hand(rows, letter, column)
        plan = sampling_plan(lot_size, level="II", aql_percent=MASTER["guide_aql_percent"][column])
        assert (plan.code_letter, plan.reject) == (plan_letter, reject)
        assert plan.accept == reject - 1
        assert plan.sample_size == min(sizes[plan_letter], lot_size)


@pytest.mark.parametrize("row", TIGHT["rows"], ids=lambda row: row[0])
def test_tightened_rows_are_those_of_the_guide(row: tuple[str, int, str]) -> None:
    """Each published tightened row has its sample size, arrows and numbers."""
    letter, size, cells = row
    assert SAMPLE_SIZE[letter] == size
    ours = [
        cell if cell in {"v", "^"} else str(int(cell) + 1) for cell in TIGHTENED[letter].split()
    ]
    assert ours == cells.split()
    assert list(TIGHTENED_AQL_PERCENT) == TIGHT["aql_percent"]


@pytest.mark.parametrize("example", EXAMPLES, ids=lambda example: f"lot-{example['lot_size']}")
def test_worked_examples_come_out(example: dict[str, float]) -> None:
    """Published worked examples give letter, sample size, acceptance and rejection number."""
    plan = sampling_plan(
        int(example["lot_size"]), level=str(example["level"]), aql_percent=example["aql_percent"]
    )
    for name in ("code_letter", "sample_size", "accept", "reject"):
        assert getattr(plan, name) == example[name]


@settings(deadline=None, max_examples=60)
@given(
    st.integers(1, 3_000_000),
    st.sampled_from(LETTERS["levels"]),
    st.sampled_from(AQL_PERCENT),
)
def test_every_lot_has_a_plan_it_can_fill(lot_size: int, level: str, aql: float) -> None:
    """Whatever lot, level and AQL, arrows end at a plan and the sample is not above the lot."""
    plan = sampling_plan(lot_size, level=level, aql_percent=aql)
    assert 1 <= plan.sample_size <= lot_size
    assert plan.reject == plan.accept + 1
    assert plan.whole_lot == (SAMPLE_SIZE[plan.code_letter] >= lot_size)


@settings(deadline=None, max_examples=60)
@given(st.integers(1, 3_000_000), st.sampled_from(TIGHTENED_AQL_PERCENT))
def test_tightened_inspection_is_never_kinder(lot_size: int, aql: float) -> None:
    """A lot at its AQL is accepted no more often under tightened than under normal inspection."""
    normal = sampling_plan(lot_size, aql_percent=aql)
    tight = sampling_plan(lot_size, aql_percent=aql, inspection="tightened")
    if normal.whole_lot or tight.whole_lot:
        return
    ratio = aql / 100.0
    assert acceptance_probability(tight, ratio) <= acceptance_probability(normal, ratio) + 1e-12


@settings(deadline=None, max_examples=60)
@given(st.integers(2, 500_000), st.sampled_from(AQL_PERCENT[:16]), st.floats(0.0, 1.0))
def test_acceptance_probability_is_the_binomial_of_another_library(
    lot_size: int, aql: float, ratio: float
) -> None:
    """The operating characteristic equals scipy's binomial distribution."""
    plan = sampling_plan(lot_size, aql_percent=aql)
    expected = binom.cdf(plan.accept, plan.sample_size, ratio)
    assert acceptance_probability(plan, ratio) == pytest.approx(expected, abs=1e-10)


@pytest.mark.parametrize(
    ("lot_size", "level", "aql", "code"),
    [
        (0, "II", 1.0, "bad-lot-size"),
        (100, "IV", 1.0, "unknown-inspection-level"),
        (100, "II", 1.2, "unknown-aql"),
    ],
)
def test_a_plan_that_is_not_in_the_tables_is_refused(
    lot_size: int, level: str, aql: float, code: str
) -> None:
    """Nothing is guessed between the rows and columns of the tables."""
    with pytest.raises(CallError) as error:
        sampling_plan(lot_size, level=level, aql_percent=aql)
    assert error.value.code == code


def test_tightened_plans_outside_the_held_series_are_refused() -> None:
    """Below 0.65 % no tightened table is held, and none is invented."""
    with pytest.raises(CallError, match="AQL"):
        sampling_plan(500, aql_percent=0.40, inspection="tightened")


LOT = [(f"HR{pallet:04d}{place:04d}", f"P{pallet}") for pallet in range(40) for place in range(31)]


@settings(deadline=None, max_examples=60)
@given(st.randoms(use_true_random=False), st.sampled_from([1, 31, 280, 1240]))
def test_the_sample_does_not_depend_on_the_order_of_the_list(random: object, size: int) -> None:
    """The same lot and seed give the same modules however the list is sorted."""
    lot = LOT[:size]
    mixed = list(lot)
    random.shuffle(mixed)  # type: ignore[attr-defined]
    plan = sampling_plan(size, aql_percent=2.5)
    one = draw_sample([s for s, _ in lot], plan, seed="N-1", pallets=[p for _, p in lot])
    two = draw_sample([s for s, _ in mixed], plan, seed="N-1", pallets=[p for _, p in mixed])
    assert one == two
    assert len(set(one)) == plan.sample_size
    assert set(one) <= {serial for serial, _ in lot}


def test_the_sample_is_spread_over_the_pallets() -> None:
    """80 modules from 40 pallets are two from each, and the first 40 one from each."""
    plan = sampling_plan(1200, aql_percent=1.0)
    on = dict(LOT)
    drawn = draw_sample(list(on), plan, seed="N-7", pallets=list(on.values()))
    assert plan.sample_size == 80
    counts = {pallet: sum(on[serial] == pallet for serial in drawn) for pallet in on.values()}
    assert set(counts.values()) == {2}
    assert len({on[serial] for serial in drawn[:40]}) == 40


def test_another_seed_draws_other_modules_and_small_pallets_give_what_they_have() -> None:
    """Samples of two lots differ, and uneven pallets still fill the sample."""
    plan = sampling_plan(1240, aql_percent=1.0)
    serials, pallets = [s for s, _ in LOT], [p for _, p in LOT]
    assert draw_sample(serials, plan, seed="a", pallets=pallets) != draw_sample(
        serials, plan, seed="b", pallets=pallets
    )
    uneven = ["small", *["large"] * 99]
    few = sampling_plan(100, aql_percent=1.0)
    drawn = draw_sample(serials[:100], few, seed="a", pallets=uneven)
    assert len(drawn) == few.sample_size
    assert serials[0] in drawn


def test_every_module_of_a_pallet_has_its_chance() -> None:
    """Over many lots the draw favours no place: each of 31 is drawn about as often (4 sigma)."""
    plan = sampling_plan(31, aql_percent=2.5)
    serials = [serial for serial, _ in LOT[:31]]
    lots = 3000
    counts = dict.fromkeys(serials, 0)
    for lot in range(lots):
        for serial in draw_sample(serials, plan, seed=str(lot)):
            counts[serial] += 1
    share = plan.sample_size / 31
    spread = (lots * share * (1 - share)) ** 0.5
    assert all(abs(count - lots * share) < 4 * spread for count in counts.values())


def test_a_lot_with_doubled_serials_is_not_sampled() -> None:
    """A serial that stands twice would be two modules or one: that is settled first."""
    with pytest.raises(CallError, match="doubled"):
        draw_sample(["a", "a"], sampling_plan(2, aql_percent=1.0), seed="x")
