"""Planned strings, spares and pallet openings against everything that can be tried."""

from __future__ import annotations

from dataclasses import dataclass

from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation import allocate
from arraywright.plant import SpareWish
from tests.allocation.brute_force import Best, Wished, best_by_trying
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame

CURRENTS = ("L", "M")


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A case small enough to try everything."""

    strings: list[StringRow]
    pallets: list[Pallet]
    built: dict[str, str]
    wishes: list[Wished]


@st.composite
def tiny_cases(draw: st.DrawFn) -> Case:
    """Draw up to six strings at up to three drop points, up to four pallets, some inputs begun."""
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
    begun = sorted({row.mppt_input for row in named if row.module_type == "north"})
    built = {
        name: draw(st.sampled_from(CURRENTS)) for name in begun[:2] if draw(st.integers(0, 2)) == 0
    }
    wishes = [
        Wished(modules=draw(st.integers(1, 4)), current_class=current)
        for current in draw(st.lists(st.sampled_from(("", "M")), unique=True, max_size=2))
        if types == ("north",)
    ]
    return Case(strings=named, pallets=pallets, built=built, wishes=wishes)


def _planned(case: Case) -> Best:
    """Let the plan do the case, built strings standing as complete strings of three modules."""
    standing = [
        StringRow(name=f"B-{name}", modules=3, mppt_input=name, drop_point="D1")
        for name in case.built
    ]
    held = make_stock(
        [
            Pallet(name=f"B-{name}", size=3, arrival=0, current_class=current)
            for name, current in case.built.items()
        ],
        seed=2,
    )
    site = make_site(
        strings_frame([*standing, *case.strings]),
        spares=tuple(
            SpareWish(
                module_type="north",
                power_class_w=None,
                current_class=wish.current_class,
                modules=wish.modules,
            )
            for wish in case.wishes
        ),
    )
    frozen = held.with_columns(string="pallet", place_in_string="stack_position")
    plan = allocate(site, stock=make_stock(case.pallets, seed=1), frozen=frozen)
    return Best(
        on_whole_inputs=plan.strings_on_whole_inputs,
        strings=plan.strings_planned,
        modules=plan.modules_planned,
        spares_missing=sum(wish.modules for wish in case.wishes) - plan.spares.height,
        openings=plan.pallet_openings,
    )


@settings(max_examples=100, deadline=None)
@given(case=tiny_cases())
def test_no_allocation_of_a_tiny_case_is_better(case: Case) -> None:
    """Whole inputs, strings, spares and openings equal the best of all that can be tried."""
    assert _planned(case) == best_by_trying(
        case.strings, case.pallets, built=case.built, wishes=case.wishes
    )


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
