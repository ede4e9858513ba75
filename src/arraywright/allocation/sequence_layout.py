"""Which part of which pallet lies in which string, and what a sequence of pallets loses."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from arraywright.allocation.park_types import ClassProblem, Sequence
from arraywright.arrays import FloatArray, IntArray
from arraywright.errors import CallError

__all__ = [
    "Layout",
    "SequenceLoss",
    "arrival_sequence",
    "is_in_time",
    "latest_days",
    "layout_of",
    "loss_of_modules",
    "modules_of_strings",
    "sequence_loss",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How pallets of given sizes, one emptied after the other, fill the strings.

    A slot is a place in the sequence. All arrays but ``size``, ``first`` and ``latest_day`` are
    (slots, parts); a slot with fewer parts has empty ones at its end.

    Attributes:
        size: modules of the pallet in each slot, (slots,).
        string: string of each part.
        begin: first module of the pallet in the part, counted from the top.
        end: module behind the part's last.
        used: modules of the pallet that are used, (slots,).
        latest_day: day by which the slot's pallet must be here, (slots,).
    """

    size: IntArray
    string: IntArray
    begin: IntArray
    end: IntArray
    used: IntArray
    latest_day: IntArray


@dataclass(frozen=True, slots=True, kw_only=True)
class SequenceLoss:
    """Second-order mismatch loss of a sequence.

    Attributes:
        series_w: loss within each string [W], (strings,).
        parallel_w: loss between the strings of each input [W], (inputs,).
    """

    series_w: FloatArray
    parallel_w: FloatArray

    @property
    def total_w(self) -> float:
        """Loss of all strings and inputs [W]."""
        return float(self.series_w.sum() + self.parallel_w.sum())


def arrival_sequence(problem: ClassProblem) -> Sequence:
    """Give the pallets in order of arrival, as many as the strings need.

    Raises:
        CallError: there are fewer modules than the strings need.
    """
    order = np.argsort(problem.unit_day, kind="stable")
    wanted = int(problem.string_modules.sum())
    reach = np.cumsum(problem.unit_sizes[order])
    if wanted and (len(reach) == 0 or reach[-1] < wanted):
        there = int(reach[-1]) if len(reach) else 0
        raise CallError(
            "allocation-too-few-modules",
            f"The strings need {wanted} modules, there are {there}.",
            "Plan fewer strings, or add stock of the class.",
        )
    count = int(np.searchsorted(reach, wanted, side="left")) + 1 if wanted else 0
    return Sequence(units=order[:count].astype(np.int64))


def latest_days(problem: ClassProblem, place: IntArray) -> IntArray:
    """Day by which a pallet that begins at each place must be here, (places,).

    A string is built on its day, or when order of arrival has brought enough modules, if that is
    later.

    Args:
        problem: the class; it has strings and pallets for them.
        place: modules of the building before the pallet, (places,).
    """
    arrival = arrival_sequence(problem).units
    reach = np.cumsum(problem.unit_sizes[arrival])
    slot = np.minimum(np.searchsorted(reach, place, side="right"), len(arrival) - 1)
    late = np.maximum.accumulate(problem.unit_day[arrival])[slot]
    string = np.searchsorted(np.cumsum(problem.string_modules), place, side="right")
    # a pallet that begins after the last string is held to the day of the last one
    string = np.minimum(string, len(problem.string_day) - 1)
    return np.maximum(problem.string_day[string], late).astype(np.int64)


def is_in_time(problem: ClassProblem, sequence: Sequence) -> bool:
    """Tell whether every pallet is here when its first module is needed; see ``latest_days``."""
    sizes = problem.unit_sizes[sequence.units]
    latest = latest_days(problem, np.cumsum(sizes) - sizes)
    return bool(np.all(problem.unit_day[sequence.units] <= latest))


def layout_of(problem: ClassProblem, sizes: IntArray) -> Layout:
    """Lay pallets of these sizes into the strings.

    Args:
        problem: the class.
        sizes: modules of the pallet of each slot, (slots,).
    """
    slots = len(sizes)
    begin_at = np.concatenate([[0], np.cumsum(sizes)[:-1]]).astype(np.int64)
    string_end = np.cumsum(problem.string_modules)
    total = int(string_end[-1]) if len(string_end) else 0
    used = np.minimum(sizes, np.maximum(total - begin_at, 0))
    first = np.searchsorted(string_end, begin_at, side="right")
    last = np.searchsorted(string_end, begin_at + used - 1, side="right")
    parts = int((last - first).max(initial=0)) + 1
    string = np.minimum(first[:, None] + np.arange(parts), max(len(string_end) - 1, 0))
    string_begin = string_end - problem.string_modules
    begin = np.clip(string_begin[string] - begin_at[:, None], 0, used[:, None])
    end = np.clip(string_end[string] - begin_at[:, None], 0, used[:, None])
    end = np.where(first[:, None] + np.arange(parts) > last[:, None], begin, end)
    return Layout(
        size=sizes.astype(np.int64),
        string=string.reshape(slots, parts).astype(np.int64),
        begin=begin.astype(np.int64),
        end=end.astype(np.int64),
        used=used.astype(np.int64),
        latest_day=latest_days(problem, begin_at),
    )


def modules_of_strings(problem: ClassProblem, sequence: Sequence) -> tuple[IntArray, IntArray]:
    """Give string and module of every filled place, strings in building order, (places,) each."""
    sizes = problem.unit_sizes[sequence.units]
    starts = np.repeat(problem.unit_offsets[sequence.units], sizes)
    within = np.arange(int(sizes.sum())) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    total = int(problem.string_modules.sum())
    module = (starts + within)[:total]
    string = np.repeat(np.arange(len(problem.string_modules)), problem.string_modules)
    return string.astype(np.int64), module.astype(np.int64)


def sequence_loss(problem: ClassProblem, sequence: Sequence) -> SequenceLoss:
    """Second-order mismatch loss [W] of a sequence, per string and per input.

    ``loss = sum_s sum_j (x_j - mean_s)^2 + sum_i sum_s (Y_s - mean_i)^2`` with ``Y_s`` the sum of
    ``y`` in string s.

    Source: bucciarelli-1979 (second order in the modules' differences)
    """
    string, module = modules_of_strings(problem, sequence)
    return loss_of_modules(problem, string=string, module=module)


def loss_of_modules(problem: ClassProblem, *, string: IntArray, module: IntArray) -> SequenceLoss:
    """Second-order mismatch loss [W] of any choice of modules; see ``sequence_loss``."""
    strings = len(problem.string_modules)
    x = problem.x[module]
    count = np.maximum(np.bincount(string, minlength=strings), 1)
    mean = np.bincount(string, weights=x, minlength=strings) / count
    series = np.bincount(string, weights=np.square(x - mean[string]), minlength=strings)
    y = np.bincount(string, weights=problem.y[module], minlength=strings)
    inputs, code = np.unique(problem.string_input, return_inverse=True)
    alike = np.maximum(np.bincount(code, minlength=len(inputs)), 1)
    level = np.bincount(code, weights=y, minlength=len(inputs)) / alike
    parallel = np.bincount(code, weights=np.square(y - level[code]), minlength=len(inputs))
    return SequenceLoss(
        series_w=np.asarray(series, dtype=np.float64),
        parallel_w=np.asarray(parallel, dtype=np.float64),
    )
