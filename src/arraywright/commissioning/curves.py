"""Verdicts on I-V curves of strings."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray, offsets_from_lengths
from arraywright.commissioning.causes import CAUTION
from arraywright.commissioning.choice import verdict_words
from arraywright.commissioning.conditions import Conditions, conditions_of
from arraywright.commissioning.curve_translation import CurvesAtStc, curves_at_stc
from arraywright.commissioning.expected import Assumptions
from arraywright.commissioning.frames import checked_now, shaped
from arraywright.commissioning.gates import (
    GATE_REMEDIES,
    GATE_WORDS,
    Gate,
    texts_of_masks,
)
from arraywright.commissioning.standard import (
    FAIL,
    NOT_ASSESSABLE,
    PASS,
    REVIEW,
    insulation_limits,
)
from arraywright.commissioning.string_modules import StringModules, aligned_modules
from arraywright.commissioning.tables import IV_POINTS
from arraywright.findings import Finding, Verdict
from arraywright.physics.iv_curve import CurveGate, MeasuredKeyPoints, measured_key_points
from arraywright.plant import Site

__all__ = ["CurveResult", "judge_curves"]

_EARLIEST: Final = dt.datetime(2000, 1, 1, tzinfo=dt.UTC)
_STEP_LEAST_RATIO: Final = 0.008
_STEP_NOISE_FACTOR: Final = 7.0
_RESISTANCE_EXCESS_RATIO: Final = 1.0
_COVERAGE: Final = 2.0
_SIGNIFICANT: Final = 3.0
_CURVE_WORDS: Final = {
    CurveGate.TOO_FEW_POINTS: "the curve has too few points",
    CurveGate.NO_POWER: "the curve delivers no power (check the signs of its columns)",
    CurveGate.NOT_MONOTONE: "the current rises with voltage, so light or contact changed",
    CurveGate.DOES_NOT_REACH_ZERO_VOLTAGE: "the curve does not reach short circuit",
    CurveGate.DOES_NOT_REACH_ZERO_CURRENT: "the curve does not reach open circuit",
    CurveGate.MAXIMUM_NOT_COVERED: "the curve does not cover its maximum power",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveResult:
    """Verdicts on I-V curves.

    Attributes:
        curves: one row per curve, in order of string and time: conditions, key points as measured
            and at STC (``_stc_``), Pmax at STC with its standard uncertainty against the sum of
            the modules' Pmax less predicted mismatch, fill factor, series resistance, deepest
            step, ``verdict``, ``counts`` (newest valid curve of its string), ``reasons``,
            ``caution``.
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
        "irradiance factor of the module type from its data sheet; key points after ASTM E1036; "
        "a curve fails when its Pmax lies below the tolerance by more than twice its standard "
        "uncertainty."
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
) -> CurveResult:
    """Judge I-V curves of strings by their Pmax [W] at STC, fill factor, resistance and steps.

    The conditions a short-circuit current needs are asked of a curve too; its irradiance and
    temperature are the means over its points, and the irradiance must not move over the sweep by
    more than the site allows. A curve outside them, or one whose maximum is not covered, is not
    assessable.

    Verdict: fail when Pmax at STC lies below the sum of the modules' Pmax (less the predicted
    mismatch) by more than the tolerance and twice the standard uncertainty of the difference;
    review when it lies outside the tolerance or three standard uncertainties, when the curve has
    a step, or when its series resistance is more than twice that of the type; pass otherwise.

    Args:
        site: the site.
        points: frame of ``IV_POINTS``.
        instruments: frame of ``INSTRUMENTS``.
        modules: the modules of every string of the site.
        now_utc: the present moment.
        not_before_utc: moment before which no curve can have been taken.
        assumptions: uncertainties that no table states.

    Raises:
        CallError: a column, a string's modules or a module type is missing, or a time has no zone.

    Source: iec-60891 procedure 2, astm-e1036, iec-62446-1 7.2, jcgm-100 5.1.2
    """
    own = aligned_modules(site, modules)
    flat, heads = _gathered(points)
    offsets = offsets_from_lengths(heads["points"].to_numpy().astype(np.int64))
    voltage, current = (
        flat[name].fill_null(float("nan")).to_numpy().astype(np.float64)
        for name in ("voltage_v", "current_a")
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
    moved = heads["moved_ratio"].fill_null(0.0).to_numpy()
    moving = moved > site.commissioning.irradiance_change_ratio
    mask = conditions.masks["isc"] | np.where(moving, Gate.IRRADIANCE_MOVING.value, 0)
    at_stc = curves_at_stc(
        site,
        own,
        conditions=conditions,
        voltage_v=voltage,
        current_a=current,
        offsets=offsets,
        usable=mask == 0,
        assumptions=assumptions or Assumptions(),
    )
    curves = _frame(
        site,
        heads=heads,
        conditions=conditions,
        mask=mask,
        measured=measured,
        at_stc=at_stc,
    )
    located = flat.with_columns(
        curve=pl.Series(np.repeat(np.arange(len(heads)), np.diff(offsets)), dtype=pl.Int64),
        voltage_stc_v=pl.Series(at_stc.voltage_v, dtype=pl.Float64).fill_nan(None),
        current_stc_a=pl.Series(at_stc.current_a, dtype=pl.Float64).fill_nan(None),
    )
    return CurveResult(curves=curves, points=located, findings=_findings(site, curves))


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


def _verdicts(
    site: Site, *, mask: IntArray, at_stc: CurvesAtStc
) -> tuple[IntArray, FloatArray, FloatArray, BoolArray, BoolArray]:
    """Verdict numbers, deviation, its u, and whether step and resistance call for review."""
    pmax = at_stc.key_points.pmp_w
    deviation = pmax / at_stc.expected_w - 1.0
    u = np.hypot(at_stc.pmax_u_w / pmax, at_stc.expected_u_w / at_stc.expected_w)
    tolerance = site.commissioning.tolerance_ratio
    noise = np.nan_to_num(at_stc.steps.noise_ratio, nan=0.0)
    stepped = at_stc.steps.depth_ratio > np.maximum(_STEP_LEAST_RATIO, _STEP_NOISE_FACTOR * noise)
    excess = at_stc.series_resistance_ohm / at_stc.type_resistance_ohm - 1.0
    resistive = excess > _RESISTANCE_EXCESS_RATIO
    outside = (np.abs(deviation) > tolerance) | (np.abs(deviation) > _SIGNIFICANT * u)
    verdict = np.select(
        [
            (mask != 0) | ~np.isfinite(deviation),
            deviation < -(tolerance + _COVERAGE * u),
            outside | stepped | resistive,
        ],
        [NOT_ASSESSABLE, FAIL, REVIEW],
        PASS,
    ).astype(np.int64)
    return verdict, deviation, u, stepped, resistive


def _column(values: FloatArray) -> pl.Series:
    """Give an array as a column, missing where NaN or infinite."""
    return pl.Series("value", np.where(np.isfinite(values), values, np.nan)).fill_nan(None)


def _frame(
    site: Site,
    *,
    heads: pl.DataFrame,
    conditions: Conditions,
    mask: IntArray,
    measured: MeasuredKeyPoints,
    at_stc: CurvesAtStc,
) -> pl.DataFrame:
    """One row per curve, as described at ``CurveResult``."""
    verdict, deviation, u, stepped, resistive = _verdicts(site, mask=mask, at_stc=at_stc)
    stc = at_stc.key_points
    counts = np.zeros(len(heads), dtype=np.bool_)
    valid = np.flatnonzero(verdict != NOT_ASSESSABLE)
    valid = valid[np.argsort(conditions.time_s[valid], kind="stable")]
    newest = np.full(len(site.strings), -1, dtype=np.int64)
    newest[conditions.string_index[valid]] = valid
    counts[newest[newest >= 0]] = True
    frame = pl.DataFrame(
        {
            "curve": np.arange(len(heads), dtype=np.int64),
            "string": heads["string"],
            "measured_at": heads["measured_at"],
            "points": heads["points"].cast(pl.Int64),
            "verdict": verdict_words(verdict),
            "counts": counts,
            "irradiance_w_m2": _column(conditions.irradiance_w_m2),
            "cell_temp_c": _column(conditions.cell.cell_temp_c),
            "isc_a": _column(measured.isc_a),
            "voc_v": _column(measured.voc_v),
            "imp_a": _column(measured.imp_a),
            "vmp_v": _column(measured.vmp_v),
            "pmax_w": _column(measured.pmp_w),
            "fill_factor_ratio": _column(measured.fill_factor_ratio),
            "isc_stc_a": _column(stc.isc_a),
            "voc_stc_v": _column(stc.voc_v),
            "imp_stc_a": _column(stc.imp_a),
            "vmp_stc_v": _column(stc.vmp_v),
            "pmax_stc_w": _column(stc.pmp_w),
            "pmax_stc_u_w": _column(at_stc.pmax_u_w),
            "fill_factor_stc_ratio": _column(stc.fill_factor_ratio),
            "series_resistance_ohm": _column(at_stc.series_resistance_ohm),
            "type_resistance_ohm": _column(at_stc.type_resistance_ohm),
            "modules_pmax_w": _column(at_stc.module_sum_w),
            "mismatch_ratio": _column(at_stc.mismatch_ratio),
            "expected_pmax_w": _column(at_stc.expected_w),
            "expected_pmax_u_w": _column(at_stc.expected_u_w),
            "deviation_ratio": _column(deviation),
            "deviation_u_ratio": _column(u),
            "step_depth_ratio": _column(at_stc.steps.depth_ratio),
            "step_at_voltage_v": _column(at_stc.steps.at_voltage_v),
            "procedure": pl.Series(
                np.where(verdict == NOT_ASSESSABLE, "", "IEC 60891:2021 procedure 2")
            ),
            "source_file": heads["source_file"],
            "source_row": heads["source_row"],
        }
    )
    return frame.with_columns(
        reasons=_reasons(
            site,
            frame,
            mask=mask,
            gate=measured.gate.astype(np.int64),
            stepped=stepped,
            resistive=resistive,
            far=at_stc.far_from_target,
        ),
        remedy=texts_of_masks(mask, GATE_REMEDIES),
        caution=pl.when(pl.col("verdict").is_in(["fail", "review"]))
        .then(pl.lit(CAUTION))
        .otherwise(pl.lit("")),
    )


def _reasons(
    site: Site,
    frame: pl.DataFrame,
    *,
    mask: IntArray,
    gate: IntArray,
    stepped: BoolArray,
    resistive: BoolArray,
    far: BoolArray,
) -> pl.Series:
    """List of sentences per curve."""
    values = {**GATE_WORDS, Gate.VALUE_MISSING: "its maximum power cannot be read"}
    tolerance = site.commissioning.tolerance_ratio
    unique, inverse = np.unique(gate, return_inverse=True)
    shape = pl.Series(
        "shape",
        [
            "; ".join(words for flag, words in _CURVE_WORDS.items() if number & flag.value)
            for number in unique.tolist()
        ],
        dtype=pl.String,
    ).gather(inverse)
    with_flags = frame.with_columns(
        stop=texts_of_masks(mask, values),
        shape=shape,
        stepped=pl.Series(stepped),
        resistive=pl.Series(resistive),
        far=pl.Series(far),
    )
    deviation, u = pl.col("deviation_ratio"), pl.col("deviation_u_ratio")
    parts = [
        pl.when(pl.col("stop") != "").then(pl.col("stop")),
        pl.when(pl.col("shape") != "").then(pl.col("shape")),
        pl.when((pl.col("stop") == "") & deviation.is_null()).then(
            pl.lit("its maximum power at STC cannot be read")
        ),
        pl.when((deviation.abs() > tolerance) | (deviation.abs() > _SIGNIFICANT * u)).then(
            pl.format(
                "Pmax at STC is {} % off what the modules should give, with a standard "
                "uncertainty of {} %",
                (100 * deviation).round(1),
                (100 * u).round(1),
            )
        ),
        pl.when(pl.col("stepped") & deviation.is_not_null()).then(
            pl.format(
                "the curve has a step {} % deep near {} V (at STC): part of the string gets "
                "or gives less current (shade, soiling, a weaker or broken module, mixed classes)",
                (100 * pl.col("step_depth_ratio")).round(1),
                pl.col("step_at_voltage_v").round(0).cast(pl.Int64),
            )
        ),
        pl.when(pl.col("resistive") & deviation.is_not_null()).then(
            pl.format(
                "its series resistance of {} ohm is more than twice the {} ohm of its type: a "
                "connection or lead is poor or very long",
                pl.col("series_resistance_ohm").round(2),
                pl.col("type_resistance_ohm").round(2),
            )
        ),
        pl.when(pl.col("far")).then(
            pl.lit("the irradiance was more than 30 % from 1000 W/m2, so the translation is far")
        ),
    ]
    return with_flags.select(reasons=pl.concat_list(parts).list.drop_nulls())["reasons"]


def _findings(site: Site, curves: pl.DataFrame) -> tuple[Finding, ...]:
    """Give one finding per curve."""
    limit = 100.0 * site.commissioning.tolerance_ratio
    out: list[Finding] = []
    for row in curves.iter_rows(named=True):
        verdict = Verdict(row["verdict"])
        name = row["string"] or "without name"
        words = "; ".join(row["reasons"])
        value = uncertainty = None
        if verdict is Verdict.NOT_ASSESSABLE:
            message = f"The I-V curve of string {name} cannot be assessed: {words}."
            remedy = row["remedy"] or "Take the curve again from short to open circuit."
        else:
            value, uncertainty = 100.0 * row["deviation_ratio"], 100.0 * row["deviation_u_ratio"]
            tail = f": {words}." if words else "."
            message = (
                f"The I-V curve of string {name} gives {row['pmax_stc_w']:.0f} W at STC, "
                f"{value:+.1f} % from what its modules should give (standard uncertainty "
                f"{uncertainty:.1f} %){tail}"
            )
            remedy = ""
            if verdict is not Verdict.PASS:
                remedy = (
                    "Look at the string for shade, soiling and damage; compare its labels with "
                    f"the plan; take the curve again, then look with thermography. {CAUTION}"
                )
        out.append(
            Finding(
                check="string-curve",
                subject_kind="string",
                subject=str(name),
                verdict=verdict,
                message=message,
                remedy=remedy,
                value=value,
                uncertainty=uncertainty,
                limit=limit if value is not None else None,
                margin=None if value is None else limit - abs(value),
                unit="" if value is None else "%",
                basis="iec-62446-1 7.2",
            )
        )
    return tuple(out)
