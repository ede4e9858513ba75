"""Planned strings and pallet openings against everything that can be tried."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st
from tests.allocation.brute_force import best_by_trying
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

from arraywright.allocation import allocate

CURRENTS = ("L", "M")


@st.composite
def tiny_cases(draw: st.DrawFn) -> tuple[list[StringRow], list[Pallet]]:
    """Draw up to six strings at up to three drop points, and up to four pallets."""
    types = ("north", "south") if draw(st.booleans()) else ("north",)
    strings: list[StringRow] = []
    while len(strings) < 6 and (not strings or draw(st.booleans())):
        kind = draw(st.sampled_from(types))
        for _ in range(draw(st.integers(1, min(2, 6 - len(strings))))):
            strings.append(
                StringRow(
                    name=f"S{len(strings)}",
                    modules=draw(st.integers(2, 6)),
                    mppt_input="",
                    drop_point=draw(st.sampled_from(("D1", "D2", "D3"))),
                    module_type=kind,
                )
            )
    inputs = draw(st.integers(1, 3))
    named = [
        StringRow(
            name=row.name,
            modules=row.modules,
            mppt_input=f"{row.module_type}{number % inputs}",
            drop_point=row.drop_point,
            module_type=row.module_type,
        )
        for number, row in enumerate(strings)
    ]
    pallets = [
        Pallet(
            name=f"P{number}",
            size=draw(st.integers(1, 12)),
            arrival=draw(st.integers(0, 3)),
            module_type=draw(st.sampled_from(types)),
            current_class=draw(st.sampled_from(CURRENTS)),
        )
        for number in range(draw(st.integers(1, 4)))
    ]
    return named, pallets


@settings(max_examples=60, deadline=None)
@given(case=tiny_cases())
def test_no_allocation_of_a_tiny_case_is_better(
    case: tuple[list[StringRow], list[Pallet]],
) -> None:
    """Strings, modules and openings of the plan equal the best found by trying everything."""
    strings, pallets = case
    plan = allocate(make_site(strings_frame(strings)), stock=make_stock(pallets, seed=1))
    found = (plan.strings_planned, plan.modules_planned, plan.pallet_openings)
    assert found == best_by_trying(strings, pallets)


def test_a_remainder_comes_from_the_pallet_that_is_open_already() -> None:
    """Two drop points of 10 from pallets of 8, 8 and 4 need four openings, not five."""
    strings = [
        StringRow(name="S1", modules=10, mppt_input="I1", drop_point="D1"),
        StringRow(name="S2", modules=10, mppt_input="I2", drop_point="D2"),
    ]
    pallets = [Pallet(name=f"P{n}", size=size, arrival=n) for n, size in enumerate((8, 4, 8))]
    site, stock = make_site(strings_frame(strings)), make_stock(pallets, seed=2)
    assert allocate(site, stock=stock).pallet_openings == 4
    assert allocate(site, stock=stock, mode="arrival").pallet_openings == 4
    later = make_stock(
        [Pallet(name=f"P{n}", size=size, arrival=n) for n, size in enumerate((4, 4, 8, 8))], seed=2
    )
    assert allocate(site, stock=later).pallet_openings == 4
    assert allocate(site, stock=later, mode="arrival").pallet_openings == 5


def test_the_larger_site_stays_near_the_number_nothing_can_go_below() -> None:
    """On a site too large for the exact model, openings exceed the lower bound by 3 % at most."""
    strings = [
        StringRow(name=f"S{n:04d}", modules=28, mppt_input=f"I{n // 3}", drop_point=f"D{n // 36}")
        for n in range(2160)
    ]
    pallets = [
        Pallet(name=f"P{n:04d}", size=31 - (n % 41 == 0), arrival=n, current_class="LMH"[n * 7 % 3])
        for n in range(1990)
    ]
    site, stock = make_site(strings_frame(strings)), make_stock(pallets, seed=3)
    plan = allocate(site, stock=stock)
    arrival = allocate(site, stock=stock, mode="arrival")
    assert plan.strings_planned == 2160
    assert plan.openings_least <= plan.pallet_openings <= 1.03 * plan.openings_least
    assert plan.pallet_openings < arrival.pallet_openings
