"""What the shape of an I-V curve says of its string: probabilities of the usual departures.

Six departures from the curve its modules should give are told apart, as the trade does: a step,
low current, low voltage, a flatter fall at open circuit (series resistance), a steeper slope at
short circuit (shunt), a rounder knee. Each is looked for in its own feature of the curve.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import log_ndtr

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.commissioning.curve_steps import CurveSteps
from arraywright.commissioning.curve_translation import CurvesAtStc
from arraywright.physics.desoto import translate
from arraywright.physics.single_diode import key_points
from arraywright.physics.uncertainty import combined

__all__ = ["DEPARTURES", "CurveCauses", "CurvePriors", "Departure", "curve_causes", "has_step"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Departure:
    """One way in which a curve departs, in words.

    Attributes:
        key: stable key, for example ``step``.
        words: what it looks like and what usually does it.
        check_next: what to look at next.
    """

    key: str
    words: str
    check_next: str


DEPARTURES: Final = (
    Departure(
        key="step",
        words="a step: bypass diodes conduct because part of the string gets or gives less "
        "current (shade, soiling, a weaker or broken module, mixed classes)",
        check_next="Look along the string for shade, soiling and damage, compare the labels with "
        "the plan, then look with thermography under load.",
    ),
    Departure(
        key="low-current",
        words="low current: the whole string is soiled or shaded, its modules are of a lower "
        "class, or the sensor is not in their plane",
        check_next="Clean one module and the sensor, lay the sensor in the plane, take the curve "
        "again; then compare the labels with the plan.",
    ),
    Departure(
        key="low-voltage",
        words="low voltage: a module or sub-string too few, a shorted bypass diode, or cells "
        "warmer than the thermometer said",
        check_next="Count the modules, measure the back-surface temperature of this string; look "
        "for a warm junction box.",
    ),
    Departure(
        key="series-resistance",
        words="a flat fall towards open circuit: a poor connector, terminal or solder joint, or "
        "very long leads",
        check_next="Take account of the leads; look at connectors and terminals with thermography "
        "under load, then open and remake the warm one.",
    ),
    Departure(
        key="shunt",
        words="a slope at short circuit: shunted cells, uneven soiling or shade, or modules of "
        "unlike current",
        check_next="Look for uneven soiling; then look for warm cells with thermography.",
    ),
    Departure(
        key="knee",
        words="a round knee: degraded cells, or modules of unlike current",
        check_next="Compare with strings beside it; where it is alone, take curves of its modules.",
    ),
)
"""Departures in the order of the columns; common practice, and from memory those of the annex on
curve shapes of IEC 62446-1."""

_RS_U_RATIO: Final = 0.25
_DIODE_U_RATIO: Final = 0.06
_SHUNT_U_RATIO: Final = 0.02
_STEP_U_RATIO: Final = 0.0012
_STEP_NOISES: Final = 3.0
"""Depth inside its hull, in its noise, that a sound curve shows anyway; from drawn curves of 30 to
300 points, which lie between 2 and 5."""
_STEP_LEAST_RATIO: Final = 0.008
_STEP_CLEAR: Final = 7.0
_TYPICAL_SHIFT: Final = np.array([0.10, 0.10, 0.04, 0.10, 0.15, 0.30])


@dataclass(frozen=True, slots=True, kw_only=True)
class CurvePriors:
    """Share of strings that show each departure, before the curve is seen; assumptions.

    Attributes:
        step_ratio: a step [1].
        low_current_ratio: low current [1].
        low_voltage_ratio: low voltage [1].
        series_resistance_ratio: high series resistance [1].
        shunt_ratio: low shunt [1].
        knee_ratio: a round knee [1].
    """

    step_ratio: float = 0.02
    low_current_ratio: float = 0.02
    low_voltage_ratio: float = 0.02
    series_resistance_ratio: float = 0.005
    shunt_ratio: float = 0.005
    knee_ratio: float = 0.005

    def in_order(self) -> FloatArray:
        """Give the shares in the order of ``DEPARTURES``, (6,)."""
        return np.array(
            [
                self.step_ratio,
                self.low_current_ratio,
                self.low_voltage_ratio,
                self.series_resistance_ratio,
                self.shunt_ratio,
                self.knee_ratio,
            ]
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveCauses:
    """Departures of curves with their probabilities.

    Attributes:
        feature: size of each departure in its own unit [1], (curves, 6), NaN where the curve does
            not show it: depth of the step inside the hull; fall of Isc and of Voc; excess of the
            slope at Voc in Voc/Isc; excess of the shunt conductance in Isc/Voc; excess of the
            diode voltage.
        feature_u: its standard uncertainty for a sound string [1], (curves, 6).
        probability: probability of each departure [1], (curves, 6), NaN likewise.
        sound_probability: probability that none is there [1], (curves,), NaN where no feature is
            known.
        likeliest: place of the likeliest among ``DEPARTURES``, -1 without one, (curves,).
        step_substrings: sub-strings that are bypassed at the step, as the voltage missing there
            says; NaN without a step, (curves,).
    """

    feature: FloatArray
    feature_u: FloatArray
    probability: FloatArray
    sound_probability: FloatArray
    likeliest: IntArray
    step_substrings: FloatArray


def curve_causes(
    at_stc: CurvesAtStc,
    *,
    irradiance_w_m2: FloatArray,
    cell_temp_c: FloatArray,
    substrings: npt.ArrayLike,
    priors: CurvePriors | None = None,
) -> CurveCauses:
    """Probability [1] of each usual departure of a curve from what its modules should give.

    Each departure d has one feature x, expected to be zero with standard uncertainty u for a
    sound string, and shifted upwards by an unknown size for a string that has it. With a
    half-normal size of scale s, the odds against sound are

        odds = prior/(1 - prior) 2 N(x; 0, u^2 + s^2)/N(x; 0, u^2) Phi(x s/(u sqrt(u^2 + s^2)))

    and the probability is odds/(1 + odds). The features are taken as independent, so that
    several departures may hold together; what they share (irradiance, temperature) is in u.
    Slope, shunt and knee come from the fit of one diode and are not told where the curve
    has a step, or where one diode does not describe it for another reason.

    Scales s, the u of the model (series resistance 25 %, diode voltage 6 %, shunt 0.02 Isc/Voc)
    and priors are assumptions, the former common practice.

    Args:
        at_stc: curves at STC with fit and expectation.
        irradiance_w_m2: irradiance of each curve, (curves,).
        cell_temp_c: cell temperature of each curve, (curves,).
        substrings: sub-strings with a bypass diode in each string [1], (curves,).
        priors: shares before the curve is seen.

    Source: jcgm-100 5.1.2, common-practice
    """
    prior = (priors or CurvePriors()).in_order()
    feature, feature_u = _features(at_stc, irradiance_w_m2=irradiance_w_m2, cell_temp_c=cell_temp_c)
    wide = np.hypot(feature_u, _TYPICAL_SHIFT)
    with np.errstate(invalid="ignore", divide="ignore"):
        z, z_wide = feature / feature_u, feature / wide
        log_odds = (
            np.log(prior / (1.0 - prior))
            + np.log(2.0 * feature_u / wide)
            + 0.5 * (np.square(z) - np.square(z_wide))
            + log_ndtr(z * _TYPICAL_SHIFT / wide)
        )
        probability = 1.0 / (1.0 + np.exp(-np.clip(log_odds, -500.0, 500.0)))
    probability = np.where(np.isfinite(feature) & np.isfinite(feature_u), probability, np.nan)
    known = np.isfinite(probability)
    sound = np.where(
        known.any(axis=1), np.prod(np.where(known, 1.0 - probability, 1.0), axis=1), np.nan
    )
    held = np.where(known, probability, -1.0)
    return CurveCauses(
        feature=feature,
        feature_u=feature_u,
        probability=probability,
        sound_probability=sound,
        likeliest=np.where(known.any(axis=1), np.argmax(held, axis=1), -1).astype(np.int64),
        step_substrings=_bypassed(at_stc, substrings=np.asarray(substrings, dtype=np.float64)),
    )


def has_step(steps: CurveSteps) -> BoolArray:
    """Say which curves have a step deeper than 0.8 % and seven times their noise, (curves,) [1].

    Source: common-practice
    """
    noise = np.nan_to_num(steps.noise_ratio, nan=0.0)
    return np.asarray(steps.depth_ratio > np.maximum(_STEP_LEAST_RATIO, _STEP_CLEAR * noise))


def _features(
    at_stc: CurvesAtStc, *, irradiance_w_m2: FloatArray, cell_temp_c: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Features and their standard uncertainties, both (curves, 6)."""
    stc, nominal, fit = at_stc.key_points, at_stc.nominal, at_stc.fit
    light = np.where(irradiance_w_m2 > 0.0, irradiance_w_m2, np.nan)
    diode = translate(nominal.reference(), irradiance_w_m2=light, cell_temp_c=cell_temp_c)
    expected = key_points(diode)
    ohm = expected.voc_v / expected.isc_a
    one = fit.is_one_diode & ~has_step(at_stc.steps)
    noise = np.nan_to_num(at_stc.steps.noise_ratio, nan=0.0)
    shunt = 1.0 / diode.shunt_resistance_ohm
    at_voc = diode.diode_voltage_v / diode.photocurrent_a
    slope = diode.series_resistance_ohm + 1.0 / (1.0 / at_voc + shunt)
    rows = (
        (
            np.maximum(at_stc.steps.depth_ratio - _STEP_NOISES * noise, 0.0),
            combined(_STEP_U_RATIO, noise),
        ),
        (
            1.0 - stc.isc_a / nominal.isc_a,
            combined(at_stc.isc_u_a, at_stc.isc_nominal_u_a) / nominal.isc_a,
        ),
        (
            1.0 - stc.voc_v / nominal.voc_v,
            combined(at_stc.voc_u_v, at_stc.voc_nominal_u_v) / nominal.voc_v,
        ),
        (
            np.where(one, fit.voc_slope_ohm - slope, np.nan) / ohm,
            combined(
                fit.voc_slope_u_ohm,
                _RS_U_RATIO * diode.series_resistance_ohm,
                _DIODE_U_RATIO * at_voc,
            )
            / ohm,
        ),
        (
            np.where(one, fit.shunt_conductance_ratio - shunt * ohm, np.nan),
            combined(fit.shunt_conductance_u_ratio, _SHUNT_U_RATIO),
        ),
        (
            np.where(one, fit.diode_voltage_v / diode.diode_voltage_v - 1.0, np.nan),
            combined(fit.diode_voltage_u_v / diode.diode_voltage_v, _DIODE_U_RATIO),
        ),
    )
    return (
        np.stack([feature for feature, _ in rows], axis=1),
        np.stack([np.broadcast_to(u, feature.shape) for feature, u in rows], axis=1),
    )


def _bypassed(at_stc: CurvesAtStc, *, substrings: FloatArray) -> FloatArray:
    """Sub-strings bypassed at the step: the share of voltage missing there times their number."""
    steps, nominal = at_stc.steps, at_stc.nominal
    diode = nominal.reference().at_reference()
    stepped = has_step(steps)
    voltage = np.where(stepped, steps.at_voltage_v, np.nan)
    current = np.where(stepped, steps.at_current_a, np.nan)
    junction = np.log1p(
        np.maximum(diode.photocurrent_a - current, 0.0) / diode.saturation_current_a
    )
    whole = diode.diode_voltage_v * junction - current * diode.series_resistance_ohm
    with np.errstate(invalid="ignore", divide="ignore"):
        found = np.round(substrings * (1.0 - voltage / whole))
        return np.clip(found, 1.0, substrings)
