"""Finding the module by opening connectors: how many openings, with noise the method leaves out."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Final

import numpy as np
from scipy import stats

from arraywright.arrays import FloatArray
from arraywright.commissioning.isolation import (
    begin_isolation,
    found_module,
    next_opening,
    observe,
)
from arraywright.procedures.openings import Opening, with_openings
from benchmarks._session_plant import STC, carried, voc_of
from benchmarks.common import BenchRow, timed

__all__ = ["run"]

_AT: Final = datetime(2026, 6, 18, 12, tzinfo=UTC)
_WAYS: Final = {
    "carried": "values carried to the light of the moment",
    "whole": "the whole string read just before",
    "parts": "nothing but the parts read, at any light",
}
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


def _read(rng: np.random.Generator, part: FloatArray) -> float:
    return round(float(part.sum() * (1.0 + 0.0004 * rng.standard_normal())), 1)


def _one(
    rng: np.random.Generator, *, modules: int, lost: float, way: str = "carried"
) -> tuple[int, bool]:
    """Look for a fault put into a drawn string; give openings and whether it was found.

    Ways: ``carried``, the tester carries the expected values to light and temperature; ``whole``,
    the whole string is read just before each opening; ``parts``, nothing but the parts is read.
    """
    dark = np.exp(0.1 * rng.standard_normal(modules))
    flashed = STC["a_ref"] * np.log1p(STC["I_L_ref"] / (STC["I_o_ref"] * dark))
    module_v = 0.93 * flashed * (1.0 + 0.001 * rng.standard_normal(modules))
    place, along_k = int(rng.integers(modules)), float(rng.normal(0.0, 1.0))
    begun = begin_isolation(module_v, causes=_CAUSES, bypass_substrings=3)
    openings: list[Opening] = []

    def moment() -> tuple[FloatArray, float]:
        """Volts of the modules at some light, and what carries them to that of the reading."""
        light = float(rng.uniform(650.0, 950.0))
        now = _volts(rng, dark=dark, along_k=along_k, light_w_m2=light)
        now[place] *= 1.0 - lost
        sound = _volts(rng, dark=dark, along_k=0.0, light_w_m2=light).sum()
        return now, float(module_v.sum() / sound * (1.0 + 0.003 * rng.standard_normal()))

    first_seen, carry = moment()
    read_v = _read(rng, first_seen * carry)
    state = begun
    while len(openings) < 3 * modules:
        wanted = next_opening(state)
        if wanted is None:
            break
        now, carry = moment()
        at = wanted.after_module
        if way == "carried":
            now = now * carry
        one = Opening(
            uuid="",
            person="",
            at=_AT,
            reading_at="",
            after_module=at,
            first_v=_read(rng, now[:at]),
            rest_v=_read(rng, now[at:]),
            whole_v=_read(rng, now) if way == "whole" else None,
        )
        openings.append(one)
        if way == "carried":
            state = observe(state, after_module=at, first_v=one.first_v, rest_v=one.rest_v)
        else:
            state, _ = with_openings(begun, openings, read_v=read_v)
    return len(openings), found_module(state) == place + 1


def run(*, quick: bool) -> list[BenchRow]:
    """Measure openings for strings of several lengths; quick draws fewer."""
    trials = 30 if quick else 400
    rows = []
    for modules, way in (
        *((modules, "carried") for modules in (14, 20, 28, 36)),
        *((28, way) for way in ("whole", "parts")),
    ):
        rng = np.random.default_rng(modules)
        seconds, held = timed(
            lambda modules=modules, way=way, rng=rng: [  # type: ignore[misc]
                _one(rng, modules=modules, lost=1.0 / 3.0, way=way) for _ in range(trials)
            ]
        )
        mean = float(np.mean([one[0] for one in held]))
        right = float(np.mean([one[1] for one in held]))
        limit = float(np.log2(modules)) + OPENINGS_MARGIN
        rows.append(
            BenchRow(
                name=f"openings to find one shorted diode in {modules} modules, {_WAYS[way]}, "
                f"{trials} strings; the right module in {right:.3f}",
                figure=mean,
                unit="openings",
                seconds=seconds / trials,
                reference_name=f"log2({modules}) = {np.log2(modules):.2f}; opening one by one "
                f"{(modules - 1) / 2:.1f}",
                # among thirty strings one wrong is too many to judge by
                target="" if quick else f"at most {limit:.2f}, right in {RIGHT_TARGET:g}",
                met=quick or (mean <= limit and right >= RIGHT_TARGET),
            )
        )
    return rows
