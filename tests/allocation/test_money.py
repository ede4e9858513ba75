"""Money: the worth of a watt against worked examples, and handling counted once each."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from arraywright.allocation.money import (
    HandlingCounts,
    handling_cost,
    trips_for,
    value_doubt,
)
from arraywright.plant import Coefficients
from tests.published_values import published

CASES = published("annuity-examples")["case"]


@pytest.mark.parametrize("case", CASES, ids=[case["place"][:30] for case in CASES])
def test_present_worth_of_a_yearly_sum_is_the_published_one(case: dict[str, Any]) -> None:
    """A kilowatt that earns the example's sum each year is worth the example's present sum."""
    held = Coefficients(
        energy_price_per_kwh=case["yearly"] / 1000.0,
        yield_kwh_per_kw=1000.0,
        life_years=case["years"],
        discount_ratio=case["rate"],
    )
    assert held.annuity_years * case["yearly"] == pytest.approx(
        case["present"], abs=case["tolerance"]
    )
    assert held.value_per_w * 1000.0 == pytest.approx(case["present"], abs=case["tolerance"])


@given(rate=st.floats(1e-6, 0.3), years=st.integers(1, 40))
def test_present_worth_is_the_sum_of_discounted_years(rate: float, years: int) -> None:
    """Year after year discounted and added gives the closed form, down to no discount."""
    held = Coefficients(discount_ratio=rate, life_years=float(years))
    summed = sum((1.0 + rate) ** -year for year in range(1, years + 1))
    assert held.annuity_years == pytest.approx(summed, rel=1e-8)
    assert replace(held, discount_ratio=0.0).annuity_years == years


def test_each_thing_done_costs_its_own_coefficient() -> None:
    """Every count costs what its coefficient says, and only that."""
    prices = Coefficients(
        opening_cost=1.0,
        carry_cost=10.0,
        carry_cost_per_m=0.5,
        pile_cost_per_module=100.0,
        single_cost_per_module=1000.0,
        repack_cost_per_module=3000.0,
        trip_cost=10_000.0,
        trip_cost_per_m=7.0,
        dig_cost=100_000.0,
    )
    expected = {
        "opened": 1.0,
        "carries": 10.0,
        "carried_m": 0.5,
        "piled_modules": 100.0,
        "single_modules": 1000.0,
        "repacked_modules": 3000.0,
        "trips": 10_000.0,
        "trip_m": 7.0,
        "digs": 100_000.0,
    }
    assert {held.name for held in fields(HandlingCounts)} == set(expected)
    for name, cost in expected.items():
        assert handling_cost(HandlingCounts(**{name: 3}), prices).total == pytest.approx(3.0 * cost)
    all_once = HandlingCounts()
    for name in expected:
        all_once = all_once + HandlingCounts(**{name: 1})
    assert handling_cost(all_once, prices).total == pytest.approx(sum(expected.values()))


def test_a_trip_serves_one_drop_point() -> None:
    """Three and four pallets in pairs are two trips each, not seven pallets in four."""
    assert trips_for(np.array([3, 4, 0]), pallets_per_trip=2) == 4
    assert trips_for(5, pallets_per_trip=1) == 5


def test_doubt_agrees_with_drawing_from_the_ranges() -> None:
    """The propagated uncertainty is that of a hundred thousand draws from the same ranges."""
    held = Coefficients(
        price_range_ratio=0.1,
        yield_range_ratio=0.05,
        life_range_years=3.0,
        discount_range_ratio=0.008,
    )
    rng = np.random.default_rng(8)
    draws = 100_000

    def around(middle: float, half: float) -> Any:
        return rng.uniform(middle - half, middle + half, draws)

    price = around(held.energy_price_per_kwh, 0.1 * held.energy_price_per_kwh)
    energy = around(held.yield_kwh_per_kw, 0.05 * held.yield_kwh_per_kw)
    years, rate = around(held.life_years, 3.0), around(held.discount_ratio, 0.008)
    value = price * energy / 1000.0 * (1.0 - (1.0 + rate) ** -years) / rate
    doubt = value_doubt(held)
    assert doubt.standard_uncertainty_per_w == pytest.approx(float(value.std()), rel=0.02)
    assert doubt.value_per_w == pytest.approx(float(value.mean()), rel=0.01)


def test_no_range_leaves_no_doubt() -> None:
    """Where every figure is certain, so is the worth of a watt."""
    held = Coefficients(
        price_range_ratio=0.0,
        yield_range_ratio=0.0,
        life_range_years=0.0,
        discount_range_ratio=0.0,
    )
    assert value_doubt(held).standard_uncertainty_per_w == 0.0
