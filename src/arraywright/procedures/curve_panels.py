"""I-V curves to be drawn: measured at STC beside what the string's own modules should give."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import polars as pl

from arraywright.commissioning import string_modules
from arraywright.commissioning.expected import type_template
from arraywright.dossier.curve_plots import CurvePanel
from arraywright.dossier.words import local_time, number, percent
from arraywright.physics import fit_flash
from arraywright.physics.strings import StringCurve, string_curve
from arraywright.plant import Site
from arraywright.procedures.placed import only_strings

__all__ = ["curve_panels"]

_CURVES_DRAWN: Final = 24
_GRAVITY: Final = {"fail": 0, "review": 1, "pass": 2}


def _expected_curves(
    site: Site, placed: pl.DataFrame, strings: list[str]
) -> dict[str, StringCurve]:
    """Give the curve at STC of each string from its own modules, by name."""
    modules = string_modules(only_strings(site, strings), placed=placed if placed.height else None)
    out: dict[str, StringCurve] = {}
    for place, name in enumerate(modules.strings.to_list()):
        own = modules.take(np.array([place], dtype=np.int64))
        module_type = site.module_types[own.module_type[0]]
        fit = fit_flash(
            type_template(module_type),
            isc_a=own.isc_a,
            voc_v=own.voc_v,
            imp_a=own.imp_a,
            vmp_v=own.vmp_v,
        )
        out[name] = string_curve(
            fit.reference.at_reference(),
            offsets=own.offsets,
            bypass_substrings=module_type.bypass_substrings,
        )
    return out


def _relative_u(row: dict[str, Any], quantity: str, *, unit: str) -> float:
    """Give the relative standard uncertainty of measured against expected; zero if not known."""
    total = 0.0
    for kind in ("stc", "expected"):
        value = row.get(f"{quantity}_{kind}_{unit}")
        spread = row.get(f"{quantity}_{kind}_u_{unit}")
        if value and spread:
            total += (spread / value) ** 2
    return float(total**0.5)


def curve_panels(
    site: Site, *, curves: pl.DataFrame, points: pl.DataFrame, placed: pl.DataFrame
) -> tuple[CurvePanel, ...]:
    """Give the curves to be drawn, gravest first; those that cannot be assessed are left out.

    Args:
        site: the site.
        curves: judged curves, frame ``curves`` of a verdict.
        points: their points, frame ``curve_points``.
        placed: which module sits where, frame ``placed``.
    """
    if curves.is_empty():
        return ()
    drawable = (
        curves.filter(pl.col("verdict") != "not_assessable")
        .sort(pl.col("verdict").replace_strict(_GRAVITY, default=0), maintain_order=True)
        .head(_CURVES_DRAWN)
    )
    expected = _expected_curves(site, placed, drawable["string"].to_list())
    panels = []
    for row in drawable.iter_rows(named=True):
        own = points.filter(pl.col("curve") == row["curve"]).drop_nulls(
            ["voltage_stc_v", "current_stc_a"]
        )
        held = expected.get(row["string"])
        if own.is_empty() or held is None:
            continue
        panels.append(
            CurvePanel(
                title=f"{row['string']}, {local_time(row['measured_at'], site.time_zone)[:16]}",
                voltage_v=own["voltage_stc_v"].to_numpy().astype(np.float64),
                current_a=own["current_stc_a"].to_numpy().astype(np.float64),
                expected_voltage_v=held.voltage_v[0],
                expected_current_a=held.current_a[0],
                verdict=str(row["verdict"]),
                note=f"Pmax {number(row['pmax_stc_w'], 0)} W, "
                f"{percent(row['deviation_ratio'], 1)} from its modules, "
                f"u {percent(row['deviation_u_ratio'], 1).removeprefix('+')}",
                current_u_ratio=_relative_u(row, "isc", unit="a"),
                voltage_u_ratio=_relative_u(row, "voc", unit="v"),
            )
        )
    return tuple(panels)
