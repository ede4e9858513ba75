"""What the park-scale allocation works on: one class of module, and what handling costs."""

from __future__ import annotations

from dataclasses import dataclass

from arraywright.arrays import FloatArray, IntArray
from arraywright.plant import Coefficients

__all__ = ["ClassProblem", "Coefficients", "Sequence"]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassProblem:
    """One class: pallets in stack order, strings in building order.

    The coordinates are scaled so that the mismatch loss in W is the sum over strings of the squared
    deviations of ``x`` from the string's mean, plus the sum over inputs of the squared deviations
    of the strings' sums of ``y`` from the input's mean.

    Attributes:
        x: current coordinate of each module, mean zero over the class [W^0.5], (modules,).
        y: voltage coordinate, zero where parallel loss is not counted [W^0.5], (modules,).
        unit_offsets: modules of pallet ``u`` are ``unit_offsets[u]:unit_offsets[u + 1]``, the top
            one first, (units + 1,).
        unit_day: first day, as ordinal, on which a pallet may be used, (units,).
        string_modules: modules of each string, (strings,).
        string_day: day, as ordinal, on which each string is built, never falling, (strings,).
        string_input: number of the MPPT input, (strings,).
        string_section: number of the drop point, never falling, (strings,).
    """

    x: FloatArray
    y: FloatArray
    unit_offsets: IntArray
    unit_day: IntArray
    string_modules: IntArray
    string_day: IntArray
    string_input: IntArray
    string_section: IntArray

    @property
    def unit_sizes(self) -> IntArray:
        """Modules of each pallet, (units,)."""
        return self.unit_offsets[1:] - self.unit_offsets[:-1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sequence:
    """Pallets of a class in the order in which they are opened and emptied.

    Attributes:
        units: pallets, (used,); the last one may be used in part.
    """

    units: IntArray
