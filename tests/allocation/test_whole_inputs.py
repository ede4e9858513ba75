"""Short stock: whole inputs first, then spares, and inputs begun in part only with what is left."""

from __future__ import annotations

import polars as pl
import pytest

from arraywright.allocation import Mode, Plan, allocate, compare
from arraywright.findings import Finding, Verdict
from arraywright.plant import Site, SpareWish
from tests.allocation.invented import Pallet, StringRow, make_site, make_stock, strings_frame


def _site(inputs: int, *, per_input: int, modules: int, wished: int = 0) -> Site:
    rows = [
        StringRow(
            name=f"S{n:03d}",
            modules=modules,
            mppt_input=f"I{n // per_input:02d}",
            drop_point=f"D{n // (12 * per_input)}",
        )
        for n in range(inputs * per_input)
    ]
    wish = SpareWish(module_type="north", power_class_w=None, current_class="", modules=wished)
    return make_site(strings_frame(rows), spares=(wish,) if wished else ())


def _stock(*, seed: int, **modules: int) -> pl.DataFrame:
    pallets = [
        Pallet(
            name=f"{current}{n:02d}",
            size=min(31, total - 31 * n),
            arrival=2 * n + k,
            current_class=current,
        )
        for k, (current, total) in enumerate(modules.items())
        for n in range(-(-total // 31))
    ]
    return make_stock(pallets, seed=seed)


def _in_part(plan: Plan) -> list[Finding]:
    return [f for f in plan.shortages if f.check == "allocation-input-in-part"]


def _inputs_by_class(site: Site, plan: Plan, stock: pl.DataFrame) -> dict[tuple[str, int], int]:
    """Count inputs by current class and number of strings planned."""
    per_input = (
        plan.assignments.join(stock.select("serial", "current_class"), on="serial")
        .join(site.strings.select("string", "mppt_input"), on="string")
        .group_by("mppt_input")
        .agg(pl.col("current_class").first(), pl.col("string").n_unique().alias("n"))
    )
    counts: dict[tuple[str, int], int] = {}
    for current, strings in per_input.select("current_class", "n").iter_rows():
        counts[current, strings] = counts.get((current, strings), 0) + 1
    return counts


@pytest.mark.parametrize("mode", ["plan", "arrival", "sorted"])
def test_a_park_waiting_for_its_third_class_gets_whole_inputs(mode: Mode) -> None:
    """Of 1944 and 1691 modules, 37 and 32 inputs of 2 x 26 become whole, and one gets a half."""
    site, stock = _site(96, per_input=2, modules=26), _stock(seed=41, H=1944, L=1691)
    plan = allocate(site, stock=stock, mode=mode)
    assert _inputs_by_class(site, plan, stock) == {("H", 2): 37, ("L", 2): 32, ("L", 1): 1}
    assert (plan.strings_planned, plan.strings_on_whole_inputs, plan.inputs_in_part) == (
        139,
        138,
        1,
    )
    (finding,) = _in_part(plan)
    assert finding.verdict is Verdict.REVIEW
    assert "1 of 2 strings" in finding.message
    assert "need 26 modules of the same class, 1 is left" in finding.message
    assert finding.remedy == "Get 25 modules of north 550 W L for this input."


@pytest.mark.parametrize("mode", ["plan", "arrival"])
def test_spares_wished_are_kept_before_an_input_is_begun_in_part(mode: Mode) -> None:
    """Of 20 and 27 modules left, 22 spares leave no 26 of one class; 21 spares still do."""
    stock = _stock(seed=42, H=1944, L=1691)
    kept = allocate(_site(96, per_input=2, modules=26, wished=22), stock=stock, mode=mode)
    assert (kept.strings_planned, kept.inputs_in_part, kept.spares.height) == (138, 0, 22)
    assert not _in_part(kept)
    assert kept.unplanned["reason"].str.contains("kept as spares").all()
    fits = allocate(_site(96, per_input=2, modules=26, wished=21), stock=stock, mode=mode)
    assert (fits.strings_planned, fits.inputs_in_part, fits.spares.height) == (139, 1, 21)


def test_a_whole_input_goes_before_more_strings_on_a_part_of_another() -> None:
    """Thirty modules make one input of 2 x 15 whole, or three of four strings of 10: not these."""
    rows = [StringRow(name=f"A{n}", modules=10, mppt_input="IA") for n in range(4)]
    rows += [StringRow(name=f"B{n}", modules=15, mppt_input="IB") for n in range(2)]
    plan = allocate(make_site(strings_frame(rows)), stock=_stock(seed=43, H=30))
    assert plan.assignments["string"].unique().sort().to_list() == ["B0", "B1"]


def test_what_a_whole_input_costs_in_strings_is_said() -> None:
    """Where order of arrival fills more strings on parts of inputs, the sentence says so."""
    rows = [StringRow(name="A", modules=15, mppt_input="I0")]
    rows += [StringRow(name=f"B{n}", modules=15, mppt_input="I1") for n in range(2)]
    rows += [StringRow(name=f"C{n:02d}", modules=3, mppt_input="I2") for n in range(11)]
    both = compare(make_site(strings_frame(rows)), stock=_stock(seed=44, M=30, H=15))
    assert (both.arrival.strings_planned, both.plan.strings_planned) == (7, 3)
    assert (both.arrival.inputs_in_part, both.plan.inputs_in_part) == (2, 0)
    assert (
        "the plan puts 2 more strings on whole inputs, completes 4 fewer strings in all"
        in both.sentence
    )


def _first_places(
    stock: pl.DataFrame, pallet: str, strings: list[str], modules: int
) -> pl.DataFrame:
    """Give strings built from a pallet, module after module."""
    held = stock.filter(pallet=pallet).head(len(strings) * modules)
    return held.with_columns(
        string=pl.Series([name for name in strings for _ in range(modules)]),
        place_in_string=pl.Series(list(range(1, modules + 1)) * len(strings)),
    )


@pytest.mark.parametrize("mode", ["plan", "arrival"])
def test_an_input_built_in_part_is_made_whole_before_another_is_begun(mode: Mode) -> None:
    """One string left: it goes to the half-built input, though others come first."""
    site = _site(3, per_input=2, modules=10)
    stock = _stock(seed=45, H=20)
    plan = allocate(site, stock=stock, mode=mode, frozen=_first_places(stock, "H00", ["S004"], 10))
    assert plan.assignments["string"].unique().to_list() == ["S005"]
    assert (plan.strings_on_whole_inputs, plan.inputs_in_part) == (2, 0)


def test_two_half_built_inputs_go_before_one_new_whole_input() -> None:
    """Built strings count: two strings make two begun inputs whole rather than a new one."""
    stock = _stock(seed=46, H=31, L=31)
    frozen = _first_places(stock, "H00", ["S002", "S004"], 10)
    rest = stock.filter(pl.col("current_class") == "H")
    more = make_stock([Pallet(name="X", size=10, arrival=9)], seed=47)
    plan = allocate(_site(3, per_input=2, modules=10), stock=pl.concat([rest, more]), frozen=frozen)
    assert plan.assignments["string"].unique().sort().to_list() == ["S003", "S005"]


@pytest.mark.parametrize("mode", ["plan", "arrival"])
def test_a_begun_input_gets_a_string_before_spares_are_kept(mode: Mode) -> None:
    """Nothing new is bound by a second of three strings, so the spare wish comes after it."""
    stock = _stock(seed=48, H=25)
    frozen = _first_places(stock, "H00", ["S000"], 10)
    site = _site(2, per_input=3, modules=10, wished=10)
    plan = allocate(site, stock=stock, mode=mode, frozen=frozen)
    assert plan.assignments["string"].unique().to_list() == ["S001"]
    assert plan.spares.height == 5
    (finding,) = _in_part(plan)
    assert "2 of 3 strings on input I00 are planned or built" in finding.message
    assert "none is left and 5 kept as spares" in finding.message
    assert finding.remedy == (
        "Get 10 modules of north 550 W H for this input, or build in spares kept of this class."
    )


@pytest.mark.parametrize(("inputs", "findings"), [(3, 3), (4, 1), (7, 1)])
def test_many_inputs_in_part_of_a_class_are_told_together(inputs: int, findings: int) -> None:
    """Up to three inputs of a class are told one by one; more are one finding with the numbers."""
    stock = make_stock([Pallet(name="P", size=8 * inputs + 5, arrival=0)], seed=49)
    frozen = _first_places(stock, "P", [f"S{2 * n:03d}" for n in range(inputs)], 8)
    plan = allocate(_site(inputs + 1, per_input=2, modules=8), stock=stock, frozen=frozen)
    told = _in_part(plan)
    assert plan.strings_planned == 0
    assert plan.inputs_in_part == inputs
    assert len(told) == findings
    missing = 8 * inputs - 5
    assert f"Get {missing} modules of north 550 W H for the {inputs} inputs" in told[0].remedy
    assert sum(finding.limit or 0.0 for finding in told) == 8 * inputs
    if findings == 1:
        assert f"{inputs} inputs stay in part with north 550 W H" in told[0].message
        assert f"{inputs} of their {2 * inputs} strings" in told[0].message
        assert "The first of them are I00, I01, I02." in told[0].message
