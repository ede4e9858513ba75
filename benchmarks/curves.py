"""I-V curves in bulk: translated, fitted and judged; parameters recovered; causes by shape."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any, Final

import numpy as np
import polars as pl
import pvlib
from scipy.optimize import least_squares

from arraywright.arrays import FloatArray, IntArray, offsets_from_lengths
from arraywright.commissioning import IV_POINTS, CurveResult, judge_curves
from arraywright.commissioning.curve_causes import DEPARTURES
from arraywright.commissioning.curve_fit import fit_curves
from arraywright.commissioning.curve_procedures import power_by_procedure_1, power_by_procedure_4
from arraywright.commissioning.string_modules import StringModules
from arraywright.physics.iv_curve import measured_key_points
from arraywright.physics.uncertainty import Quantity
from arraywright.plant import Site
from benchmarks._curve_truth import CURVE_FAULTS, CurveTruth, make_truth
from benchmarks.common import BenchRow, peak_rss_mb, timed
from tests.commissioning.invented import make_instruments, make_modules, make_site

__all__ = ["run"]

_POINTS: Final = 100
_MODULES: Final = 28
_CELLS: Final = 72
_CREWS: Final = 4
_A_DAY: Final = 720
_STEP_S: Final = 20
_START: Final = dt.datetime(2026, 5, 1, 9, 0, tzinfo=dt.UTC)
_NOW: Final = dt.datetime(2026, 12, 1, tzinfo=dt.UTC)
_LIKELY: Final = 0.9
_OUTDOOR: Final = Path(__file__).parents[1] / "tests" / "data" / "outdoor_iv_3585"


def run(*, quick: bool) -> list[BenchRow]:
    """Measure the judging of many curves, the recovery of parameters, and the causes named."""
    count = 3_000 if quick else 100_000
    reference = 10 if quick else 100
    return [
        *_bulk(count, reference_curves=reference, quick=quick),
        *_listed(),
        *_outdoor(),
    ]


def _bulk(count: int, *, reference_curves: int, quick: bool) -> list[BenchRow]:
    site = make_site(count)
    modules = make_modules(site, spread=0.003)
    truth, moments, crew = _drawn(modules, count)
    points = _frame(site, truth, moments=moments, crew=crew)
    instruments = _instruments()

    def judged(rows: int) -> CurveResult:
        return judge_curves(
            site,
            points=points.head(rows * _POINTS),
            instruments=instruments,
            modules=modules,
            now_utc=_NOW,
        )

    judged(4)
    few = count // 4
    few_seconds, _ = timed(lambda: judged(few))
    seconds, found = timed(lambda: judged(count))
    peak = peak_rss_mb()
    per_curve = _least_squares(truth, count=reference_curves)
    offsets = offsets_from_lengths(np.full(count, _POINTS))
    fit_seconds, _ = timed(
        lambda: fit_curves(truth.voltage_v.ravel(), truth.current_a.ravel(), offsets=offsets)
    )
    name = f"fit alone: scipy least_squares, {reference_curves} curves one by one, scaled"
    growth = seconds / few_seconds / (count / few)
    return [
        BenchRow(
            name=f"{count:,} curves of {_POINTS} points translated by procedures 1, 2 and 4, "
            "fitted and judged",
            figure=seconds,
            unit="s",
            seconds=seconds,
            reference_name=name,
            reference_seconds=per_curve * count,
            ratio=per_curve * count / seconds,
            peak_rss_mb=peak,
            target="" if quick else "under 120 s",
            met=quick or seconds < 120.0,
        ),
        BenchRow(
            name=f"single-diode fit of {count:,} curves alone",
            figure=fit_seconds,
            unit="s",
            seconds=fit_seconds,
            reference_name=name,
            reference_seconds=per_curve * count,
            ratio=per_curve * count / fit_seconds,
            target="at least 20 times faster",
            met=per_curve * count / fit_seconds >= 20.0,
        ),
        BenchRow(
            name=f"time per curve of {count:,} over that of {few:,}",
            figure=growth,
            unit="1",
            target="" if quick else "linear: at most 1.3",
            met=quick or growth <= 1.3,
        ),
        *_causes(site, found, truth, quick=quick),
    ]


def _drawn(modules: StringModules, count: int) -> tuple[CurveTruth, list[dt.datetime], IntArray]:
    """Curves of every string with the days, hours and crews on which they are taken."""
    number = np.arange(count)
    crew, turn = number % _CREWS, number // _CREWS
    day, slot = turn // _A_DAY, turn % _A_DAY
    light = 900.0 + 80.0 * np.sin(np.pi * slot / _A_DAY) + 40.0 * np.cos(1.7 * day + crew)
    moments = [
        _START + dt.timedelta(days=int(d), seconds=_STEP_S * int(s))
        for d, s in zip(day, slot, strict=True)
    ]
    truth = make_truth(
        isc_a=modules.isc_mean_a(),
        voc_v=modules.voc_sum_v(),
        modules=_MODULES,
        cells=_CELLS,
        points=_POINTS,
        irradiance_w_m2=light,
        seed=20_270,
    )
    return truth, moments, crew.astype(np.int64)


def _frame(
    site: Site, truth: CurveTruth, *, moments: list[dt.datetime], crew: IntArray
) -> pl.DataFrame:
    """Give the curves as the table a tracer's file becomes."""
    heads = pl.DataFrame(
        {
            "string": site.strings["string"],
            "measured_at": moments,
            "irradiance_w_m2": truth.irradiance_w_m2,
            "module_temp_c": truth.back_temp_c,
            "irradiance_sensor": [f"G{one + 1}" for one in crew.tolist()],
        }
    )
    at = pl.Series(np.repeat(np.arange(len(heads)), _POINTS))
    return (
        heads.select(pl.all().gather(at))
        .with_columns(
            voltage_v=pl.Series(truth.voltage_v.ravel()),
            current_a=pl.Series(truth.current_a.ravel()),
            meter=pl.lit("M1"),
            thermometer=pl.lit("T1"),
        )
        .match_to_schema(IV_POINTS.schema, missing_columns="insert")
    )


def _instruments() -> pl.DataFrame:
    first = make_instruments()
    sensor = first.filter(pl.col("instrument") == "G1")
    return pl.concat(
        [
            first,
            *(sensor.with_columns(instrument=pl.lit(f"G{crew + 1}")) for crew in range(1, _CREWS)),
        ]
    )


def _least_squares(truth: CurveTruth, *, count: int) -> float:
    """Seconds a curve takes with a general least-squares solver and pvlib's model."""
    sound = np.flatnonzero(truth.fault == 0)[:count]

    def one(row: int) -> None:
        v, i = truth.voltage_v[row], truth.current_a[row]
        isc, voc = float(i[:3].mean()), float(v[-1])
        scale = np.array([isc, 1.0, 0.05 * voc / isc, 100.0 * voc / isc, 0.045 * voc])

        def residual(share: FloatArray) -> FloatArray:
            il, log_i0, rs, rsh, a = share * scale
            i0 = np.exp(log_i0)
            return np.asarray(pvlib.pvsystem.i_from_v(v, il, i0, rs, rsh, a) - i)

        start = np.array([1.0, np.log(isc) - 1.0 / 0.045, 1.0, 1.0, 1.0])
        lower = np.array([0.5, -60.0, 0.0, 1e-3, 0.3])
        upper = np.array([1.5, 0.0, 10.0, 1e3, 3.0])
        least_squares(residual, start, bounds=(lower, upper), x_scale="jac")

    def all_of_them() -> None:
        for row in sound:
            one(int(row))

    seconds, _ = timed(all_of_them)
    return seconds / len(sound)


def _causes(site: Site, found: CurveResult, truth: CurveTruth, *, quick: bool) -> list[BenchRow]:
    """False calls of sound curves, calls of faulty ones, and the share of calls that are true."""
    curves = site.strings.select("string").join(
        found.curves, on="string", how="left", maintain_order="left"
    )
    judged = (curves["verdict"] != "not_assessable").to_numpy()
    sound = judged & (truth.fault == 0)
    passed = (curves["verdict"] == "pass").to_numpy()
    false_calls = float(1.0 - passed[sound].mean())
    rows = [
        BenchRow(
            name="sound curves that do not pass, of those assessable",
            figure=100.0 * false_calls,
            unit="%",
            target="" if quick else "at most 0.5 %",
            met=quick or false_calls <= 0.005,
        )
    ]
    for departure in DEPARTURES:
        if departure.key not in CURVE_FAULTS:
            continue
        p = curves["p_" + departure.key.replace("-", "_")].fill_null(0.0).to_numpy()
        mine = judged & (truth.fault == CURVE_FAULTS.index(departure.key))
        called = judged & (p >= _LIKELY)
        right = float(np.mean(mine[called])) if called.any() else float("nan")
        rows.append(
            BenchRow(
                name=f"{departure.key}: named at 90 % or more; of all so named "
                f"{100.0 * right:.1f} % were it",
                figure=100.0 * float(np.mean(p[mine] >= _LIKELY)),
                unit="%",
                target="" if quick else "of those named at least 90 % are it",
                met=quick or right >= _LIKELY,
            )
        )
    return rows


def _listed() -> list[BenchRow]:
    """Largest error of any parameter over the curves of all listed modules."""
    table = pvlib.pvsystem.retrieve_sam("CECMod")
    names = ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")
    five = [table.loc[name].to_numpy(dtype=float) for name in names]
    voc = pvlib.singlediode.bishop88_v_from_i(0.0, *five, method="newton")
    volts = voc[:, None] * np.linspace(0.0, 1.0, _POINTS)
    wide = [np.repeat(one, _POINTS) for one in five]
    amps = pvlib.singlediode.bishop88_i_from_v(volts.ravel(), *wide, method="newton")
    offsets = offsets_from_lengths(np.full(len(voc), _POINTS))
    seconds, fit = timed(lambda: fit_curves(volts.ravel(), amps, offsets=offsets))
    found = (
        fit.photocurrent_a,
        fit.saturation_current_a,
        fit.series_resistance_ohm,
        fit.shunt_resistance_ohm,
        fit.diode_voltage_v,
    )
    worst = max(
        float(np.max(np.abs(ours / given - 1.0))) for ours, given in zip(found, five, strict=True)
    )
    return [
        BenchRow(
            name=f"largest error of any of five parameters, curves of {len(voc):,} listed modules",
            figure=worst,
            unit="1",
            seconds=seconds,
            reference_name="pvlib bishop88 with the listed parameters",
            target="at most 1e-6",
            met=worst <= 1e-6,
        )
    ]


def _outdoor() -> list[BenchRow]:
    """Spread of Pmax at STC of measured curves by procedures 1 and 4."""
    conditions = pl.read_parquet(_OUTDOOR / "conditions.parquet").sort("curve")
    conditions = conditions.filter(
        pl.col("effective_irradiance_w_m2").is_between(700.0, 1300.0, closed="none")
    )
    points = (
        pl.read_parquet(_OUTDOOR / "points.parquet")
        .join(conditions.select("curve"), on="curve", how="semi")
        .sort("curve", maintain_order=True)
    )
    lengths = points.group_by("curve").len().sort("curve")["len"].to_numpy().astype(np.int64)
    offsets = offsets_from_lengths(lengths)
    v, i = points["voltage_v"].to_numpy(), points["current_a"].to_numpy()
    zero = np.zeros(len(lengths))
    raw = measured_key_points(v, i, offsets=offsets, reach_ratio=0.2)
    fit = fit_curves(v, i, offsets=offsets)

    def exact(values: FloatArray) -> Quantity:
        return Quantity(value=values, standard_uncertainty=zero)

    shared: dict[str, Any] = {
        "offsets": offsets,
        "isc_a": raw.isc_a,
        "vmp_v": raw.vmp_v,
        "imp_a": raw.imp_a,
        "irradiance_w_m2": exact(conditions["effective_irradiance_w_m2"].to_numpy()),
        "cell_temp_c": exact(conditions["cell_temp_c"].to_numpy()),
        "alpha_isc_a_per_k": zero + 0.0054,
    }
    powers = (
        power_by_procedure_1(
            v,
            i,
            beta_voc_v_per_k=exact(zero - 0.0774),
            series_resistance_ohm=exact(zero + 0.25),
            curve_correction_ohm_per_k=zero,
            **shared,
        ),
        power_by_procedure_4(
            v,
            i,
            cells_in_series=zero + 36.0,
            series_resistance_ohm=exact(fit.series_resistance_ohm),
            **shared,
        ),
    )
    return [
        BenchRow(
            name=f"spread of Pmax at STC of {len(lengths):,} outdoor curves, {power.method}",
            figure=100.0 * float(power.pmax_w.std() / power.pmax_w.mean()),
            unit="%",
            reference_name="3.00 % with P x 1000/G alone",
            target="below 1 %",
            met=bool(power.pmax_w.std() < 0.01 * power.pmax_w.mean()),
        )
        for power in powers
    ]
