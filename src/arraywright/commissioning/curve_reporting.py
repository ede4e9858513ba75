"""I-V curves as a table and as findings, in sentences."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.causes import CAUTION
from arraywright.commissioning.choice import verdict_words
from arraywright.commissioning.conditions import Conditions
from arraywright.commissioning.curve_causes import DEPARTURES, CurveCauses
from arraywright.commissioning.curve_fit import CurveFitStatus
from arraywright.commissioning.curve_translation import CurvesAtStc
from arraywright.commissioning.gates import GATE_REMEDIES, GATE_WORDS, Gate, texts_of_masks
from arraywright.commissioning.standard import NOT_ASSESSABLE
from arraywright.findings import Finding, Verdict
from arraywright.physics.iv_curve import CurveGate, MeasuredKeyPoints
from arraywright.plant import Site

__all__ = ["LIKELY_RATIO", "CurveVerdicts", "curve_findings", "curve_frame"]

LIKELY_RATIO: Final = 0.9
"""Probability of a departure from which a curve is reviewed."""

_NAMED_RATIO: Final = 0.5
_SIGNIFICANT: Final = 3.0
_APART_RATIO: Final = 0.04
"""Difference of the procedures that is told; common practice."""
_CURVE_WORDS: Final = {
    CurveGate.TOO_FEW_POINTS: "the curve has too few points",
    CurveGate.NO_POWER: "the curve delivers no power (check the signs of its columns)",
    CurveGate.NOT_MONOTONE: "the current rises with voltage, so light or contact changed",
    CurveGate.DOES_NOT_REACH_ZERO_VOLTAGE: "the curve does not reach short circuit",
    CurveGate.DOES_NOT_REACH_ZERO_CURRENT: "the curve does not reach open circuit",
    CurveGate.MAXIMUM_NOT_COVERED: "the curve does not cover its maximum power",
}
_FIT_WORDS: Final = {
    CurveFitStatus.FITTED: "one diode",
    CurveFitStatus.NOT_ONE_DIODE: "not one diode",
    CurveFitStatus.NOT_FITTED: "",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveVerdicts:
    """Verdicts on curves with what led to them, all (curves,).

    Attributes:
        mask: gates that stop a curve.
        verdict: verdict numbers of ``standard``.
        deviation_ratio: Pmax at STC over its expectation minus one [1].
        deviation_u_ratio: its standard uncertainty [1].
        stepped: the curve has a step.
        resistive: its series resistance is more than twice that of its type.
        hysteresis_ratio: difference of rising and falling sweep [1], NaN where unknown.
    """

    mask: IntArray
    verdict: IntArray
    deviation_ratio: FloatArray
    deviation_u_ratio: FloatArray
    stepped: BoolArray
    resistive: BoolArray
    hysteresis_ratio: FloatArray


def _column(values: FloatArray) -> pl.Series:
    """Give an array as a column, missing where NaN or infinite."""
    return pl.Series("value", np.where(np.isfinite(values), values, np.nan)).fill_nan(None)


def curve_frame(
    site: Site,
    *,
    heads: pl.DataFrame,
    conditions: Conditions,
    measured: MeasuredKeyPoints,
    at_stc: CurvesAtStc,
    verdicts: CurveVerdicts,
    causes: CurveCauses,
) -> pl.DataFrame:
    """Give one row per curve, as described at ``CurveResult``, the newest valid one counting.

    Args:
        site: the site.
        heads: string, moment and place in its file of each curve.
        conditions: conditions of each curve.
        measured: key points as measured.
        at_stc: curves at STC and their expectation.
        verdicts: the verdicts.
        causes: what the shapes say.
    """
    stc, nominal, fit = at_stc.key_points, at_stc.nominal, at_stc.fit
    counts = np.zeros(len(heads), dtype=np.bool_)
    valid = np.flatnonzero(verdicts.verdict != NOT_ASSESSABLE)
    valid = valid[np.argsort(conditions.time_s[valid], kind="stable")]
    newest = np.full(len(site.strings), -1, dtype=np.int64)
    newest[conditions.string_index[valid]] = valid
    counts[newest[newest >= 0]] = True
    judged = verdicts.verdict != NOT_ASSESSABLE
    frame = pl.DataFrame(
        {
            "curve": np.arange(len(heads), dtype=np.int64),
            "string": heads["string"],
            "measured_at": heads["measured_at"],
            "points": heads["points"].cast(pl.Int64),
            "verdict": verdict_words(verdicts.verdict),
            "counts": counts,
            "irradiance_w_m2": _column(conditions.irradiance_w_m2),
            "cell_temp_c": _column(conditions.cell.cell_temp_c),
            "isc_a": _column(measured.isc_a),
            "voc_v": _column(measured.voc_v),
            "imp_a": _column(measured.imp_a),
            "vmp_v": _column(measured.vmp_v),
            "pmax_w": _column(measured.pmp_w),
            "fill_factor_ratio": _column(measured.fill_factor_ratio),
            "noise_ratio": _column(measured.residual_ratio),
            "hysteresis_ratio": _column(verdicts.hysteresis_ratio),
            "isc_stc_a": _column(stc.isc_a),
            "isc_stc_u_a": _column(at_stc.isc_u_a),
            "isc_expected_a": _column(nominal.isc_a),
            "isc_expected_u_a": _column(at_stc.isc_nominal_u_a),
            "voc_stc_v": _column(stc.voc_v),
            "voc_stc_u_v": _column(at_stc.voc_u_v),
            "voc_expected_v": _column(nominal.voc_v),
            "voc_expected_u_v": _column(at_stc.voc_nominal_u_v),
            "imp_stc_a": _column(stc.imp_a),
            "vmp_stc_v": _column(stc.vmp_v),
            "pmax_stc_w": _column(stc.pmp_w),
            "pmax_stc_u_w": _column(at_stc.pmax_u_w),
            "pmax_stc_1_w": _column(at_stc.by_procedure_1.pmax_w),
            "pmax_stc_1_u_w": _column(at_stc.by_procedure_1.pmax_u_w),
            "pmax_stc_4_w": _column(at_stc.by_procedure_4.pmax_w),
            "pmax_stc_4_u_w": _column(at_stc.by_procedure_4.pmax_u_w),
            "fill_factor_stc_ratio": _column(stc.fill_factor_ratio),
            "series_resistance_ohm": _column(at_stc.series_resistance_ohm),
            "type_resistance_ohm": _column(nominal.rs_ohm),
            "modules_pmax_w": _column(nominal.pmax_sum_w),
            "mismatch_ratio": _column(nominal.mismatch_ratio),
            "expected_pmax_w": _column(at_stc.expected_w),
            "expected_pmax_u_w": _column(at_stc.expected_u_w),
            "deviation_ratio": _column(verdicts.deviation_ratio),
            "deviation_u_ratio": _column(verdicts.deviation_u_ratio),
            "step_depth_ratio": _column(at_stc.steps.depth_ratio),
            "step_at_voltage_v": _column(at_stc.steps.at_voltage_v),
            "step_substrings": _column(causes.step_substrings),
            "fit": pl.Series([_FIT_WORDS[CurveFitStatus(k)] for k in fit.status.tolist()]),
            "fit_photocurrent_a": _column(fit.photocurrent_a),
            "fit_saturation_current_a": _column(fit.saturation_current_a),
            "fit_series_resistance_ohm": _column(fit.series_resistance_ohm),
            "fit_series_resistance_u_ohm": _column(fit.series_resistance_u_ohm),
            "fit_shunt_resistance_ohm": _column(fit.shunt_resistance_ohm),
            "fit_diode_voltage_v": _column(fit.diode_voltage_v),
            "fit_diode_voltage_u_v": _column(fit.diode_voltage_u_v),
            "fit_residual_ratio": _column(fit.residual_ratio),
            "p_sound": _column(np.where(judged, causes.sound_probability, np.nan)),
            **{
                "p_" + departure.key.replace("-", "_"): _column(
                    np.where(judged, causes.probability[:, place], np.nan)
                )
                for place, departure in enumerate(DEPARTURES)
            },
            "meter": heads["meter"],
            "irradiance_sensor": heads["irradiance_sensor"],
            "thermometer": heads["thermometer"],
            "procedure": pl.Series(np.where(judged, "IEC 60891:2021 procedure 2", "")),
            "source_file": heads["source_file"],
            "source_row": heads["source_row"],
        }
    )
    likely, check = _likeliest(causes, judged)
    return frame.with_columns(
        cause=likely,
        check_next=check,
        reasons=_reasons(
            site, frame, verdicts=verdicts, gate=measured.gate, far=at_stc.far_from_target
        ),
        remedy=texts_of_masks(verdicts.mask, GATE_REMEDIES),
        caution=pl.when(pl.col("verdict").is_in(["fail", "review"]))
        .then(pl.lit(CAUTION))
        .otherwise(pl.lit("")),
    )


def _likeliest(causes: CurveCauses, judged: BoolArray) -> tuple[pl.Series, pl.Series]:
    """Words and advice of the likeliest departure where it is more likely than not."""
    best = np.where(judged, causes.likeliest, -1)
    held = np.where(np.isfinite(causes.probability), causes.probability, -1.0)
    best = np.where(held[np.arange(len(best)), best] >= _NAMED_RATIO, best, -1)
    words = ["", *(one.words for one in DEPARTURES)]
    checks = ["", *(one.check_next for one in DEPARTURES)]
    return (
        pl.Series("cause", [words[k + 1] for k in best.tolist()], dtype=pl.String),
        pl.Series("check_next", [checks[k + 1] for k in best.tolist()], dtype=pl.String),
    )


def _reasons(
    site: Site,
    frame: pl.DataFrame,
    *,
    verdicts: CurveVerdicts,
    gate: np.ndarray[tuple[int], np.dtype[np.int8]],
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
        stop=texts_of_masks(verdicts.mask, values),
        shape=shape,
        stepped=pl.Series(verdicts.stepped),
        resistive=pl.Series(verdicts.resistive),
        far=pl.Series(far),
    )
    deviation, u = pl.col("deviation_ratio"), pl.col("deviation_u_ratio")
    powers = [pl.col(f"pmax_stc{one}_w") for one in ("", "_1", "_4")]
    apart = (pl.max_horizontal(powers) - pl.min_horizontal(powers)) / powers[0]
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
                "the curve has a step {} % deep near {} V (at STC), where about {} sub-strings are "
                "bypassed: part of the string gets or gives less current (shade, soiling, a "
                "weaker or broken module, mixed classes)",
                (100 * pl.col("step_depth_ratio")).round(1),
                pl.col("step_at_voltage_v").round(0).cast(pl.Int64),
                pl.col("step_substrings").fill_null(1).cast(pl.Int64),
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
        *_departures(),
        pl.when((apart > _APART_RATIO) & deviation.is_not_null()).then(
            pl.format(
                "procedures 1, 2 and 4 differ by {} % in Pmax at STC: coefficients of the type or "
                "the temperature may be wrong",
                (100 * apart).round(1),
            )
        ),
        pl.when(pl.col("far")).then(
            pl.lit("the irradiance was more than 30 % from 1000 W/m2, so the translation is far")
        ),
    ]
    return with_flags.select(reasons=pl.concat_list(parts).list.drop_nulls())["reasons"]


def _departures() -> list[pl.Expr]:
    """Departures more likely than not, unless a sentence with figures says the same."""
    said = {"step": pl.col("stepped"), "series-resistance": pl.col("resistive")}
    out: list[pl.Expr] = []
    for departure in DEPARTURES:
        p = pl.col("p_" + departure.key.replace("-", "_"))
        told = said.get(departure.key, pl.lit(value=False))
        out.append(
            pl.when((p >= _NAMED_RATIO) & ~told).then(
                pl.format("{} ({} % likely)", pl.lit(departure.words), _percent(p))
            )
        )
    return out


def _percent(p: pl.Expr) -> pl.Expr:
    """Whole per cent, never said to be certain."""
    return (100 * p).round(0).clip(1, 99).cast(pl.Int64)


def curve_findings(site: Site, curves: pl.DataFrame) -> tuple[Finding, ...]:
    """Give one finding per curve of ``curve_frame``."""
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
                advice = row["check_next"] or (
                    "Look at the string for shade, soiling and damage; compare its labels with "
                    "the plan; take the curve again, then look with thermography."
                )
                remedy = f"{advice} {CAUTION}"
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
