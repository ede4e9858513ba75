"""From standard test conditions to any irradiance and cell temperature, after De Soto."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy import constants

from arraywright.arrays import FloatArray
from arraywright.errors import CallError
from arraywright.physics.single_diode import (
    SingleDiode,
    common_shape,
    open_circuit_voltage,
    taken,
)
from arraywright.units import KELVIN_AT_0_C

__all__ = [
    "BANDGAP_SILICON_EV",
    "BANDGAP_SLOPE_SILICON_PER_K",
    "STC_CELL_TEMP_C",
    "STC_IRRADIANCE_W_M2",
    "ReferenceDiode",
    "translate",
    "voc_coefficient",
    "with_voc_coefficient",
]

STC_IRRADIANCE_W_M2: Final = 1000.0
STC_CELL_TEMP_C: Final = 25.0
BANDGAP_SILICON_EV: Final = 1.121
"""Bandgap of silicon at 25 degC [eV]; de-soto-2006."""
BANDGAP_SLOPE_SILICON_PER_K: Final = -0.0002677
"""Relative change of the bandgap of silicon with temperature [1/K]; de-soto-2006 eq. 10."""

BOLTZMANN_EV_PER_K: Final[float] = constants.value("Boltzmann constant in eV/K")


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceDiode:
    """Single-diode parameters of n modules at 1000 W/m2 and 25 degC cell temperature.

    Given scalars and arrays are brought to the common shape (n,) as float64.

    Attributes:
        photocurrent_a: light-generated current IL [A].
        saturation_current_a: diode saturation current I0 [A].
        series_resistance_ohm: series resistance Rs [ohm].
        shunt_resistance_ohm: shunt resistance Rsh [ohm].
        diode_voltage_v: a = n Ns k T/q [V].
        alpha_isc_a_per_k: temperature coefficient of the short-circuit current [A/K].
        bandgap_ev: bandgap at 25 degC [eV].
        bandgap_slope_per_k: relative change of the bandgap with temperature [1/K].
    """

    photocurrent_a: FloatArray
    saturation_current_a: FloatArray
    series_resistance_ohm: FloatArray
    shunt_resistance_ohm: FloatArray
    diode_voltage_v: FloatArray
    alpha_isc_a_per_k: FloatArray
    bandgap_ev: FloatArray = field(default_factory=lambda: np.array([BANDGAP_SILICON_EV]))
    bandgap_slope_per_k: FloatArray = field(
        default_factory=lambda: np.array([BANDGAP_SLOPE_SILICON_PER_K])
    )

    def __post_init__(self) -> None:
        common_shape(self)

    def __len__(self) -> int:
        return len(self.photocurrent_a)

    def take(self, index: npt.ArrayLike | slice) -> ReferenceDiode:
        """Give the modules at these indices (or of a mask or slice), in this order."""
        return ReferenceDiode(**taken(self, index))

    def at_reference(self) -> SingleDiode:
        """Give the diode at 1000 W/m2 and 25 degC itself."""
        return SingleDiode(
            photocurrent_a=self.photocurrent_a,
            saturation_current_a=self.saturation_current_a,
            series_resistance_ohm=self.series_resistance_ohm,
            shunt_resistance_ohm=self.shunt_resistance_ohm,
            diode_voltage_v=self.diode_voltage_v,
        )


def translate(
    reference: ReferenceDiode,
    *,
    irradiance_w_m2: npt.ArrayLike,
    cell_temp_c: npt.ArrayLike,
) -> SingleDiode:
    """Parameters of the modules at an irradiance [W/m2] and a cell temperature [degC].

    With T in kelvin, T0 = 298.15 K and S the irradiance::

        a   = a0 T/T0
        IL  = S/1000 (IL0 + alpha (T - T0))
        I0  = I00 (T/T0)^3 exp(Eg0/(k T0) - Eg/(k T)),  Eg = Eg0 (1 + slope (T - T0))
        Rsh = Rsh0 1000/S,  Rs = Rs0

    At zero irradiance the photocurrent is zero and the shunt resistance infinite.

    Args:
        reference: n modules, or one that is meant everywhere.
        irradiance_w_m2: effective irradiance in the plane, scalar or shape (n,), not negative.
        cell_temp_c: cell temperature, scalar or shape (n,).

    Returns:
        The n modules (the common length of the three) at their condition.

    Raises:
        CallError: ``shapes-differ`` when the lengths do not fit.
        CallError: ``negative-irradiance`` when an irradiance is below zero.

    Source: de-soto-2006 eq. 2, 7, 8, 9, 10, 12 with the air-mass modifier at one.
    """
    irradiance = np.asarray(irradiance_w_m2, dtype=np.float64)
    if np.any(irradiance < 0.0):
        raise CallError(
            "negative-irradiance",
            f"Found an irradiance of {np.nanmin(irradiance):g} W/m2; required: zero or more.",
            "Set readings of the dark to zero first.",
        )
    temp_k = np.asarray(cell_temp_c, dtype=np.float64) + KELVIN_AT_0_C
    temp_0_k = STC_CELL_TEMP_C + KELVIN_AT_0_C
    warmer_k = temp_k - temp_0_k
    suns = irradiance / STC_IRRADIANCE_W_M2
    try:
        np.broadcast_shapes(irradiance.shape, temp_k.shape, reference.photocurrent_a.shape)
    except ValueError:
        raise CallError(
            "shapes-differ",
            f"Found {len(reference)} modules, irradiance {irradiance.shape} and cell "
            f"temperature {temp_k.shape}; required: scalars or arrays of one length.",
            "Give one irradiance and one temperature per module.",
        ) from None
    bandgap_ev = reference.bandgap_ev * (1.0 + reference.bandgap_slope_per_k * warmer_k)
    exponent = (reference.bandgap_ev / temp_0_k - bandgap_ev / temp_k) / BOLTZMANN_EV_PER_K
    with np.errstate(divide="ignore"):
        shunt_ohm = reference.shunt_resistance_ohm / suns
    return SingleDiode(
        photocurrent_a=suns * (reference.photocurrent_a + reference.alpha_isc_a_per_k * warmer_k),
        saturation_current_a=reference.saturation_current_a
        * (temp_k / temp_0_k) ** 3
        * np.exp(exponent),
        series_resistance_ohm=reference.series_resistance_ohm,
        shunt_resistance_ohm=shunt_ohm,
        diode_voltage_v=reference.diode_voltage_v * (temp_k / temp_0_k),
    )


def _voc_slopes(reference: ReferenceDiode) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Give at Voc of STC: currents I0 (exp(y) - 1), (I0 y exp(y)) and -dI/dV, each (n,)."""
    y = open_circuit_voltage(reference.at_reference()) / reference.diode_voltage_v
    grown_a = reference.saturation_current_a * np.exp(y)
    with np.errstate(divide="ignore"):
        fall_s = grown_a / reference.diode_voltage_v + 1.0 / reference.shunt_resistance_ohm
    return reference.saturation_current_a * np.expm1(y), grown_a * y, fall_s


def voc_coefficient(reference: ReferenceDiode) -> FloatArray:
    """Temperature coefficient of the open-circuit voltage [V/K] that ``translate`` follows at STC.

    The derivative of Voc by the temperature of ``translate``, in closed form, with y = Voc/a::

        dVoc/dT = (alpha - kappa I0 (exp(y) - 1)/T + I0 y exp(y)/T) / (I0 exp(y)/a + 1/Rsh)
        kappa   = d ln I0 / d ln T = 3 + Eg (1 - slope T)/(k T)

    Args:
        reference: n modules.

    Returns:
        Shape (n,); nan where a parameter is nan.

    Source: de-soto-2006 eq. 2, 7, 8, 9, 10, differentiated.
    """
    temp_k = STC_CELL_TEMP_C + KELVIN_AT_0_C
    lost_a, widened_a, fall_s = _voc_slopes(reference)
    bandgap_in_kt = reference.bandgap_ev / (BOLTZMANN_EV_PER_K * temp_k)
    kappa = 3.0 + bandgap_in_kt * (1.0 - reference.bandgap_slope_per_k * temp_k)
    beta: FloatArray = (
        reference.alpha_isc_a_per_k + (widened_a - kappa * lost_a) / temp_k
    ) / fall_s
    return beta


def with_voc_coefficient(
    reference: ReferenceDiode, *, beta_voc_v_per_k: npt.ArrayLike
) -> ReferenceDiode:
    """Modules with the same curve at STC whose ``translate`` follows this dVoc/dT [V/K].

    The bandgap is replaced by an effective one that solves the equation of ``voc_coefficient``.
    For modules whose curve at STC and whose beta no five positive parameters keep together
    (see ``fit_datasheet``), this keeps the curve and the measured beta; the bandgap is then a
    fitted number, no longer a property of the material.

    Args:
        reference: n modules.
        beta_voc_v_per_k: wanted coefficient, scalar or shape (n,).

    Returns:
        The modules with their effective bandgap; it may leave the range of silicon.

    Raises:
        CallError: ``shapes-differ`` when the lengths do not fit.

    Source: de-soto-2006 eq. 2, 7, 8, 9, 10; the effective bandgap is this project's own choice.
    """
    temp_k = STC_CELL_TEMP_C + KELVIN_AT_0_C
    beta = np.asarray(beta_voc_v_per_k, dtype=np.float64)
    if beta.shape not in {(), (1,), (len(reference),)}:
        raise CallError(
            "shapes-differ",
            f"Found {len(reference)} modules and coefficients {beta.shape}; "
            "required: a scalar or one per module.",
            "Give one coefficient per module.",
        )
    lost_a, widened_a, fall_s = _voc_slopes(reference)
    with np.errstate(divide="ignore", invalid="ignore"):
        kappa = (temp_k * (reference.alpha_isc_a_per_k - beta * fall_s) + widened_a) / lost_a
    steepness = 1.0 - reference.bandgap_slope_per_k * temp_k
    bandgap_ev = (kappa - 3.0) * BOLTZMANN_EV_PER_K * temp_k / steepness
    return replace(reference, bandgap_ev=bandgap_ev)
