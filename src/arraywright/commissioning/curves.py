"""Verdicts on I-V curves of strings."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import FloatArray, IntArray, offsets_from_lengths
from arraywright.commissioning.conditions import conditions_of
from arraywright.commissioning.curve_causes import CurveCauses, CurvePriors, curve_causes, has_step
from arraywright.commissioning.curve_reporting import (
    LIKELY_RATIO,
    CurveVerdicts,
    curve_findings,
    curve_frame,
)
from arraywright.commissioning.curve_sweeps import HYSTERESIS_MAX_RATIO, sweep_hysteresis
from arraywright.commissioning.curve_translation import CurvesAtStc, curves_at_stc
from arraywright.commissioning.expected import Assumptions
from arraywright.commissioning.frames import checked_now, shaped
from arraywright.commissioning.gates import Gate
from arraywright.commissioning.standard import (
    FAIL,
    NOT_ASSESSABLE,
    PASS,
    REVIEW,
    insulation_limits,
)
from arraywright.commissioning.string_modules import StringModules, aligned_modules
from arraywright.commissioning.tables import IV_POINTS
from arraywright.findings import Finding
from arraywright.physics.iv_curve import measured_key_points
from arraywright.plant import Site

__all__ = ["CurveResult", "judge_curves"]

_EARLIEST: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_NOISE_MAX_RATIO: Final = 0.02
_RESISTANCE_EXCESS_RATIO: Final = 1.0
_COVERAGE: Final = 2.0
_SIGNIFICANT: Final = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveResult:
    """Verdicts on I-V curves.

    Attributes:
        curves: one row per curve, in order of string and time: conditions, key points as measured
            and at STC (``_stc_``) with standard uncertainties (``_u_``), Pmax at STC by
            procedure 2 against the sum of the modules' Pmax less predicted mismatch, Pmax by
            procedures 1 and 4 (``pmax_stc_1_w``, ``pmax_stc_4_w``), fill factor, series
            resistance, deepest step, single-diode parameters at the condition of the measurement
            (``fit_``), probability of each departure (``p_``), ``verdict``, ``counts`` (newest
            valid curve of its string), ``cause``, ``check_next``, ``reasons``, ``caution``.
        points: one row per point with ``curve`` (row of its curve) and voltage and current at STC
            for plotting, missing where the curve is not assessable.
        findings: one per curve.
        method: how it was judged, in words.
    """

    curves: pl.DataFrame
    points: pl.DataFrame
    findings: tuple[Finding, ...]
    method: str = (
        "IEC 60891:2021 procedure 2 to 1000 W/m2 and 25 degC, with series resistance and "
        "irradiance factor of the module type from its data sheet; procedures 1 and 4 beside it, "
        "the latter with the series resistance of the curve's own fit; key points after ASTM "
        "E1036; a curve fails when its Pmax lies below the tolerance by more than twice its "
        "standard uncertainty. Departures of the shape (step, low current, low voltage, series "
        "resistance, shunt, knee) carry probabilities that rest on assumed shares of faulty "
        "strings; from 90 % a curve is reviewed."
    )


def judge_curves(
    site: Site,
    *,
    points: pl.DataFrame,
    instruments: pl.DataFrame,
    modules: StringModules,
    now_utc: dt.datetime,
    not_before_utc: dt.datetime | None = None,
    assumptions: Assumptions | None = None,
    priors: CurvePriors | None = None,
) -> CurveResult:
    """Judge I-V curves of strings by their Pmax [W] at STC and by their shape.

    The conditions a short-circuit current needs are asked of a curve too; its irradiance and
    temperature are the means over its points, and the irradiance must not move over the sweep by
    more than the site allows. A curve outside them, one whose maximum is not covered, one whose
    power scatters by more than 2 % about its maximum, or one whose rising and falling sweeps
    differ by more than 1 % in maximum power (``point_s`` given), is not assessable.

    Verdict: fail when Pmax at STC lies below the sum of the modules' Pmax (less the predicted
    mismatch) by more than the tolerance and twice the standard uncertainty of the difference;
    review when it lies outside the tolerance or three standard uncertainties, when the curve has
    a step, when its series resistance is more than twice that of the type, or when a departure of
    its shape is at least 90 % likely; pass otherwise.

    Args:
        site: the site.
        points: frame of ``IV_POINTS``.
        instruments: frame of ``INSTRUMENTS``.
        modules: the modules of every string of the site.
        now_utc: the present moment.
        not_before_utc: moment before which no curve can have been taken.
        assumptions: uncertainties that no table states.
        priors: shares of strings with each departure, before a curve is seen.

    Raises:
        CallError: a column, a string's modules or a module type is missing, or a time has no zone.

    Source: iec-60891 procedures 1, 2 and 4; astm-e1036; iec-62446-1 7.2; jcgm-100 5.1.2
    """
    own = aligned_modules(site, modules)
    flat, heads = _gathered(points)
    offsets = offsets_from_lengths(heads["points"].to_numpy().astype(np.int64))
    voltage, current, time = (
        flat[name].fill_null(float("nan")).to_numpy().astype(np.float64)
        for name in ("voltage_v", "current_a", "point_s")
    )
    measured = measured_key_points(voltage, current, offsets=offsets)
    able = np.isfinite(measured.pmp_w)
    conditions = conditions_of(
        site,
        heads.with_columns(isc_a=pl.Series(np.where(able, 1.0, np.nan), dtype=pl.Float64)),
        instruments=instruments,
        limits=insulation_limits(own.voc_sum_v()),
        now_s=checked_now(now_utc, "now_utc"),
        earliest_s=checked_now(not_before_utc or _EARLIEST, "not_before_utc"),
    )
    hysteresis = sweep_hysteresis(voltage, current, time_s=time, offsets=offsets)
    moved = heads["moved_ratio"].fill_null(0.0).to_numpy()
    mask = conditions.masks["isc"]
    for gate, holds in (
        (Gate.IRRADIANCE_MOVING, moved > site.commissioning.irradiance_change_ratio),
        (Gate.CURVE_NOISY, measured.residual_ratio > _NOISE_MAX_RATIO),
        (Gate.CURVE_HYSTERESIS, np.abs(hysteresis) > HYSTERESIS_MAX_RATIO),
    ):
        mask = mask | np.where(holds, np.int64(gate.value), np.int64(0))
    at_stc = curves_at_stc(
        site,
        own,
        conditions=conditions,
        measured=measured,
        voltage_v=voltage,
        current_a=current,
        offsets=offsets,
        usable=mask == 0,
        assumptions=assumptions or Assumptions(),
    )
    causes = curve_causes(
        at_stc,
        irradiance_w_m2=conditions.irradiance_w_m2,
        cell_temp_c=conditions.cell.cell_temp_c,
        substrings=_substrings(site, own)[conditions.string_index],
        priors=priors,
    )
    curves = curve_frame(
        site,
        heads=heads,
        conditions=conditions,
        measured=measured,
        at_stc=at_stc,
        verdicts=_verdicts(site, mask=mask, at_stc=at_stc, causes=causes, hysteresis=hysteresis),
        causes=causes,
    )
    located = flat.with_columns(
        curve=pl.Series(np.repeat(np.arange(len(heads)), np.diff(offsets)), dtype=pl.Int64),
        voltage_stc_v=pl.Series(at_stc.voltage_v, dtype=pl.Float64).fill_nan(None),
        current_stc_a=pl.Series(at_stc.current_a, dtype=pl.Float64).fill_nan(None),
    )
    return CurveResult(curves=curves, points=located, findings=curve_findings(site, curves))


def _gathered(points: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Points in order of string, moment and voltage, and one row per curve."""
    flat = shaped(points, IV_POINTS).sort(
        [column.name for column in IV_POINTS.columns], nulls_last=True
    )
    g = pl.col("irradiance_w_m2")
    heads = flat.group_by(["string", "measured_at"], maintain_order=True).agg(
        g.mean(),
        pl.col("module_temp_c").mean(),
        pl.col("meter", "irradiance_sensor", "thermometer").drop_nulls().first(),
        pl.col("source_file", "source_row").first(),
        moved_ratio=pl.when(g.max() > 0).then((g.max() - g.min()) / g.max()),
        points=pl.len(),
    )
    return flat, heads


def _substrings(site: Site, own: StringModules) -> FloatArray:
    """Sub-strings with a bypass diode in each string, NaN for a string the site has not."""
    of_type = {key: one.bypass_substrings for key, one in site.module_types.items()}
    each = own.module_type.replace_strict(of_type, return_dtype=pl.Float64).to_numpy()
    return np.append(each * own.lengths, np.nan)


def _verdicts(
    site: Site,
    *,
    mask: IntArray,
    at_stc: CurvesAtStc,
    causes: CurveCauses,
    hysteresis: FloatArray,
) -> CurveVerdicts:
    """Verdict numbers, deviation, its u, and whether step and resistance call for review."""
    pmax = at_stc.key_points.pmp_w
    deviation = pmax / at_stc.expected_w - 1.0
    u = np.hypot(at_stc.pmax_u_w / pmax, at_stc.expected_u_w / at_stc.expected_w)
    tolerance = site.commissioning.tolerance_ratio
    stepped = has_step(at_stc.steps)
    resistive = (
        at_stc.series_resistance_ohm / at_stc.nominal.rs_ohm - 1.0 > _RESISTANCE_EXCESS_RATIO
    )
    outside = (np.abs(deviation) > tolerance) | (np.abs(deviation) > _SIGNIFICANT * u)
    shaped_wrong = np.any(np.nan_to_num(causes.probability, nan=0.0) >= LIKELY_RATIO, axis=1)
    verdict = np.select(
        [
            (mask != 0) | ~np.isfinite(deviation) | ~np.isfinite(u),
            deviation < -(tolerance + _COVERAGE * u),
            outside | stepped | resistive | shaped_wrong,
        ],
        [NOT_ASSESSABLE, FAIL, REVIEW],
        PASS,
    ).astype(np.int64)
    return CurveVerdicts(
        mask=mask,
        verdict=verdict,
        deviation_ratio=deviation,
        deviation_u_ratio=u,
        stepped=stepped,
        resistive=resistive,
        hysteresis_ratio=hysteresis,
    )
