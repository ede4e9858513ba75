"""Single-diode solvers and fits: precise curves, a million maxima, the module list, flash rows."""

from __future__ import annotations

import csv
import json
import warnings
from pathlib import Path
from typing import Final

import numpy as np
import pvlib
from scipy import constants

from arraywright.arrays import FloatArray
from arraywright.physics import (
    DiodeFit,
    FitStatus,
    SingleDiode,
    current_at_voltage,
    fit_datasheet,
    fit_flash,
    key_points,
    maximum_power,
)
from benchmarks.common import BenchRow, best_seconds, peak_rss_mb, timed

__all__ = ["run"]

_DATA: Final = Path(__file__).parents[1] / "tests" / "data" / "precise_iv"
_FIT_ROWS: Final = 300
_WITHIN: Final = 1e-6


def run(*, quick: bool) -> list[BenchRow]:
    """Measure the solvers and fits of single modules."""
    count = 50_000 if quick else 1_000_000
    listed = _ModuleList()
    return [
        *_precise_curves(),
        *_maximum_power(count, quick=quick),
        *_module_list(listed, reference_rows=30 if quick else _FIT_ROWS),
        *_flash_rows(listed, count, quick=quick),
    ]


def _precise_curves() -> list[BenchRow]:
    """Worst relative deviation of current, voltage and power from the printed curves."""
    worst = {"current": 0.0, "Voc": 0.0, "Pmp": 0.0}
    points = 0
    for number in (1, 2):
        text = (_DATA / f"precise_iv_curves{number}.json").read_text("utf-8")
        sets = _DATA / f"precise_iv_curves_parameter_sets{number}.csv"
        with sets.open(encoding="utf-8", newline="") as lines:
            rows = {int(row["Index"]): row for row in csv.DictReader(lines)}
        for curve in json.loads(text)["IV Curves"]:
            row = rows[curve["Index"]]
            thermal_v = constants.k * float(curve["Temperature"]) / constants.e
            diode = SingleDiode(
                photocurrent_a=np.array([float(row["photocurrent"])]),
                saturation_current_a=np.array([float(row["saturation_current"])]),
                series_resistance_ohm=np.array([float(row["resistance_series"])]),
                shunt_resistance_ohm=np.array([float(row["resistance_shunt"])]),
                diode_voltage_v=np.array(
                    [float(row["n"]) * int(row["cells_in_series"]) * thermal_v]
                ),
            )
            printed_a = np.array(curve["Currents"], dtype=float)
            ours_a = current_at_voltage(diode, np.array(curve["Voltages"], dtype=float))
            lit = printed_a > 0.0
            found = key_points(diode)
            points += len(printed_a)
            for name, ours, printed in (
                ("current", ours_a[lit], printed_a[lit]),
                ("Voc", found.voc_v, float(curve["v_oc"])),
                ("Pmp", found.pmp_w, float(curve["p_mp"])),
            ):
                worst[name] = max(worst[name], float(np.max(np.abs(ours / printed - 1.0))))
    return [
        BenchRow(
            name=f"worst relative deviation of {name}, {points} precise points",
            figure=value,
            unit="1",
            reference_name="pvlib's high-precision curves",
            target="at most 1e-9",
            met=value <= 1e-9,
        )
        for name, value in worst.items()
    ]


def _random_modules(count: int) -> SingleDiode:
    rng = np.random.default_rng(20_260)
    return SingleDiode(
        photocurrent_a=rng.uniform(0.5, 15.0, count),
        saturation_current_a=10.0 ** rng.uniform(-12.0, -8.0, count),
        series_resistance_ohm=rng.uniform(0.05, 1.0, count),
        shunt_resistance_ohm=10.0 ** rng.uniform(1.8, 4.0, count),
        diode_voltage_v=rng.uniform(0.8, 3.5, count),
    )


def _five(diode: SingleDiode) -> tuple[FloatArray, ...]:
    return (
        diode.photocurrent_a,
        diode.saturation_current_a,
        diode.series_resistance_ohm,
        diode.shunt_resistance_ohm,
        diode.diode_voltage_v,
    )


def _maximum_power(count: int, *, quick: bool) -> list[BenchRow]:
    diode = _random_modules(count)
    compile_seconds, _ = timed(lambda: maximum_power(diode.take(np.arange(2))))
    ours_seconds = best_seconds(lambda: maximum_power(diode))
    ours = maximum_power(diode)
    peak_mb = peak_rss_mb()
    theirs = pvlib.pvsystem.max_power_point(*_five(diode), method="newton")
    theirs_seconds = best_seconds(
        lambda: pvlib.pvsystem.max_power_point(*_five(diode), method="newton")
    )
    ratio = theirs_seconds / ours_seconds
    power_apart = float(np.max(np.abs(ours.pmp_w / theirs["p_mp"] - 1.0)))
    voltage_apart = float(np.max(np.abs(ours.vmp_v / theirs["v_mp"] - 1.0)))
    reference = "pvlib max_power_point(method='newton')"
    return [
        BenchRow(
            name=f"maximum power of {count:,} modules",
            figure=ours_seconds,
            unit="s",
            seconds=ours_seconds,
            reference_name=reference,
            reference_seconds=theirs_seconds,
            ratio=ratio,
            peak_rss_mb=peak_mb,
            target="" if quick else "at least 4 times faster",
            met=quick or ratio >= 4.0,
        ),
        BenchRow(
            name="largest relative difference in maximum power",
            figure=power_apart,
            unit="1",
            reference_name=reference,
            target="at most 1e-9",
            met=power_apart <= 1e-9,
        ),
        BenchRow(
            name="largest relative difference in voltage at maximum power",
            figure=voltage_apart,
            unit="1",
            reference_name=reference,
            target="at most 1e-6, power being flat there",
            met=voltage_apart <= 1e-6,
        ),
        BenchRow(
            name="first call of maximum_power in a process (compiles, or loads what was compiled)",
            figure=compile_seconds,
            unit="s",
            seconds=compile_seconds,
        ),
    ]


class _ModuleList:
    """Datasheet values of the listed modules, by row number only."""

    def __init__(self) -> None:
        table = pvlib.pvsystem.retrieve_sam("CECMod")

        def column(name: str) -> FloatArray:
            return np.ascontiguousarray(table.loc[name].to_numpy(dtype=float))

        self.isc_a = column("I_sc_ref")
        self.voc_v = column("V_oc_ref")
        self.imp_a = column("I_mp_ref")
        self.vmp_v = column("V_mp_ref")
        self.alpha = np.abs(column("alpha_sc"))
        self.beta = column("beta_oc")
        self.cells = column("N_s")

    def __len__(self) -> int:
        return len(self.isc_a)

    def fit(self) -> DiodeFit:
        return fit_datasheet(
            isc_a=self.isc_a,
            voc_v=self.voc_v,
            imp_a=self.imp_a,
            vmp_v=self.vmp_v,
            alpha_isc_a_per_k=self.alpha,
            beta_voc_v_per_k=self.beta,
            cells_in_series=self.cells,
        )


def _kept_by_other_solver(
    listed: _ModuleList, five: tuple[FloatArray, ...], rows: slice | FloatArray
) -> FloatArray:
    """Largest relative error of the four values and of dP/dV = 0, by pvlib's solver, (rows,)."""
    il, i0, rs, rsh, a = five
    imp_a, vmp_v = listed.imp_a[rows], listed.vmp_v[rows]
    theirs = pvlib.pvsystem.singlediode(il, i0, rs, rsh, a)
    gradients = pvlib.singlediode.bishop88(vmp_v + imp_a * rs, il, i0, rs, rsh, a, gradients=True)
    errors = [
        theirs["i_sc"] / listed.isc_a[rows] - 1.0,
        theirs["v_oc"] / listed.voc_v[rows] - 1.0,
        theirs["i_mp"] / imp_a - 1.0,
        theirs["v_mp"] / vmp_v - 1.0,
        gradients[6] / imp_a,
    ]
    worst: FloatArray = np.max(np.abs(np.array(errors)), axis=0)
    return worst


def _desoto_reference(listed: _ModuleList, count: int) -> tuple[float, float]:
    """Seconds per module and share of good fits of pvlib's fit_desoto on random rows."""
    rows = np.random.default_rng(20_261).choice(len(listed), count, replace=False)

    def one(row: int) -> bool:
        try:
            found, _ = pvlib.ivtools.sdm.fit_desoto(
                v_mp=listed.vmp_v[row],
                i_mp=listed.imp_a[row],
                v_oc=listed.voc_v[row],
                i_sc=listed.isc_a[row],
                alpha_sc=listed.alpha[row],
                beta_voc=listed.beta[row],
                cells_in_series=int(listed.cells[row]),
            )
        except RuntimeError:
            return False
        five = tuple(
            np.array([found[name]]) for name in ("I_L_ref", "I_o_ref", "R_s", "R_sh_ref", "a_ref")
        )
        if min(value[0] for value in five) <= 0.0:
            return False
        return bool(_kept_by_other_solver(listed, five, slice(row, row + 1))[0] <= _WITHIN)

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        seconds, good = timed(lambda: [one(int(row)) for row in rows])
    return seconds / count, float(np.mean(good))


def _module_list(listed: _ModuleList, *, reference_rows: int) -> list[BenchRow]:
    compile_seconds, fit = timed(listed.fit)
    seconds = best_seconds(listed.fit)
    reference = fit.reference.at_reference()
    five = _five(reference)
    kept = _kept_by_other_solver(listed, five, slice(None))
    positive = np.all([values > 0.0 for values in five], axis=0)
    exact = (fit.status == FitStatus.EXACT) & positive & (kept <= _WITHIN)
    per_module, reference_share = _desoto_reference(listed, reference_rows)
    name = f"pvlib fit_desoto, {reference_rows} random rows, scaled to the list"
    plausible = (fit.ideality_ratio >= 0.5) & (fit.ideality_ratio <= 2.0)
    return [
        BenchRow(
            name=f"fit of all {len(listed):,} listed modules (compiled before)",
            figure=seconds,
            unit="s",
            seconds=seconds,
            reference_name=name,
            reference_seconds=per_module * len(listed),
            ratio=per_module * len(listed) / seconds,
            peak_rss_mb=peak_rss_mb(),
            target="under 2 s",
            met=seconds < 2.0,
        ),
        BenchRow(
            name="first fit in a process (compiles, or loads what was compiled)",
            figure=compile_seconds,
            unit="s",
            seconds=compile_seconds,
        ),
        BenchRow(
            name="listed modules with positive parameters that keep Isc, Voc, Imp, Vmp and "
            "dP/dV = 0 to 1e-6, by pvlib's solver",
            figure=100.0 * float(exact.mean()),
            unit="%",
            reference_name=f"pvlib fit_desoto: {100.0 * reference_share:.0f} %",
            target="at least 97 %, the rest flagged",
            met=bool(exact.mean() >= 0.97 and np.all(fit.status[~exact] != FitStatus.EXACT)),
        ),
        BenchRow(
            name="listed modules whose temperature coefficient of Voc is kept as well; "
            "for the others the nearest physical one, with its misfit",
            figure=100.0 * float(np.mean(np.abs(fit.beta_misfit_ratio) <= _WITHIN)),
            unit="%",
        ),
        BenchRow(
            name="listed modules with an ideality between 0.5 and 2",
            figure=100.0 * float(plausible.mean()),
            unit="%",
        ),
    ]


def _flash_rows(listed: _ModuleList, count: int, *, quick: bool) -> list[BenchRow]:
    row = 10_000
    template = listed.fit().reference.take(row)
    rng = np.random.default_rng(20_262)
    scatter = 1.0 + 0.003 * rng.standard_normal((4, count))
    isc_a, voc_v, imp_a, vmp_v = (
        value[row] * factor
        for value, factor in zip(
            (listed.isc_a, listed.voc_v, listed.imp_a, listed.vmp_v), scatter, strict=True
        )
    )

    def fit() -> DiodeFit:
        return fit_flash(template, isc_a=isc_a, voc_v=voc_v, imp_a=imp_a, vmp_v=vmp_v)

    seconds = best_seconds(fit)
    found = fit()
    five = _five(found.reference.at_reference())
    theirs = pvlib.pvsystem.max_power_point(*five, method="newton")
    apart = float(
        max(
            np.max(np.abs(theirs["i_mp"] / imp_a - 1.0)),
            np.max(np.abs(theirs["v_mp"] / vmp_v - 1.0)),
        )
    )
    return [
        BenchRow(
            name=f"parameters of {count:,} flash rows",
            figure=seconds,
            unit="s",
            seconds=seconds,
            peak_rss_mb=peak_rss_mb(),
            target="" if quick else "under 5 s",
            met=quick or seconds < 5.0,
        ),
        BenchRow(
            name="flash rows fitted exactly; largest error of Imp and Vmp by pvlib's solver "
            f"{apart:.1e}",
            figure=100.0 * float(np.mean(found.status == FitStatus.EXACT)),
            unit="%",
            target="at least 97 %, kept to 1e-6",
            met=bool(np.mean(found.status == FitStatus.EXACT) >= 0.97 and apart <= _WITHIN),
        ),
    ]
