"""What truly hangs in each string of the demo, faults included, and what it does at a moment."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from arraywright.arrays import BoolArray, FloatArray, IntArray, offsets_from_lengths
from arraywright.demo.scenario import Scenario
from arraywright.physics.desoto import ReferenceDiode, translate
from arraywright.physics.fit import fit_datasheet, fit_flash
from arraywright.physics.single_diode import SingleDiode
from arraywright.plant import ModuleType

__all__ = ["Built", "at_moment", "build"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    """The modules of all strings, string after string from the positive end.

    Attributes:
        names: names of the strings.
        offsets: modules of string ``i`` are ``flat[offsets[i]:offsets[i + 1]]``, (strings + 1,).
        reference: what each module truly is, (modules,).
        shorted: sub-strings whose bypass diode is shorted, (modules, sub-strings).
        serial: serial of each module, (modules,).
    """

    names: list[str]
    offsets: IntArray
    reference: ReferenceDiode
    shorted: BoolArray
    serial: list[str]


def _template(module_type: ModuleType) -> ReferenceDiode:
    label = module_type.power_classes[-1]
    return fit_datasheet(
        isc_a=label.isc_a,
        voc_v=label.voc_v,
        imp_a=label.imp_a,
        vmp_v=label.vmp_v,
        alpha_isc_a_per_k=module_type.alpha_isc_per_k * label.isc_a,
        beta_voc_v_per_k=module_type.beta_voc_per_k * label.voc_v,
        cells_in_series=module_type.cells_in_series,
    ).reference


def build(
    scenario: Scenario, names: Sequence[str], as_built: pl.DataFrame, module_type: ModuleType
) -> Built:
    """Give what truly hangs in each string, faults included.

    Args:
        scenario: the demo scenario.
        names: names of the strings in building order.
        as_built: string, place_in_string, serial and true values of every module on the list.
        module_type: the type of all modules.
    """
    missing = names[scenario.missing_module_string - 1]
    present = as_built.filter(
        ~((pl.col("string") == missing) & (pl.col("place_in_string") == 11))
    ).sort(pl.col("string").replace_strict(list(names), list(range(len(names)))), "place_in_string")
    lengths = present.group_by("string", maintain_order=True).len()
    reference = fit_flash(
        _template(module_type),
        isc_a=present["true_isc_a"].to_numpy(),
        voc_v=present["true_voc_v"].to_numpy(),
        imp_a=present["true_imp_a"].to_numpy(),
        vmp_v=present["true_vmp_v"].to_numpy(),
    ).reference
    shorted = np.zeros((present.height, module_type.bypass_substrings), dtype=np.bool_)
    offsets = offsets_from_lengths(lengths["len"].to_numpy().astype(np.int64))
    shorted[offsets[scenario.shorted_diode_string - 1] + 7, 1] = True
    return Built(
        names=lengths["string"].to_list(),
        offsets=offsets,
        reference=reference,
        shorted=shorted,
        serial=present["serial"].to_list(),
    )


def at_moment(
    built: Built, strings: Sequence[int], irradiance: FloatArray, cell: FloatArray
) -> tuple[SingleDiode, IntArray, BoolArray]:
    """Give diodes, offsets and shorted sub-strings of strings at light and temperature of each.

    Args:
        built: what hangs in the strings.
        strings: running numbers of strings, from 1.
        irradiance: in the plane [W/m2], (strings,).
        cell: cell temperature [degC], (strings,).
    """
    parts = [np.arange(built.offsets[s - 1], built.offsets[s]) for s in strings]
    lengths = np.array([len(part) for part in parts], dtype=np.int64)
    flat = np.concatenate(parts)
    diode = translate(
        built.reference.take(flat),
        irradiance_w_m2=np.repeat(irradiance, lengths),
        cell_temp_c=np.repeat(cell, lengths),
    )
    return diode, offsets_from_lengths(lengths), built.shorted[flat]
