"""Strings of modules, checked and brought into the form that the compiled loops take."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from arraywright.arrays import BoolArray, FloatArray, IntArray
from arraywright.errors import CallError
from arraywright.physics.single_diode import SingleDiode

__all__ = ["Circuit", "checked_offsets", "circuit_of", "curve_fractions", "frozen", "rows_of"]

Scalar = TypeVar("Scalar", bound=np.generic)


@dataclass(frozen=True, slots=True, kw_only=True)
class Circuit:
    """Strings of modules as the compiled loops take them."""

    diode: tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]
    offsets: IntArray
    parts: IntArray
    drop_v: float
    ratio: FloatArray
    shorted: BoolArray
    lead_ohm: FloatArray

    @property
    def strings(self) -> int:
        """Number of strings."""
        return len(self.offsets) - 1

    def arguments(self) -> tuple[IntArray, float, FloatArray, BoolArray, FloatArray]:
        """Give what the loops take after the offsets."""
        return (self.parts, self.drop_v, self.ratio, self.shorted, self.lead_ohm)


def frozen(array: npt.NDArray[Scalar]) -> npt.NDArray[Scalar]:
    """Give a read-only view: the loops are compiled once, not again for each mixture of both."""
    view = np.ascontiguousarray(array).view()
    view.flags.writeable = False
    return view


def checked_offsets(offsets: npt.ArrayLike, *, count: int, name: str, what: str) -> IntArray:
    """Give offsets as int64 after checking that they cover all items and leave no group empty.

    Raises:
        CallError: ``offsets-do-not-fit``, ``group-is-empty``.
    """
    array = frozen(np.asarray(offsets, dtype=np.int64))
    if array.ndim != 1 or len(array) == 0 or array[0] != 0 or array[-1] != count:
        raise CallError(
            "offsets-do-not-fit",
            f"Found {name} {array.tolist()[:4]} ... for {count} {what}; required: from 0 to "
            f"{count}.",
            "Make them with offsets_from_lengths from the number in each.",
        )
    short = np.flatnonzero(np.diff(array) < 1)
    if len(short):
        raise CallError(
            "group-is-empty",
            f"Found no {what} in number {short[0]} of {name} (counted from 0); required: at least "
            "one.",
            "Leave the empty ones out.",
        )
    return array


def _per_part(
    given: npt.ArrayLike, *, shape: tuple[int, int], name: str
) -> npt.NDArray[np.generic]:
    array = np.asarray(given)
    if array.shape != shape:
        raise CallError(
            "shapes-differ",
            f"Found {name} of shape {array.shape}; required: {shape}, one row per module, one "
            "column per bypass sub-string.",
            "Give one value per bypass sub-string of every module.",
        )
    return array


def circuit_of(
    diode: SingleDiode,
    offsets: npt.ArrayLike,
    *,
    bypass_substrings: npt.ArrayLike,
    bypass_drop_v: float,
    substring_photocurrent_ratio: npt.ArrayLike | None,
    substring_shorted: npt.ArrayLike | None,
    lead_resistance_ohm: npt.ArrayLike,
) -> Circuit:
    """Check the modules of strings and give them as the compiled loops take them.

    Raises:
        CallError: ``offsets-do-not-fit``, ``group-is-empty``, ``shapes-differ``,
            ``value-out-of-range``.
    """
    count = len(diode)
    whole = checked_offsets(offsets, count=count, name="offsets", what="modules")
    given_parts = np.asarray(bypass_substrings, dtype=np.int64)
    lead = np.asarray(lead_resistance_ohm, dtype=np.float64)
    if given_parts.shape not in {(), (count,)} or lead.shape not in {(), (len(whole) - 1,)}:
        raise CallError(
            "shapes-differ",
            f"Found bypass_substrings {given_parts.shape} and lead_resistance_ohm {lead.shape}; "
            f"required: scalars, or ({count},) per module and ({len(whole) - 1},) per string.",
            "Give one value for all, or one per module and per string.",
        )
    if np.any(given_parts < 1) or not bypass_drop_v >= 0.0 or np.any(lead < 0.0):
        raise CallError(
            "value-out-of-range",
            f"Found bypass_substrings from {given_parts.min(initial=1)}, bypass_drop_v "
            f"{bypass_drop_v}, lead_resistance_ohm from {lead.min(initial=0.0)}; required: at "
            "least 1, and not negative.",
            "Count the bypass diodes of the module; give drop and resistance as magnitudes.",
        )
    parts = np.broadcast_to(given_parts, (count,))
    shape = (count, int(parts.max(initial=1)))
    ratio = np.empty((0, 0))
    shorted = np.empty((0, 0), dtype=np.bool_)
    if substring_photocurrent_ratio is not None:
        name = "substring_photocurrent_ratio"
        given = _per_part(substring_photocurrent_ratio, shape=shape, name=name)
        ratio = given.astype(np.float64)
    if substring_shorted is not None:
        given = _per_part(substring_shorted, shape=shape, name="substring_shorted")
        shorted = given.astype(np.bool_)
    with np.errstate(divide="ignore"):
        conductance_s = 1.0 / diode.shunt_resistance_ohm
    return Circuit(
        diode=(
            frozen(diode.photocurrent_a),
            frozen(diode.saturation_current_a),
            frozen(diode.series_resistance_ohm),
            frozen(conductance_s),
            frozen(diode.diode_voltage_v),
        ),
        offsets=whole,
        parts=frozen(parts),
        drop_v=float(bypass_drop_v),
        ratio=frozen(ratio),
        shorted=frozen(shorted),
        lead_ohm=frozen(np.broadcast_to(lead, (len(whole) - 1,))),
    )


def rows_of(
    given: npt.ArrayLike, *, count: int, name: str, what: str
) -> tuple[FloatArray, tuple[int, ...]]:
    """Bring what is given to (count, k) and say the shape in which the answer goes back.

    Raises:
        CallError: ``shapes-differ``.
    """
    array = np.asarray(given, dtype=np.float64)
    if array.ndim == 0:
        return frozen(np.full((count, 1), array)), (count,)
    if array.ndim == 1 and len(array) == count:
        return frozen(array[:, None]), (count,)
    if array.ndim == 2 and len(array) == count:
        return frozen(array), array.shape
    raise CallError(
        "shapes-differ",
        f"Found {name} of shape {array.shape} for {count} {what}; required: a scalar, "
        f"({count},) or ({count}, k).",
        "Give one value, or one row of values, for each.",
    )


def curve_fractions(points: int) -> FloatArray:
    """Evenly spaced shares [1] of a curve's last voltage, from 0 to 1.

    Raises:
        CallError: ``value-out-of-range`` for fewer than two points.
    """
    if points < 2:
        raise CallError(
            "value-out-of-range",
            f"Found {points} points for a curve; required: at least 2.",
            "Ask for a hundred or more to draw it.",
        )
    return np.linspace(0.0, 1.0, points)
