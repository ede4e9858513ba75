"""Cell temperature from weather, from the back of a module, or from its open-circuit voltage.

Every function also gives a standard uncertainty. The defaults say where they come from; pass your
own where you know better.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from pvlib import temperature

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics.desoto import STC_CELL_TEMP_C, STC_IRRADIANCE_W_M2
from arraywright.physics.uncertainty import Quantity, propagate

__all__ = [
    "MOUNTINGS",
    "CellTemperature",
    "from_air",
    "from_back_surface",
    "from_voc",
]

Mounting = Literal[
    "open_rack_glass_glass",
    "open_rack_glass_polymer",
    "close_mount_glass_glass",
    "insulated_back_glass_polymer",
]

MOUNTINGS: Final[dict[str, tuple[float, float, float]]] = {
    "open_rack_glass_glass": (-3.47, -0.0594, 3.0),
    "open_rack_glass_polymer": (-3.56, -0.0750, 3.0),
    "close_mount_glass_glass": (-2.98, -0.0471, 1.0),
    "insulated_back_glass_polymer": (-2.81, -0.0455, 0.0),
}
"""Coefficients a, b and rise of the cell over the back at 1000 W/m2 [K], by mounting.

Source: pvlib-sapm-temperature table 1.
"""

SAPM_UNCERTAINTY_K: Final = 2.5
"""Half of the plus or minus 5 K that the model's report names as its accuracy; from memory."""
FAIMAN_UNCERTAINTY_K: Final = 2.5
"""As for the other model; steady fields do better, moments in gusts worse. From memory."""
CONTACT_UNCERTAINTY_K: Final = 1.0
"""A taped sensor on the back of one module; common practice."""
RISE_UNCERTAINTY_RATIO: Final = 0.5
"""Of the rise from back to cell, which differs by construction and wind; common practice."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CellTemperature:
    """Cell temperature with its standard uncertainty.

    Attributes:
        cell_temp_c: cell temperature [degC].
        standard_uncertainty_k: standard uncertainty (coverage factor 1) [K], same shape.
        method: how it was found, in words.
        basis: source key and clause.
    """

    cell_temp_c: FloatArray
    standard_uncertainty_k: FloatArray
    method: str
    basis: str


def from_air(
    model: Literal["sapm", "faiman"] = "sapm",
    *,
    irradiance_w_m2: npt.ArrayLike,
    air_temp_c: npt.ArrayLike,
    wind_m_s: npt.ArrayLike,
    mounting: Mounting = "open_rack_glass_polymer",
    heat_loss_w_m2_k: float = 25.0,
    heat_loss_wind_w_s_m3_k: float = 6.84,
    air_temp_uncertainty_k: npt.ArrayLike = 0.5,
    model_uncertainty_k: npt.ArrayLike | None = None,
) -> CellTemperature:
    """Cell temperature [degC] from irradiance, air temperature and wind.

    ``sapm``: ``Tm = G exp(a + b v) + Ta`` and ``Tc = Tm + G/1000 dT`` with the coefficients of a
    mounting; wind at 10 m. ``faiman``: ``T = Ta + G / (U0 + U1 v)``; wind at module height. Valid
    in steady sun: for some minutes after a cloud the cell is cooler than either says.

    Args:
        model: which of the two.
        irradiance_w_m2: irradiance in the plane of the module.
        air_temp_c: air temperature in the shade.
        wind_m_s: wind speed.
        mounting: a key of MOUNTINGS, for ``sapm``.
        heat_loss_w_m2_k: U0 [W/(m2 K)], for ``faiman``; the default is the field mean of its
            source.
        heat_loss_wind_w_s_m3_k: U1 [W s/(m3 K)], likewise.
        air_temp_uncertainty_k: standard uncertainty of the air temperature; 0.5 K is common
            practice.
        model_uncertainty_k: standard uncertainty of the model; 2.5 K from memory when left out.

    Raises:
        CallError: ``unknown-model``, ``unknown-mounting``.

    Source: pvlib-sapm-temperature eq. 11 and 12; faiman-2008 eq. 4.
    """
    irradiance = np.asarray(irradiance_w_m2, dtype=np.float64)
    air = np.asarray(air_temp_c, dtype=np.float64)
    wind = np.asarray(wind_m_s, dtype=np.float64)
    if model == "sapm":
        if mounting not in MOUNTINGS:
            raise CallError(
                "unknown-mounting",
                f"Found mounting {mounting!r}; required: one of {', '.join(MOUNTINGS)}.",
                "Choose the one that is nearest in how air reaches the back.",
            )
        a, b, rise_k = MOUNTINGS[mounting]
        cell = temperature.sapm_cell(irradiance, air, wind, a, b, rise_k)
        default, basis = SAPM_UNCERTAINTY_K, "pvlib-sapm-temperature eq. 11, 12"
    elif model == "faiman":
        cell = temperature.faiman(
            irradiance, air, wind, u0=heat_loss_w_m2_k, u1=heat_loss_wind_w_s_m3_k
        )
        default, basis = FAIMAN_UNCERTAINTY_K, "faiman-2008 eq. 4"
    else:
        raise CallError(
            "unknown-model",
            f"Found model {model!r}; required: sapm or faiman.",
            "Name one of the two.",
        )
    own = default if model_uncertainty_k is None else np.asarray(model_uncertainty_k)
    cell = np.asarray(cell, dtype=np.float64)
    spread = np.hypot(own, np.asarray(air_temp_uncertainty_k, dtype=np.float64))
    return CellTemperature(
        cell_temp_c=cell,
        standard_uncertainty_k=np.broadcast_to(spread, cell.shape),
        method=f"air temperature, wind and irradiance, model {model}",
        basis=basis,
    )


def from_back_surface(
    back_temp_c: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    *,
    delta_k: npt.ArrayLike = 3.0,
    sensor_uncertainty_k: npt.ArrayLike = CONTACT_UNCERTAINTY_K,
    rise_uncertainty_ratio: npt.ArrayLike = RISE_UNCERTAINTY_RATIO,
) -> CellTemperature:
    """Cell temperature [degC] from the temperature of the module's back.

    ``Tc = Tb + G/1000 delta``. The default rise of 3 K is for open racks, with glass or polymer
    at the back; 1 K close to a roof, 0 K on insulation.

    Args:
        back_temp_c: measured temperature of the back, behind a cell and away from the frame.
        irradiance_w_m2: irradiance in the plane at the same moment.
        delta_k: rise from back to cell at 1000 W/m2.
        sensor_uncertainty_k: standard uncertainty of the sensor as taped on.
        rise_uncertainty_ratio: standard uncertainty of the rise, relative.

    Source: pvlib-sapm-temperature eq. 12.
    """
    back, irradiance, delta, sensor, relative = np.broadcast_arrays(
        np.asarray(back_temp_c, dtype=np.float64),
        np.asarray(irradiance_w_m2, dtype=np.float64),
        np.asarray(delta_k, dtype=np.float64),
        np.asarray(sensor_uncertainty_k, dtype=np.float64),
        np.asarray(rise_uncertainty_ratio, dtype=np.float64),
    )
    rise = irradiance / STC_IRRADIANCE_W_M2 * delta
    return CellTemperature(
        cell_temp_c=back + rise,
        standard_uncertainty_k=np.hypot(sensor, relative * rise),
        method="temperature of the back and irradiance",
        basis="pvlib-sapm-temperature eq. 12",
    )


def from_voc(
    voc_v: npt.ArrayLike,
    irradiance_w_m2: npt.ArrayLike,
    *,
    voc_stc_v: npt.ArrayLike,
    beta_voc_per_k: npt.ArrayLike,
    irradiance_factor_ratio: npt.ArrayLike = 0.06,
    voc_uncertainty_ratio: npt.ArrayLike = 0.003,
    voc_stc_uncertainty_ratio: npt.ArrayLike = 0.005,
    irradiance_uncertainty_ratio: npt.ArrayLike = 0.03,
    beta_uncertainty_ratio: npt.ArrayLike = 0.05,
) -> CellTemperature:
    """Equivalent cell temperature [degC] from the open-circuit voltage of a healthy module.

    ``T = 25 + (Voc/Voc_STC - 1 - a ln(G/1000)) / beta``, the translation of Voc by IEC 60891
    (2009) solved for the temperature. Never use it on the string that is under test: a missing
    voltage would pass as heat. Good to 1 K above 600 W/m2 and from 0 to 70 degC where the
    coefficients are exact; to 2 K at 400 W/m2, since the irradiance factor grows with heat.

    Args:
        voc_v: measured open-circuit voltage.
        irradiance_w_m2: irradiance in the plane at the same moment, above zero.
        voc_stc_v: open-circuit voltage of the same module at STC.
        beta_voc_per_k: relative temperature coefficient of Voc [1/K], below zero.
        irradiance_factor_ratio: a [1]: relative rise of Voc per e-fold of irradiance, which is
            the diode voltage over Voc; 0.06 is typical of crystalline silicon, from memory.
        voc_uncertainty_ratio: standard uncertainty of the reading, relative.
        voc_stc_uncertainty_ratio: standard uncertainty of Voc at STC, relative.
        irradiance_uncertainty_ratio: standard uncertainty of the irradiance, relative.
        beta_uncertainty_ratio: standard uncertainty of beta, relative; the four defaults are
            common practice.

    Raises:
        CallError: ``value-out-of-range`` when a voltage or irradiance is not above zero or beta
            is not below zero.

    Source: iec-60904-5 7, the equation from memory.
    """
    voc = np.asarray(voc_v, dtype=np.float64)
    irradiance = np.asarray(irradiance_w_m2, dtype=np.float64)
    voc_stc = np.asarray(voc_stc_v, dtype=np.float64)
    beta = np.asarray(beta_voc_per_k, dtype=np.float64)
    if np.any(voc <= 0.0) or np.any(irradiance <= 0.0) or np.any(voc_stc <= 0.0):
        raise CallError(
            "value-out-of-range",
            "Found a voltage or irradiance that is not above zero; required: above zero.",
            "Leave readings out that were taken in the dark or with wrong polarity.",
        )
    if np.any(beta >= 0.0):
        raise CallError(
            "value-out-of-range",
            f"Found beta_voc_per_k {np.nanmax(beta):g}; required: below zero.",
            "Voc falls with temperature: give the coefficient with its sign, per K.",
        )
    found = propagate(
        _equivalent_temperature,
        {
            "voc": Quantity(
                value=voc, standard_uncertainty=voc * np.asarray(voc_uncertainty_ratio)
            ),
            "irradiance": Quantity(
                value=irradiance,
                standard_uncertainty=irradiance * np.asarray(irradiance_uncertainty_ratio),
            ),
            "voc_stc": Quantity(
                value=voc_stc,
                standard_uncertainty=voc_stc * np.asarray(voc_stc_uncertainty_ratio),
            ),
            "beta": Quantity(
                value=beta, standard_uncertainty=-beta * np.asarray(beta_uncertainty_ratio)
            ),
            "factor": Quantity(
                value=np.asarray(irradiance_factor_ratio, dtype=np.float64),
                standard_uncertainty=np.asarray(0.0),
            ),
        },
    )
    return CellTemperature(
        cell_temp_c=found.value,
        standard_uncertainty_k=found.standard_uncertainty,
        method="open-circuit voltage and irradiance",
        basis="iec-60904-5 7",
    )


def _equivalent_temperature(
    *,
    voc: FloatArray,
    irradiance: FloatArray,
    voc_stc: FloatArray,
    beta: FloatArray,
    factor: FloatArray,
) -> FloatArray:
    lift = voc / voc_stc - 1.0 - factor * np.log(irradiance / STC_IRRADIANCE_W_M2)
    return STC_CELL_TEMP_C + lift / beta
