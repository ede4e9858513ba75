"""Voltage of a string: open circuit in the cold, maximum power in heat and cold."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Final

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.design.check import DesignCheck, Input, Practice, Values
from arraywright.design.data_tables import standard_values
from arraywright.design.electrical_inputs import (
    ALPHA,
    BETA,
    BETA_VMP,
    DAWN,
    END_OF_LIFE,
    IMP,
    INVERTER_LIMIT,
    ISC,
    MAX_CELL_TEMP,
    MIN_TEMP,
    MODULE_LIMIT,
    MODULES,
    MPPT_MAX,
    MPPT_MIN,
    PLACE_LIMIT,
    START,
    VMP,
    VOC,
)
from arraywright.physics import (
    STC_CELL_TEMP_C,
    STC_IRRADIANCE_W_M2,
    FitStatus,
    ReferenceDiode,
    fit_datasheet,
    open_circuit_voltage,
    translate,
    with_voc_coefficient,
)

__all__ = [
    "CHECKS",
    "module_diode",
    "module_voc_by_model",
    "table_voltage_factor",
    "voltage_at_temperature",
]


def _numbers(given: npt.ArrayLike) -> FloatArray:
    return np.asarray(given, dtype=np.float64)


def voltage_at_temperature(
    voltage_v: npt.ArrayLike,
    *,
    coefficient_per_k: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
) -> FloatArray:
    """Voltage [V] at a cell temperature, by its relative temperature coefficient.

    ``V(T) = V_STC (1 + beta (T - 25))``. The coefficient is taken as constant; for silicon it
    grows a little in the cold, so that far below the range the maker measured in this is an
    estimate (compare ``module_voc_by_model``).

    Args:
        voltage_v: voltage at STC, any shape.
        coefficient_per_k: relative temperature coefficient [1/K], below zero for silicon.
        cell_temp_c: cell temperature [degC].

    Returns:
        The common shape.

    Source: iec-62548-1 PV array maximum voltage; nec-2023 690.7(A)(1).
    """
    warmer_k = _numbers(cell_temp_c) - STC_CELL_TEMP_C
    at_temp_v: FloatArray = _numbers(voltage_v) * (1.0 + _numbers(coefficient_per_k) * warmer_k)
    return at_temp_v


def table_voltage_factor(min_air_temp_c: npt.ArrayLike) -> FloatArray:
    """Factor [1] on Voc at STC of crystalline silicon by the least expected air temperature.

    Rows are whole degrees; a temperature between two rows takes the colder one. From 25 degC
    upwards the factor is one. Below -40 degC the table says nothing and the result is nan: the
    maker's coefficient is needed. Where a maker gives a coefficient, it comes first.

    Args:
        min_air_temp_c: least expected air temperature, any shape.

    Source: nec-2023 table 690.7(A); iec-62548 table of voltage correction factors.
    """
    table = standard_values("voltage-factors")["nec"]
    temp_c = _numbers(min_air_temp_c)
    warm_to_cold_c = -np.asarray(table["coldest_c"], dtype=np.float64)
    factors = np.append(np.asarray(table["factor"], dtype=np.float64), np.nan)
    row = np.searchsorted(warm_to_cold_c, -np.nan_to_num(temp_c, nan=np.inf), side="left")
    found = factors[row]
    factor: FloatArray = np.where(temp_c >= STC_CELL_TEMP_C, 1.0, found)
    return np.where(np.isnan(temp_c), np.nan, factor)


def module_diode(
    *,
    isc_a: npt.ArrayLike,
    voc_v: npt.ArrayLike,
    imp_a: npt.ArrayLike,
    vmp_v: npt.ArrayLike,
    alpha_isc_per_k: npt.ArrayLike,
    beta_voc_per_k: npt.ArrayLike,
) -> ReferenceDiode:
    """Single-diode parameters of modules that keep the curve at STC and dVoc/dT of the data sheet.

    Args:
        isc_a: short-circuit current at STC, scalar or shape (n,), as all the others.
        voc_v: open-circuit voltage at STC.
        imp_a: current at maximum power at STC.
        vmp_v: voltage at maximum power at STC.
        alpha_isc_per_k: relative temperature coefficient of Isc [1/K].
        beta_voc_per_k: relative temperature coefficient of Voc [1/K].

    Returns:
        n modules; nan where the values are not a module's.

    Source: de-soto-2006, with the effective bandgap of ``physics.with_voc_coefficient``.
    """
    columns = np.broadcast_arrays(
        *(
            np.atleast_1d(_numbers(one))
            for one in (isc_a, voc_v, imp_a, vmp_v, alpha_isc_per_k, beta_voc_per_k)
        )
    )
    rows, back = np.unique(np.column_stack(columns), axis=0, return_inverse=True)
    isc, voc, imp, vmp, alpha, beta = rows.T
    fit = fit_datasheet(
        isc_a=isc,
        voc_v=voc,
        imp_a=imp,
        vmp_v=vmp,
        alpha_isc_a_per_k=alpha * isc,
        beta_voc_v_per_k=beta * voc,
    )
    possible = np.flatnonzero(fit.status != FitStatus.IMPOSSIBLE)
    reference = fit.reference
    if len(possible):
        kept = with_voc_coefficient(
            reference.take(possible), beta_voc_v_per_k=(beta * voc)[possible]
        )
        bandgap_ev = np.full(len(rows), np.nan)
        bandgap_ev[possible] = kept.bandgap_ev
        reference = replace(reference, bandgap_ev=bandgap_ev)
    return reference.take(back.reshape(-1))


def module_voc_by_model(
    *,
    isc_a: npt.ArrayLike,
    voc_v: npt.ArrayLike,
    imp_a: npt.ArrayLike,
    vmp_v: npt.ArrayLike,
    alpha_isc_per_k: npt.ArrayLike,
    beta_voc_per_k: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
) -> FloatArray:
    """Open-circuit voltage [V] of a module at an irradiance and a cell temperature, single diode.

    ``I(Voc) = 0`` of the diode that the data sheet's values at STC and its dVoc/dT give.

    Args:
        isc_a: short-circuit current at STC, scalar or shape (n,), as all the others.
        voc_v: open-circuit voltage at STC.
        imp_a: current at maximum power at STC.
        vmp_v: voltage at maximum power at STC.
        alpha_isc_per_k: relative temperature coefficient of Isc [1/K].
        beta_voc_per_k: relative temperature coefficient of Voc [1/K].
        irradiance_w_m2: irradiance in the plane.
        cell_temp_c: cell temperature; before sunrise it is near the air's.

    Returns:
        Shape (n,); nan where the values are not a module's.

    Source: de-soto-2006 eq. 2, 7, 8, 9, 10, 12.
    """
    reference = module_diode(
        isc_a=isc_a,
        voc_v=voc_v,
        imp_a=imp_a,
        vmp_v=vmp_v,
        alpha_isc_per_k=alpha_isc_per_k,
        beta_voc_per_k=beta_voc_per_k,
    )
    irradiance, temp_c = _numbers(irradiance_w_m2), _numbers(cell_temp_c)
    return open_circuit_voltage(
        translate(reference, irradiance_w_m2=irradiance, cell_temp_c=temp_c)
    )


# The checks.


_SHORTER = (
    "Take fewer modules in series, or parts rated for the voltage. Too much voltage destroys "
    "inverters and can start fires; a licensed person and the code in force decide."
)
_IN_WINDOW = "Change the number of modules in series, or take an inverter with another window."
_BOTH: Final = {
    Practice.IEC: "iec-62548-1 PV array maximum voltage",
    Practice.NEC: "nec-2023 690.7(A)(1)",
}
_TABLE: Final = {
    Practice.IEC: "iec-62548 voltage correction factors for crystalline silicon",
    Practice.NEC: "nec-2023 690.7(A)(2), table 690.7(A)",
}
_WINDOW: Final = {
    Practice.IEC: "common-practice inverter's data sheet",
    Practice.NEC: "common-practice inverter's data sheet",
}
_REVIEW_RATIO: Final = 0.01
"""Less than 1 % below a limit is within what Voc of real modules scatters; common practice."""


def string_voc_cold(held: Values) -> FloatArray:
    """Open-circuit voltage of the string [V] at the least temperature, by the coefficient."""
    module_v = voltage_at_temperature(
        held["voc_v"],
        coefficient_per_k=held["beta_voc_per_k"],
        cell_temp_c=held["min_air_temp_c"],
    )
    return np.asarray(held["modules"] * module_v)


def _string_voc_by_table(held: Values) -> FloatArray:
    factor = table_voltage_factor(held["min_air_temp_c"])
    return np.asarray(held["modules"] * held["voc_v"] * factor)


def _string_voc_by_model(held: Values, irradiance_w_m2: FloatArray) -> FloatArray:
    module_v = module_voc_by_model(
        isc_a=held["isc_a"],
        voc_v=held["voc_v"],
        imp_a=held["imp_a"],
        vmp_v=held["vmp_v"],
        alpha_isc_per_k=held["alpha_isc_per_k"],
        beta_voc_per_k=held["beta_voc_per_k"],
        irradiance_w_m2=irradiance_w_m2,
        cell_temp_c=held["min_air_temp_c"],
    )
    return np.asarray(held["modules"] * module_v)


def _lesser_limit(held: Values) -> FloatArray:
    return np.minimum(held["max_system_voltage_v"], held["max_voltage_v"])


def _voc_cold_check(key: str, *, limit: Input, whose: str) -> DesignCheck:
    return DesignCheck(
        key=key,
        family="voltage",
        title=f"String open-circuit voltage in the cold against {whose}",
        subject_kind="string",
        basis=_BOTH,
        formula=f"N Voc (1 + beta (Tmin - 25)) <= {limit.symbol}",
        inputs=(MODULES, VOC, BETA, MIN_TEMP, limit),
        unit="V",
        sense="at most",
        value=string_voc_cold,
        limit=lambda held: np.asarray(held[limit.name]),
        passing=f"On the coldest morning the string reaches {{value}} {{unit}}; {whose} is "
        "{limit} {unit}, which leaves {margin} {unit}.",
        failing=f"On the coldest morning the string reaches {{value}} {{unit}}, "
        f"{{margin}} {{unit}} above {whose} of {{limit}} {{unit}}.",
        remedy=_SHORTER,
        review_margin_ratio=_REVIEW_RATIO,
    )


def _compared(
    key: str,
    *,
    title: str,
    how: str,
    basis: dict[Practice, str],
    formula: str,
    inputs: tuple[Input, ...],
    value: Callable[[Values], FloatArray],
    advisory: str = "",
) -> DesignCheck:
    return DesignCheck(
        key=key,
        family="voltage",
        title=title,
        subject_kind="string",
        basis=basis,
        formula=f"{formula} <= min(Vsys, Vinv)",
        inputs=(*inputs, MODULE_LIMIT, INVERTER_LIMIT),
        unit="V",
        sense="at most",
        value=value,
        limit=_lesser_limit,
        passing=f"{how} the string reaches {{value}} {{unit}}; the lesser limit of module and "
        "inverter is {limit} {unit}, which leaves {margin} {unit}.",
        failing=f"{how} the string reaches {{value}} {{unit}}, {{margin}} {{unit}} above the "
        f"lesser limit of module and inverter, {{limit}} {{unit}}.{advisory}",
        remedy=_SHORTER,
        review_margin_ratio=_REVIEW_RATIO,
        advisory=bool(advisory),
    )


_DIODE = (MODULES, VOC, VMP, ISC, IMP, ALPHA, BETA, MIN_TEMP)
_MODEL_BASIS = {
    Practice.IEC: "de-soto-2006 single-diode model",
    Practice.NEC: "de-soto-2006 single-diode model",
}


def _vmp(held: Values, temp: str) -> FloatArray:
    module_v = voltage_at_temperature(
        held["vmp_v"], coefficient_per_k=held["beta_vmp_per_k"], cell_temp_c=held[temp]
    )
    return np.asarray(held["modules"] * module_v)


CHECKS: tuple[DesignCheck, ...] = (
    _voc_cold_check(
        "string-voc-cold-module", limit=MODULE_LIMIT, whose="the module's greatest system voltage"
    ),
    _voc_cold_check(
        "string-voc-cold-inverter", limit=INVERTER_LIMIT, whose="the inverter's greatest voltage"
    ),
    _voc_cold_check(
        "string-voc-cold-place", limit=PLACE_LIMIT, whose="the code's greatest voltage here"
    ),
    _compared(
        "string-voc-cold-table",
        title="String open-circuit voltage in the cold, by the code's table",
        how="By the table's factor for the coldest air",
        basis=_TABLE,
        formula="N Voc f(Tmin)",
        inputs=(MODULES, VOC, MIN_TEMP),
        value=_string_voc_by_table,
        advisory=" The table is for modules whose coefficient is not known and stands on the safe "
        "side; the maker's own coefficient decides.",
    ),
    _compared(
        "string-voc-cold-model",
        title="String open-circuit voltage in the cold at 1000 W/m2, by the single-diode model",
        how="By the single-diode model, in full sun on cells as cold as the coldest air,",
        basis=_MODEL_BASIS,
        formula="N Voc(1000 W/m2, Tmin)",
        inputs=_DIODE,
        value=lambda held: _string_voc_by_model(held, np.asarray(STC_IRRADIANCE_W_M2)),
    ),
    _compared(
        "string-voc-dawn-model",
        title="String open-circuit voltage at dawn, by the single-diode model",
        how="By the single-diode model, in the weak light of the coldest morning,",
        basis=_MODEL_BASIS,
        formula="N Voc(Gdawn, Tmin)",
        inputs=(*_DIODE, DAWN),
        value=lambda held: _string_voc_by_model(held, held["dawn_irradiance_w_m2"]),
    ),
    DesignCheck(
        key="string-vmp-hot",
        family="voltage",
        title="String voltage at maximum power in the heat against the MPPT window",
        subject_kind="string",
        basis=_WINDOW,
        formula="N Vmp (1 + beta_mp (Tmax - 25)) k >= Vlow",
        inputs=(MODULES, VMP, BETA_VMP, MAX_CELL_TEMP, END_OF_LIFE, MPPT_MIN),
        unit="V",
        sense="at least",
        value=lambda held: _vmp(held, "max_cell_temp_c") * held["end_of_life_voltage_ratio"],
        limit=lambda held: np.asarray(held["mppt_min_v"]),
        passing="On the hottest noon of its last years the string gives {value} {unit}, "
        "{margin} {unit} above the lower edge of the MPPT window, {limit} {unit}.",
        failing="On the hottest noon of its last years the string gives {value} {unit}, "
        "{margin} {unit} below the lower edge of the MPPT window, {limit} {unit}; it loses yield.",
        remedy=_IN_WINDOW,
    ),
    DesignCheck(
        key="string-vmp-cold",
        family="voltage",
        title="String voltage at maximum power in the cold against the MPPT window",
        subject_kind="string",
        basis=_WINDOW,
        formula="N Vmp (1 + beta_mp (Tmin - 25)) <= Vhigh",
        inputs=(MODULES, VMP, BETA_VMP, MIN_TEMP, MPPT_MAX),
        unit="V",
        sense="at most",
        value=lambda held: _vmp(held, "min_air_temp_c"),
        limit=lambda held: np.asarray(held["mppt_max_v"]),
        passing="In the greatest cold the string gives {value} {unit} at maximum power, "
        "{margin} {unit} below the upper edge of the MPPT window, {limit} {unit}.",
        failing="In the greatest cold the string gives {value} {unit} at maximum power, "
        "{margin} {unit} above the upper edge of the MPPT window, {limit} {unit}; it loses yield.",
        remedy=_IN_WINDOW,
    ),
    DesignCheck(
        key="string-voc-start",
        family="voltage",
        title="String open-circuit voltage in the heat against the inverter's start voltage",
        subject_kind="string",
        basis=_WINDOW,
        formula="N Voc (1 + beta (Tmax - 25)) k >= Vstart",
        inputs=(MODULES, VOC, BETA, MAX_CELL_TEMP, END_OF_LIFE, START),
        unit="V",
        sense="at least",
        value=lambda held: np.asarray(
            held["modules"]
            * voltage_at_temperature(
                held["voc_v"],
                coefficient_per_k=held["beta_voc_per_k"],
                cell_temp_c=held["max_cell_temp_c"],
            )
            * held["end_of_life_voltage_ratio"]
        ),
        limit=lambda held: np.asarray(held["start_voltage_v"]),
        passing="On the hottest noon of its last years the open string has {value} {unit}, "
        "{margin} {unit} above the inverter's start voltage of {limit} {unit}.",
        failing="On the hottest noon of its last years the open string has {value} {unit}, "
        "{margin} {unit} below the inverter's start voltage of {limit} {unit}; after a grid "
        "failure it would not start again.",
        remedy=_IN_WINDOW,
    ),
)
"""The checks of a string's voltage."""
