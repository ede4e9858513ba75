"""What an allocation loses to mismatch at standard test conditions, string by string."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from arraywright.allocation.assemble import Filling
from arraywright.allocation.demand import Built, Demand
from arraywright.allocation.stock import ModuleClass, Supply
from arraywright.arrays import BoolArray, FloatArray, IntArray, offsets_from_lengths
from arraywright.physics import (
    ReferenceDiode,
    SingleDiode,
    fit_datasheet,
    fit_flash,
    parallel_mismatch,
)
from arraywright.plant import Site

__all__ = ["DiodePool", "Mismatch", "diode_pool", "mismatch_of"]

_FLASH = ("isc_a", "voc_v", "imp_a", "vmp_v")


@dataclass(frozen=True, slots=True, kw_only=True)
class DiodePool:
    """Single-diode parameters of the supply's modules, then of those built in already.

    Attributes:
        diode: parameters at 1000 W/m2 and 25 degC; nan where no flash values are known.
        bypass_substrings: bypass sub-strings of each module.
        known: whether a module's parameters are known.
    """

    diode: SingleDiode
    bypass_substrings: IntArray
    known: BoolArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Mismatch:
    """Mismatch loss at 1000 W/m2 and 25 degC cell temperature.

    Attributes:
        strings: frame of ``string``, ``mppt_input``, ``modules``, ``sum_of_modules_w``,
            ``string_power_w``, ``loss_w``, ``loss_ratio`` (within the string).
        inputs: frame of ``mppt_input``, ``strings``, ``modules``, ``sum_of_modules_w``,
            ``input_power_w``, ``loss_w``, ``loss_ratio`` (within its strings and between them).
        sum_of_modules_w: sum of the modules' own maxima [W].
        power_w: sum of the inputs' maxima [W].
        strings_left_out: complete strings whose modules' flash values are not all known.
    """

    strings: pl.DataFrame
    inputs: pl.DataFrame
    sum_of_modules_w: float
    power_w: float
    strings_left_out: int

    @property
    def loss_w(self) -> float:
        """Power lost to mismatch within strings and between strings of an input [W]."""
        return self.sum_of_modules_w - self.power_w

    @property
    def loss_ratio(self) -> float:
        """Loss over the sum of the modules' own maxima [1]; 0 when nothing is planned."""
        return self.loss_w / self.sum_of_modules_w if self.sum_of_modules_w > 0.0 else 0.0


def _template(site: Site, kind: ModuleClass, flash: pl.DataFrame) -> ReferenceDiode:
    """Give the class's data sheet diode, or that of its median flash values."""
    module_type = site.module_types[kind.module_type]
    nearest = min(
        module_type.power_classes, key=lambda held: abs(held.power_w - kind.power_class_w)
    )
    sheet = {name: float(getattr(nearest, name)) for name in _FLASH}
    median = {name: float(np.median(flash[name].to_numpy())) for name in _FLASH}
    for values in (sheet, median):
        fit = fit_datasheet(
            **values,
            alpha_isc_a_per_k=module_type.alpha_isc_per_k * values["isc_a"],
            beta_voc_v_per_k=module_type.beta_voc_per_k * values["voc_v"],
            cells_in_series=float(module_type.cells_in_series),
        )
        if np.isfinite(fit.reference.diode_voltage_v[0]):
            break
    return fit.reference


def diode_pool(site: Site, supply: Supply, built: Built) -> DiodePool:
    """Fit the single-diode parameters of all modules from their flash values, class by class.

    Source: de-soto-2006
    """
    kind_columns = ("module_type", "power_class_w", "current_class", *_FLASH)
    flash = pl.concat([supply.modules.select(kind_columns), built.modules.select(kind_columns)])
    flash = flash.with_row_index("number")
    parameters = np.full((5, flash.height), np.nan)
    bypass = np.full(flash.height, 1, dtype=np.int64)
    whole = flash.drop_nulls()
    for key, group in whole.group_by(kind_columns[:3], maintain_order=True):
        kind = ModuleClass(
            module_type=str(key[0]), power_class_w=float(str(key[1])), current_class=str(key[2])
        )
        rows = group["number"].to_numpy()
        fit = fit_flash(
            _template(site, kind, group), **{name: group[name].to_numpy() for name in _FLASH}
        )
        diode = fit.reference.at_reference()
        parameters[:, rows] = (
            diode.photocurrent_a,
            diode.saturation_current_a,
            diode.series_resistance_ohm,
            diode.shunt_resistance_ohm,
            diode.diode_voltage_v,
        )
        bypass[rows] = site.module_types[kind.module_type].bypass_substrings
    known = np.isfinite(parameters[0]) & np.isfinite(parameters[4])
    return DiodePool(diode=_diode(parameters), bypass_substrings=bypass, known=known)


def _diode(parameters: FloatArray) -> SingleDiode:
    return SingleDiode(
        photocurrent_a=parameters[0],
        saturation_current_a=parameters[1],
        series_resistance_ohm=parameters[2],
        shunt_resistance_ohm=parameters[3],
        diode_voltage_v=parameters[4],
    )


def _slots(
    demand: Demand, built: Built, filling: Filling, *, supply_size: int
) -> tuple[IntArray, IntArray]:
    """Give string (row of all strings) and module (row of the pool) of every filled place."""
    rows = demand.strings["row"].to_numpy().astype(np.int64)
    placed = (
        built.modules.select("string")
        .with_row_index("number")
        .join(demand.all_strings.select("string", "row"), on="string")
    )
    string = np.concatenate([rows[filling.string], placed["row"].to_numpy().astype(np.int64)])
    module = np.concatenate(
        [filling.module, supply_size + placed["number"].to_numpy().astype(np.int64)]
    )
    return string, module


def mismatch_of(
    demand: Demand, built: Built, filling: Filling, *, pool: DiodePool, supply_size: int
) -> Mismatch:
    """Mismatch loss [W] of every complete string and input, built ones included, exact at STC.

    Modules in series and strings in parallel are solved from the single-diode curve of every
    module; no power is taken twice and nothing is interpolated. Strings that are complete but
    hold modules without flash values are counted and left out.

    Source: de-soto-2006
    """
    strings = demand.all_strings
    string, module = _slots(demand, built, filling, supply_size=supply_size)
    wanted = strings["modules"].to_numpy().astype(np.int64)
    held = np.bincount(string, minlength=len(wanted))
    unknown = np.bincount(string, weights=~pool.known[module], minlength=len(wanted)) > 0
    complete = (held == wanted) & (wanted > 0)
    assessed = complete & ~unknown
    input_of = strings["mppt_input"].rank("dense").to_numpy().astype(np.int64) - 1
    keep = assessed[string]
    string, module = string[keep], module[keep]
    order = np.lexsort((string, input_of[string]))
    string, module = string[order], module[order]
    shown = np.flatnonzero(assessed)
    shown = shown[np.lexsort((shown, input_of[shown]))]
    per_input = np.bincount(input_of[shown], minlength=1)
    per_input = per_input[per_input > 0].astype(np.int64)
    lengths = wanted[shown]
    loss = parallel_mismatch(
        pool.diode.take(module),
        offsets=offsets_from_lengths(lengths),
        input_offsets=offsets_from_lengths(per_input),
        bypass_substrings=pool.bypass_substrings[module],
    )
    string_frame = (
        strings[shown]
        .select("string", "mppt_input", "modules")
        .with_columns(
            sum_of_modules_w=pl.Series(loss.series.sum_of_modules_w),
            string_power_w=pl.Series(loss.series.string_power_w),
            loss_w=pl.Series(loss.series.sum_of_modules_w - loss.series.string_power_w),
            loss_ratio=pl.Series(loss.series.loss_ratio),
        )
    )
    input_frame = (
        string_frame.group_by("mppt_input", maintain_order=True)
        .agg(pl.len().cast(pl.Int64).alias("strings"), pl.col("modules").sum())
        .with_columns(
            sum_of_modules_w=pl.Series(loss.sum_of_modules_w),
            input_power_w=pl.Series(loss.input_power_w),
            loss_w=pl.Series(loss.sum_of_modules_w - loss.input_power_w),
            loss_ratio=pl.Series(loss.total_loss_ratio),
        )
    )
    return Mismatch(
        strings=string_frame,
        inputs=input_frame,
        sum_of_modules_w=float(loss.sum_of_modules_w.sum()),
        power_w=float(loss.input_power_w.sum()),
        strings_left_out=int(np.sum(complete & unknown)),
    )
