"""The loss of a plan against a second library, a simulation made elsewhere, and the bound."""

from __future__ import annotations

import itertools

import numpy as np
import polars as pl
import pvlib
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq, minimize_scalar

from arraywright.allocation import allocate, compare
from arraywright.allocation.sorting import sorted_runs
from arraywright.arrays import FloatArray
from arraywright.physics import fit_datasheet, fit_flash
from tests.allocation.invented import (
    Pallet,
    StringRow,
    make_module_type,
    make_site,
    make_stock,
    strings_frame,
)
from tests.published_values import published

SIZE = published("mismatch-size")
CASES = list(
    zip(SIZE["inputs"]["current_spread_ratio"], SIZE["expected"]["loss_ratio"], strict=True)
)


@pytest.mark.parametrize(("sd_ratio", "loss_ratio"), CASES)
def test_random_strings_lose_what_a_simulation_made_elsewhere_found(
    sd_ratio: float, loss_ratio: float
) -> None:
    """Order of arrival of unsorted modules loses as much as the simulated strings of 20."""
    length, count = SIZE["inputs"]["modules"], 250
    rows = [StringRow(name=f"S{n}", modules=length, mppt_input=f"I{n}") for n in range(count)]
    stock = make_stock(
        [Pallet(name=f"P{n}", size=20, arrival=n) for n in range(count)],
        seed=21,
        lot_sd_ratio=0.0,
        sd_ratio=sd_ratio,
    )
    plan = allocate(make_site(strings_frame(rows)), stock=stock, mode="arrival")
    assert plan.loss_ratio == pytest.approx(loss_ratio, rel=SIZE["tolerance"]["ratio"])


def _power_by_pvlib(strings: list[dict[str, FloatArray]], top_v: float) -> float:
    """Maximum power of strings in parallel, each point solved with pvlib and a bracketing root."""

    def voltage(own: dict[str, FloatArray], current_a: float) -> float:
        volts = pvlib.pvsystem.v_from_i(np.full(len(own["photocurrent"]), current_a), **own)
        return float(np.sum(volts))

    def current(own: dict[str, FloatArray], voltage_v: float) -> float:
        top = float(own["photocurrent"].min()) * 0.9999
        return float(brentq(lambda i: voltage(own, i) - voltage_v, 0.0, top, xtol=1e-12))

    found = minimize_scalar(
        lambda v: -v * sum(current(own, v) for own in strings),
        bounds=(0.6 * top_v, 0.95 * top_v),
        method="bounded",
        options={"xatol": 1e-5},
    )
    return -float(found.fun)


def test_loss_of_an_input_agrees_with_pvlib_and_a_root_finder() -> None:
    """Serials of the plan, their flash values and pvlib's curves give the same power and loss."""
    rows = [StringRow(name=f"S{n}", modules=6, mppt_input="I0") for n in range(2)]
    stock = make_stock([Pallet(name="P", size=14, arrival=0)], seed=22, sd_ratio=0.02)
    plan = allocate(make_site(strings_frame(rows)), stock=stock)
    kind = make_module_type()
    sheet = kind.power_classes[1]
    template = fit_datasheet(
        isc_a=sheet.isc_a,
        voc_v=sheet.voc_v,
        imp_a=sheet.imp_a,
        vmp_v=sheet.vmp_v,
        alpha_isc_a_per_k=kind.alpha_isc_per_k * sheet.isc_a,
        beta_voc_v_per_k=kind.beta_voc_per_k * sheet.voc_v,
        cells_in_series=72,
    ).reference
    strings: list[dict[str, FloatArray]] = []
    alone_w = 0.0
    for name in ("S0", "S1"):
        held = plan.assignments.filter(string=name).join(stock, on="serial", how="left")
        flash = {key: held[key].to_numpy() for key in ("isc_a", "voc_v", "imp_a", "vmp_v")}
        fitted = fit_flash(template, **flash).reference
        strings.append(
            {
                "photocurrent": fitted.photocurrent_a,
                "saturation_current": fitted.saturation_current_a,
                "resistance_series": fitted.series_resistance_ohm,
                "resistance_shunt": fitted.shunt_resistance_ohm,
                "nNsVth": fitted.diode_voltage_v,
            }
        )
        alone_w += float(held["pmax_w"].sum())
    together_w = _power_by_pvlib(strings, 6 * 49.8)
    row = plan.mismatch.inputs.row(0, named=True)
    assert row["input_power_w"] == pytest.approx(together_w, rel=1e-8)
    assert row["sum_of_modules_w"] == pytest.approx(alone_w, rel=1e-6)
    assert row["loss_w"] == pytest.approx(alone_w - together_w, rel=1e-3)
    assert plan.loss_w == pytest.approx(row["loss_w"], rel=1e-12)


@settings(max_examples=15, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    spare=st.integers(0, 40),
    lot=st.floats(0.0, 0.01),
    per_input=st.integers(1, 4),
)
def test_a_full_sort_loses_least(*, seed: int, spare: int, lot: float, per_input: int) -> None:
    """No way to fill strings of one class and length loses more than a hair less than a sort."""
    rows = [StringRow(name=f"S{n}", modules=12, mppt_input=f"I{n // per_input}") for n in range(12)]
    sizes = [31] * 5 + [spare] * (spare > 0)
    stock = make_stock(
        [Pallet(name=f"P{n}", size=size, arrival=n) for n, size in enumerate(sizes)],
        seed=seed,
        lot_sd_ratio=lot,
    )
    both = compare(make_site(strings_frame(rows)), stock=stock)
    # The sort is by current; voltages between strings of an input leave up to 2e-6.
    for other in (both.arrival, both.plan):
        assert both.sorted_single.loss_ratio <= other.loss_ratio + 2e-6
    assert both.sorting_gain_w == pytest.approx(
        both.plan.loss_w - both.sorted_single.loss_w, abs=0.05
    )


def _best_spread(values: list[float], lengths: tuple[int, ...]) -> float:
    """Try every way to take groups out of the values, contiguous or not."""
    if not lengths:
        return 0.0
    best = np.inf
    for group in itertools.combinations(range(len(values)), lengths[0]):
        own = np.array([values[k] for k in group])
        rest = [value for k, value in enumerate(values) if k not in group]
        best = min(best, float(np.sum((own - own.mean()) ** 2)) + _best_spread(rest, lengths[1:]))
    return best


@settings(max_examples=40, deadline=None)
@given(
    values=st.lists(st.integers(0, 30), min_size=6, max_size=8),
    groups=st.integers(1, 2),
    length=st.integers(1, 3),
)
def test_sorted_runs_have_the_least_spread_of_all_groupings(
    values: list[int], groups: int, length: int
) -> None:
    """Runs of sorted modules are as alike as the best of all groups that can be taken out."""
    ordered = np.sort(np.array(values, dtype=np.float64))
    lengths = np.full(groups, length, dtype=np.int64)
    starts = sorted_runs(ordered, lengths)
    assert np.all(np.diff(starts) >= length)
    runs = [ordered[start : start + length] for start in starts]
    spread = sum(float(np.sum((run - run.mean()) ** 2)) for run in runs)
    assert spread == pytest.approx(_best_spread(ordered.tolist(), (length,) * groups), abs=1e-9)


def test_the_sentence_says_what_plan_and_sorting_are_worth() -> None:
    """Openings saved and watts gained stand in the sentence, and so does the verdict on sorting."""
    rows = [
        StringRow(name=f"S{n}", modules=28, mppt_input=f"I{n // 2}", drop_point=f"D{n // 6}")
        for n in range(24)
    ]
    stock = make_stock([Pallet(name=f"P{n:02d}", size=31, arrival=n) for n in range(23)], seed=23)
    site = make_site(strings_frame(rows))
    both = compare(site, stock=stock)
    more = both.sorted_single.pallet_openings - both.plan.pallet_openings
    assert "24 strings with 672 modules planned." in both.sentence
    assert f"{both.sorting_gain_w:,.1f} W" in both.sentence
    assert f"{more:,} more pallet openings" in both.sentence
    assert "not worth its handling when an opening has to bring 30 W" in both.sentence
    assert ": worth it when" in compare(site, stock=stock, opening_worth_w=1e-3).sentence
    assert isinstance(both.plan.mismatch.strings, pl.DataFrame)
