"""Handling against mismatch, the knee, and what a plan is worth with its uncertainty."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.allocation.modes import WHOLE, choose_modes
from arraywright.allocation.money import HandlingCounts
from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.allocation.sequence_layout import (
    arrival_sequence,
    loss_of_modules,
    modules_of_strings,
    sequence_loss,
)
from arraywright.allocation.trade_off import Gain, TradeOff, plan_gain, trade_off
from arraywright.arrays import FloatArray, IntArray
from arraywright.plant import Coefficients

PRICES = Coefficients()
DEAR = replace(PRICES, energy_price_per_kwh=6.0)


def _problem(
    pallets: int, *, seed: int, spread: float = 0.2, between: float = 0.6, late: bool = True
) -> ClassProblem:
    """Give an invented class: spread of x as modules of 550 W have it, pallets over the weeks."""
    rng = np.random.default_rng(seed)
    size, length = 36, 27
    strings = pallets * size * 19 // 20 // length
    level = np.repeat(between * rng.standard_normal(pallets), size)
    x = spread * (level + rng.standard_normal(pallets * size)) / np.hypot(1.0, between)
    day = np.arange(pallets) // 20 if late else np.zeros(pallets, dtype=np.int64)
    return ClassProblem(
        x=x - x.mean(),
        y=np.zeros(len(x)),
        unit_offsets=np.arange(pallets + 1, dtype=np.int64) * size,
        unit_day=day.astype(np.int64),
        string_modules=np.full(strings, length, dtype=np.int64),
        string_day=(np.arange(strings) // 12 * (1 if late else 0) + 3).astype(np.int64),
        string_input=np.arange(strings, dtype=np.int64),
        string_section=(np.arange(strings) // 12).astype(np.int64),
    )


def _curve(problem: ClassProblem, prices: Coefficients) -> TradeOff:
    start = arrival_sequence(problem)
    return trade_off([problem], prices, arrival=[start], planned=[start])


@pytest.mark.parametrize("prices", [PRICES, DEAR], ids=["usual", "dear energy"])
def test_curve_runs_from_little_handling_to_little_mismatch(prices: Coefficients) -> None:
    """Points on the curve cost more and lose less one after the other, at a falling rate."""
    held = _curve(_problem(80, seed=1), prices)
    curve = [point for point in held.points if point.on_curve]
    assert len(curve) >= 3
    handling = np.array([point.handling for point in curve])
    mismatch = np.array([point.mismatch for point in curve])
    assert np.all(np.diff(handling) > 0.0)
    assert np.all(np.diff(mismatch) < 0.0)
    rate = np.diff(mismatch) / np.diff(handling)
    assert np.all(np.diff(rate) > -1e-12)
    for point in held.points:
        if not point.needs_all_stock:
            below = np.interp(point.handling, handling, mismatch)
            assert point.mismatch >= below - 1e-9 * mismatch[0]
            assert point.total >= held.points[held.best].total


def test_knee_is_farthest_from_the_straight_line() -> None:
    """No point of the curve lies farther below the line between its ends than the knee."""
    held = _curve(_problem(80, seed=2), DEAR)
    curve = [point for point in held.points if point.on_curve]
    assert held.knee is not None
    knee = held.points[held.knee]

    def below(number: int) -> float:
        point, first, last = held.points[number], curve[0], curve[-1]
        across = (point.handling - first.handling) / (last.handling - first.handling)
        down = (first.mismatch - point.mismatch) / (first.mismatch - last.mismatch)
        return down - across

    assert knee.on_curve
    most = max(below(k) for k, point in enumerate(held.points) if point.on_curve)
    assert below(held.knee) == pytest.approx(most)


def test_sorting_is_called_not_worth_it_where_it_is_not() -> None:
    """At usual prices a narrow class is left as it stands, and the sentence has both figures."""
    held = _curve(_problem(60, seed=3), PRICES)
    best = held.points[held.best]
    assert best.counts.piled_modules + best.counts.single_modules == 0
    assert "not worth it" in held.sentence
    assert "EUR" in held.sentence


def test_sorting_is_called_worth_it_where_it_is() -> None:
    """Where energy is dear enough the best way sorts, and the sentence says what it saves."""
    held = _curve(_problem(60, seed=3, spread=0.6), DEAR)
    best = held.points[held.best]
    assert best.counts.piled_modules + best.counts.single_modules > 0
    assert held.sentence.startswith("Sorting pays")


def test_mixture_at_described_prices_is_the_plan() -> None:
    """The mixture at one times the price is what the choice of ways takes."""
    problem = _problem(60, seed=5, spread=0.6)
    prices = replace(PRICES, energy_price_per_kwh=1.0)
    start = arrival_sequence(problem)
    plan = choose_modes(problem, prices, sequences=[start])
    held = _curve(problem, prices)
    assert held.points[held.best].total == pytest.approx(plan.total_money, rel=1e-9)


def test_sorting_over_the_site_needs_the_stock_first() -> None:
    """Packing anew over the whole site loses least, and is off the curve while pallets come."""
    name = "single modules sorted over the whole site and packed anew"
    for late in (True, False):
        held = _curve(_problem(120, seed=6, late=late), PRICES)
        point = next(point for point in held.points if point.name == name)
        assert point.needs_all_stock is late
        assert point.loss_w == min(one.loss_w for one in held.points)
        assert not (late and point.on_curve)


def test_classes_add_up() -> None:
    """Two classes together cost and lose what they cost and lose apart."""
    one, two = _problem(40, seed=7), _problem(50, seed=8)
    starts = [arrival_sequence(one), arrival_sequence(two)]
    both = trade_off([one, two], PRICES, arrival=starts, planned=starts)
    apart = [_curve(one, PRICES), _curve(two, PRICES)]
    for point in both.points:
        if point.price_ratio is None:
            own = [next(p for p in curve.points if p.name == point.name) for curve in apart]
            assert point.loss_w == pytest.approx(sum(p.loss_w for p in own))
            assert point.handling == pytest.approx(sum(p.handling for p in own))


def _sorted_places(x: FloatArray, length: int) -> tuple[IntArray, IntArray]:
    order = np.argsort(x).astype(np.int64)
    return np.repeat(np.arange(len(x) // length, dtype=np.int64), length), order


def _gain(
    problem: ClassProblem, noise: float, prices: Coefficients = PRICES, *, carried_m: float = 0.0
) -> Gain:
    start = modules_of_strings(problem, arrival_sequence(problem))
    plan = _sorted_places(problem.x, int(problem.string_modules[0]))
    return plan_gain(
        [problem],
        prices,
        arrival=[start],
        planned=[plan],
        arrival_counts=HandlingCounts(),
        planned_counts=HandlingCounts(carried_m=carried_m),
        flash_noise_ratio=[noise],
    )


def _drawn(rng: np.random.Generator, *, noise: float) -> tuple[ClassProblem, FloatArray]:
    """Give a class as flashed, and what its modules truly are."""
    strings, length = 30, 10
    true = 0.2 * np.sqrt(1.0 - noise**2) * rng.standard_normal(strings * length)
    flashed = true + 0.2 * noise * rng.standard_normal(strings * length)
    problem = ClassProblem(
        x=flashed - flashed.mean(),
        y=np.zeros(len(flashed)),
        unit_offsets=np.arange(strings + 1, dtype=np.int64) * length,
        unit_day=np.zeros(strings, dtype=np.int64),
        string_modules=np.full(strings, length, dtype=np.int64),
        string_day=np.zeros(strings, dtype=np.int64),
        string_input=np.arange(strings, dtype=np.int64),
        string_section=np.zeros(strings, dtype=np.int64),
    )
    return problem, true - true.mean()


@pytest.mark.parametrize("noise", [0.2, 0.5, 0.8])
def test_expected_gain_and_its_uncertainty_hold_in_the_field(noise: float) -> None:
    """Over many flashed classes the true gain is the one told, off by the uncertainty told."""
    rng = np.random.default_rng(12)
    told, met, off = [], [], []
    for _ in range(300):
        problem, true = _drawn(rng, noise=noise)
        gain = _gain(problem, noise)
        real = replace(problem, x=true)
        start = modules_of_strings(problem, arrival_sequence(problem))
        plan = _sorted_places(problem.x, 10)
        before = loss_of_modules(real, string=start[0], module=start[1]).total_w
        realised = before - loss_of_modules(real, string=plan[0], module=plan[1]).total_w
        told.append(gain.gain_w)
        met.append(realised)
        flash_w = gain.parts["flash"] / PRICES.value_per_w
        off.append((realised - gain.gain_w) / flash_w)
    assert np.mean(met) == pytest.approx(np.mean(told), rel=0.02)
    assert 0.75 < np.std(off) < 1.15


def test_without_scatter_the_flashed_gain_is_the_gain() -> None:
    """Exact flash values leave only model, prices and handling in doubt."""
    problem, _ = _drawn(np.random.default_rng(1), noise=0.0)
    gain = _gain(problem, 0.0)
    assert gain.gain_w == gain.flashed_w
    assert gain.parts["flash"] == 0.0
    assert gain.gain_kwh == pytest.approx(gain.gain_w * 1.1)
    assert gain.value == pytest.approx(gain.gain_w * PRICES.value_per_w)
    assert gain.net_uncertainty == pytest.approx(
        np.sqrt(sum(part**2 for part in gain.parts.values()))
    )


def test_exact_figures_replace_those_of_the_model() -> None:
    """Where the exact curves are known the model adds no doubt and scatter is still taken off."""
    problem, _ = _drawn(np.random.default_rng(2), noise=0.3)
    start = modules_of_strings(problem, arrival_sequence(problem))
    gain = plan_gain(
        [problem],
        PRICES,
        arrival=[start],
        planned=[_sorted_places(problem.x, 10)],
        arrival_counts=HandlingCounts(),
        planned_counts=HandlingCounts(),
        flash_noise_ratio=[0.3],
        exact_gain_w=100.0,
    )
    assert gain.flashed_w == 100.0
    assert gain.gain_w == pytest.approx(100.0 * (1.0 - 0.3**2) ** 2)
    assert gain.parts["model"] == 0.0


def test_sentence_says_when_a_plan_is_not_worth_it() -> None:
    """Dear handling turns the sentence round, and doubt is said before it is passed over."""
    problem, _ = _drawn(np.random.default_rng(3), noise=0.1)
    worth = _gain(problem, 0.1)
    assert "not worth its handling" in _gain(problem, 0.1, carried_m=1e6).sentence
    assert (
        "within its uncertainty"
        in _gain(problem, 0.1, carried_m=0.9 * worth.value / PRICES.carry_cost_per_m).sentence
    )
    certain = replace(
        PRICES,
        price_range_ratio=0.0,
        yield_range_ratio=0.0,
        life_range_years=0.0,
        discount_range_ratio=0.0,
    )
    told = _gain(problem, 0.1, certain).sentence
    assert "not worth" not in told
    assert "uncertainty" in told
    assert f"{worth.gain_w:,.0f} W" in told


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), pallets=st.integers(3, 12))
def test_whatever_the_order_the_best_point_is_no_dearer_than_arrival(
    seed: int, pallets: int
) -> None:
    """A bad planned order never hides order of arrival, which is always among the points."""
    problem = _problem(pallets, seed=seed, late=False)
    start = arrival_sequence(problem)
    backwards = Sequence(units=start.units[::-1].copy())
    held = trade_off([problem], PRICES, arrival=[start], planned=[backwards])
    arrival = choose_modes(problem, PRICES, sequences=[start], allowed=(WHOLE,))
    names = [point.name for point in held.points]
    assert len(set(names)) == len(names)
    whole_w = sequence_loss(problem, start).total_w
    by_name = dict(zip(names, held.points, strict=True))
    assert by_name["order of arrival"].loss_w == pytest.approx(whole_w)
    if pallets > 5:
        assert held.points[held.best].total <= arrival.total_money + 1e-9
    assert all(a.handling <= b.handling for a, b in itertools.pairwise(held.points))
