"""What can be wrong with a string or a reading, and what each would shift, with stated priors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from arraywright.arrays import FloatArray, IntArray
from arraywright.plant import ModuleType

__all__ = [
    "CAUSES",
    "CHANNELS",
    "READING_CAUSES",
    "CausePriors",
    "Component",
    "reading_components",
    "string_components",
]

CHANNELS: Final = ("voc", "isc", "load")
"""Open-circuit voltage, short-circuit current, operating current under load."""

CAUSES: Final = (
    "none",
    "bypass-diode-shorted",
    "module-missing",
    "module-surplus",
    "module-reversed",
    "wrong-class",
    "wrong-type",
    "substring-open",
    "shade-or-soiling",
    "series-resistance-high",
    "shunt-low",
)
"""Discrete causes in a string; one holds for all its readings."""

READING_CAUSES: Final = (
    "reading-sound",
    "label-wrong",
    "unit-slip",
    "digits-swapped",
    "sensor-stale",
    "reading-off",
)
"""Causes in one reading alone."""

_SOILING: Final = (0.02, 0.035, 0.06, 0.10, 0.18, 0.35, 0.6)
_SOILING_MEAN: Final = 0.06
_RESISTANCE: Final = (0.01, 0.02, 0.04, 0.08)
_SHUNT: Final = (0.003, 0.008, 0.02)
_STALE_LIGHT: Final = (0.02, 0.05, 0.1, 0.2, 0.4, 0.8)
_VOC_PER_LIGHT: Final = 0.041
"""Change of ln Voc per change of ln light: a thermal voltage of 28.5 mV in 0.69 V of a cell."""
_THERMAL_VOLTAGE_V: Final = 0.0285
"""Ideality 1.1 times k T / q at 28 degC; the model's own ideality changes a soiled Voc little."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CausePriors:
    """How often each cause is met, before any reading; assumptions to be adjusted to experience.

    Attributes:
        strings: share of strings with each cause of ``CAUSES`` but none [1].
        readings: share of readings with each cause of ``READING_CAUSES`` but sound [1].
        weight_strings: how many strings' experience the shares of strings are worth.

    Source: common-practice
    """

    strings: dict[str, float] = field(
        default_factory=lambda: {
            "bypass-diode-shorted": 0.004,
            "module-missing": 0.0015,
            "module-surplus": 0.0005,
            "module-reversed": 0.0005,
            "wrong-class": 0.002,
            "wrong-type": 0.0003,
            "substring-open": 0.0007,
            "shade-or-soiling": 0.006,
            "series-resistance-high": 0.001,
            "shunt-low": 0.0005,
        }
    )
    readings: dict[str, float] = field(
        default_factory=lambda: {
            "label-wrong": 0.002,
            "unit-slip": 0.0005,
            "digits-swapped": 0.0005,
            "sensor-stale": 0.001,
            "reading-off": 0.001,
        }
    )
    weight_strings: float = 500.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Component:
    """One form of a cause: where it puts each channel of ``ln(measured / expected)``.

    Attributes:
        cause: name in ``CAUSES`` or ``READING_CAUSES``.
        share: its share of the cause [1].
        shift: shift of each channel, (channels,) or (channels, n).
        spread: standard deviation of the shift beside the channel's own noise, (channels,).
    """

    cause: str
    share: float
    shift: FloatArray
    spread: FloatArray


def _component(
    cause: str,
    share: float,
    *,
    voc: float = 0.0,
    isc: float = 0.0,
    load: float = 0.0,
    spread: tuple[float, float, float] = (0.0, 0.0, 0.0),
) -> Component:
    return Component(
        cause=cause,
        share=share,
        shift=np.array([voc, isc, load]),
        spread=np.array(spread),
    )


def _lost(count: float, modules: int) -> float:
    """Give the shift of ln Voc when so many modules' voltage is lost; a string is never emptied."""
    return float(np.log(max(1.0 - count / modules, 0.02)))


def string_components(
    module_type: ModuleType, *, modules: int, class_power_w: float
) -> tuple[Component, ...]:
    """Forms of every cause for strings of one type, class and length; the first is none.

    Voltage shifts follow from counting: k of s sub-strings of one module lost is -k/(s n) of the
    string's Voc; a missing module -1/n, a reversed one -2/n. A sub-string that is open shows the
    same in Voc as a shorted diode. Soiling or shade of the whole string lowers Isc by a share and
    Voc by the diode's logarithm of it. One shaded or weak module alone moves neither Voc nor Isc
    of a string by much: that needs an I-V curve. Series resistance shows only under load.

    Args:
        module_type: type of the string's modules.
        modules: modules in series.
        class_power_w: power class of the string's modules [W].

    Source: common-practice for the sizes; de-soto-2006 for Voc in weaker light
    """
    parts = module_type.bypass_substrings
    held: list[Component] = [_component("none", 1.0)]
    sub = [0.8 * 0.2**k for k in range(max(parts - 1, 1))]
    for k in range(max(parts - 1, 1)):
        shift = _lost((k + 1) / max(parts, 2), modules)
        held += [
            _component(cause, sub[k] / sum(sub), voc=shift, load=0.3 * shift)
            for cause in ("bypass-diode-shorted", "substring-open")
        ]
    held.append(_component("module-missing", 0.95, voc=_lost(1, modules), load=0.3 / -modules))
    held.append(_component("module-missing", 0.05, voc=_lost(2, modules), load=0.6 / -modules))
    held.append(_component("module-surplus", 1.0, voc=float(np.log1p(1.0 / modules))))
    held.append(_component("module-reversed", 1.0, voc=_lost(2, modules), load=0.6 / -modules))
    held += _class_components(module_type, class_power_w=class_power_w)
    held.append(_component("wrong-type", 1.0, spread=(0.06, 0.06, 0.06)))
    cell_v = _typical_voc(module_type, class_power_w) / module_type.cells_in_series
    weights = np.exp(-np.array(_SOILING) / _SOILING_MEAN)
    for share, weight in zip(_SOILING, weights / weights.sum(), strict=True):
        light = float(np.log1p(-share))
        held.append(
            _component(
                "shade-or-soiling",
                float(weight),
                voc=light * _THERMAL_VOLTAGE_V / cell_v,
                isc=light,
                load=light,
                spread=(0.0005, 0.3 * share, 0.3 * share),
            )
        )
    for share in _RESISTANCE:
        held.append(
            _component(
                "series-resistance-high",
                1.0 / len(_RESISTANCE),
                load=-share,
                spread=(0.0, 0.0, 0.3 * share),
            )
        )
    for share in _SHUNT:
        held.append(
            _component(
                "shunt-low",
                1.0 / len(_SHUNT),
                voc=-share,
                isc=-share / 2.0,
                load=-2.0 * share,
                spread=(0.3 * share, 0.3 * share, 0.6 * share),
            )
        )
    return tuple(held)


def _nearest(module_type: ModuleType, class_power_w: float) -> int:
    gaps = [abs(one.power_w - class_power_w) for one in module_type.power_classes]
    return int(np.argmin(gaps)) if gaps else 0


def _typical_voc(module_type: ModuleType, class_power_w: float) -> float:
    return module_type.power_classes[_nearest(module_type, class_power_w)].voc_v


def _class_components(module_type: ModuleType, *, class_power_w: float) -> list[Component]:
    """Strings built of another class of the type; without another class, of a like one."""
    own = module_type.power_classes[_nearest(module_type, class_power_w)]
    others = [one for one in module_type.power_classes if one is not own]
    spread = (0.001, 0.002, 0.002)
    if not others:
        return [
            _component("wrong-class", 0.5, voc=0.004 * sign, isc=0.006 * sign, spread=spread)
            for sign in (-1.0, 1.0)
        ]
    return [
        _component(
            "wrong-class",
            1.0 / len(others),
            voc=float(np.log(one.voc_v / own.voc_v)),
            isc=float(np.log(one.isc_a / own.isc_a)),
            load=float(np.log(one.imp_a / own.imp_a)),
            spread=spread,
        )
        for one in others
    ]


def _swapped(value: float) -> list[float]:
    """Give what was meant if two neighbouring digits of a typed number were swapped."""
    text = f"{value:.10g}"
    meant = set()
    for at in range(len(text) - 1):
        first, second = text[at], text[at + 1]
        if first.isdigit() and second.isdigit() and first != second:
            meant.add(float(text[:at] + second + first + text[at + 2 :]))
    return sorted(one for one in meant if one > 0.0)


def reading_components(
    *,
    voc_v: FloatArray,
    isc_a: FloatArray,
    expected_voc_v: FloatArray,
    level_ratio: Sequence[float] = (),
) -> tuple[Component, ...]:
    """Forms of every cause in a reading alone; the first is a sound reading.

    - label: the reading is of another string; shifts are those between the expected values of
      strings of the site (``level_ratio``, as ln Voc), none where all strings are alike.
    - unit: a factor of ten or a thousand in voltage or current.
    - digits: two neighbouring digits of the typed voltage or current are swapped; every swap
      that gives another number is a form of its own, with the shift it makes.
    - sensor: the irradiance was not that of the moment and the string; Isc is off by it, Voc by
      its logarithm times the thermal voltage of a cell.
    - off: anything else.

    Args:
        voc_v: measured Voc, nan where none, (n,).
        isc_a: measured Isc, likewise.
        expected_voc_v: expected Voc of the same readings.
        level_ratio: natural logarithms of expected Voc met in the session.

    Source: common-practice
    """
    count = len(voc_v)
    held = [_component("reading-sound", 1.0)]
    own = np.log(np.where(expected_voc_v > 0.0, expected_voc_v, np.nan))
    for level in level_ratio:
        shift = np.zeros((3, count))
        shift[0] = np.nan_to_num(level - own)
        apart = np.abs(shift[0]) > 0.002
        share = np.where(apart, 1.0 / max(len(level_ratio), 1), 0.0)
        held.append(
            Component(
                cause="label-wrong",
                share=float(share.mean()),
                shift=np.where(apart, shift, np.inf),
                spread=np.array([0.004, 0.01, 0.02]),
            )
        )
    for factor in (0.001, 0.1, 10.0, 1000.0):
        for channel in range(2):
            moved = np.zeros(3)
            moved[channel] = np.log(factor)
            held.append(Component(cause="unit-slip", share=0.125, shift=moved, spread=np.zeros(3)))
    for channel, value in enumerate((voc_v, isc_a)):
        held += _digit_components(channel, value)
    for light in _STALE_LIGHT:
        for change in (-light, light):
            held.append(
                _component(
                    "sensor-stale",
                    0.5 / len(_STALE_LIGHT),
                    voc=_VOC_PER_LIGHT * change,
                    isc=change,
                    load=change,
                    spread=(0.0005, 0.3 * light, 0.3 * light),
                )
            )
    held.append(_component("reading-off", 1.0, spread=(0.08, 0.08, 0.08)))
    return tuple(one for one in held if one.share > 0.0)


def _digit_components(channel: int, value: FloatArray) -> list[Component]:
    meant = [
        _swapped(float(one)) if np.isfinite(one) and one > 0.0 else [] for one in value.tolist()
    ]
    most = max((len(one) for one in meant), default=0)
    held = []
    for at in range(most):
        shift = np.full((3, len(value)), np.inf)
        has: IntArray = np.array(
            [row for row, one in enumerate(meant) if at < len(one)], dtype=np.int64
        )
        shift[:, has] = 0.0
        true = np.array([meant[row][at] for row in has.tolist()])
        shift[channel, has] = np.log(value[has] / true)
        small = np.abs(shift[channel, has]) < 0.001
        shift[:, has[small]] = np.inf
        held.append(
            Component(
                cause="digits-swapped", share=0.5 / max(most, 1), shift=shift, spread=np.zeros(3)
            )
        )
    return held
