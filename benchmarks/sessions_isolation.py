"""Finding the module by opening connectors: how many openings, with noise the method leaves out."""

from __future__ import annotations

import numpy as np
from scipy import stats

from arraywright.arrays import FloatArray
from arraywright.commissioning.isolation import (
    begin_isolation,
    found_module,
    next_opening,
    observe,
)
from benchmarks._session_plant import STC, carried, voc_of
from benchmarks.common import BenchRow, timed

__all__ = ["run"]

OPENINGS_MARGIN = 0.5
RIGHT_TARGET = 0.97
_CAUSES = {
    "bypass-diode-shorted": 0.72,
    "substring-open": 0.12,
    "module-missing": 0.02,
    "shade-or-soiling": 0.04,
    "none": 0.1,
}


def _volts(
    rng: np.random.Generator, *, dark: FloatArray, along_k: float, light_w_m2: float
) -> FloatArray:
    """Voc of modules: warmer towards one end, heavy-tailed scatter, light of the moment."""
    count = len(dark)
    scatter = stats.t.rvs(5.0, size=count, random_state=rng) * np.sqrt(3.0 / 5.0)
    temp = 45.0 + along_k * (np.arange(count) / count - 0.5) + 0.7 * scatter
    photo, saturation, _, shunt, a = carried(np.full(count, light_w_m2), temp)
    return voc_of(photo, saturation * dark, shunt, a)


def _one(rng: np.random.Generator, *, modules: int, lost: float) -> tuple[int, bool]:
    """Look for a fault put into a drawn string; give openings and whether it was found."""
    dark = np.exp(0.1 * rng.standard_normal(modules))
    flashed = STC["a_ref"] * np.log1p(STC["I_L_ref"] / (STC["I_o_ref"] * dark))
    module_v = 0.93 * flashed * (1.0 + 0.001 * rng.standard_normal(modules))
    place, along_k = int(rng.integers(modules)), float(rng.normal(0.0, 1.0))
    state = begin_isolation(module_v, causes=_CAUSES, bypass_substrings=3)
    while state.openings < 3 * modules:
        wanted = next_opening(state)
        if wanted is None:
            break
        light = float(rng.uniform(650.0, 950.0))
        now = _volts(rng, dark=dark, along_k=along_k, light_w_m2=light)
        now[place] *= 1.0 - lost
        # the tester carries the expected values to the light and temperature read, both in error
        carry = module_v.sum() / _volts(rng, dark=dark, along_k=0.0, light_w_m2=light).sum()
        now *= carry * (1.0 + 0.003 * rng.standard_normal())
        at = wanted.after_module
        first, rest = (
            round(float(part.sum() * (1.0 + 0.0004 * rng.standard_normal())), 1)
            for part in (now[:at], now[at:])
        )
        state = observe(state, after_module=at, first_v=first, rest_v=rest)
    return state.openings, found_module(state) == place + 1


def run(*, quick: bool) -> list[BenchRow]:
    """Measure openings for strings of several lengths; quick draws fewer."""
    trials = 30 if quick else 400
    rows = []
    for modules in (14, 20, 28, 36):
        rng = np.random.default_rng(modules)
        seconds, held = timed(
            lambda modules=modules, rng=rng: [  # type: ignore[misc]
                _one(rng, modules=modules, lost=1.0 / 3.0) for _ in range(trials)
            ]
        )
        mean = float(np.mean([one[0] for one in held]))
        right = float(np.mean([one[1] for one in held]))
        limit = float(np.log2(modules)) + OPENINGS_MARGIN
        rows.append(
            BenchRow(
                name=f"openings to find one shorted diode in {modules} modules, {trials} strings; "
                f"the right module in {right:.3f}",
                figure=mean,
                unit="openings",
                seconds=seconds / trials,
                reference_name=f"log2({modules}) = {np.log2(modules):.2f}; opening one by one "
                f"{(modules - 1) / 2:.1f}",
                target=f"at most {limit:.2f}, right in {RIGHT_TARGET:g}",
                met=mean <= limit and right >= RIGHT_TARGET,
            )
        )
    return rows
