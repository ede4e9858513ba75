"""What unequal modules cost in series, and unequal strings in parallel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from arraywright.arrays import FloatArray
from arraywright.physics.single_diode import SingleDiode, maximum_power
from arraywright.physics.strings import (
    BYPASS_DROP_V,
    parallel_maximum_power,
    string_maximum_power,
)

__all__ = ["MismatchLoss", "ParallelMismatchLoss", "parallel_mismatch", "series_mismatch"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MismatchLoss:
    """What modules in series give together, beside what each could give alone.

    Attributes:
        string_power_w: maximum power of each string [W], shape (strings,).
        sum_of_modules_w: sum of its modules' own maxima [W], shape (strings,).
        loss_ratio: 1 - string / sum [1], shape (strings,); nan in the dark.
    """

    string_power_w: FloatArray
    sum_of_modules_w: FloatArray
    loss_ratio: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ParallelMismatchLoss:
    """What strings in parallel give together, beside what strings and modules could give alone.

    Attributes:
        input_power_w: maximum power of each input [W], shape (inputs,).
        sum_of_strings_w: sum of its strings' own maxima [W], shape (inputs,).
        sum_of_modules_w: sum of its modules' own maxima [W], shape (inputs,).
        loss_ratio: 1 - input / sum of strings [1], the part that is due to the parallel
            connection alone, shape (inputs,); nan in the dark.
        total_loss_ratio: 1 - input / sum of modules [1], shape (inputs,); nan in the dark.
        series: the loss within each string.
    """

    input_power_w: FloatArray
    sum_of_strings_w: FloatArray
    sum_of_modules_w: FloatArray
    loss_ratio: FloatArray
    total_loss_ratio: FloatArray
    series: MismatchLoss


def _loss(part_w: FloatArray, whole_w: FloatArray) -> FloatArray:
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.where(whole_w > 0.0, 1.0 - part_w / whole_w, np.nan)


def series_mismatch(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
) -> MismatchLoss:
    """Mismatch loss [1] of modules in series, exact, per string.

    ``loss = 1 - Pmp(string) / sum of Pmp(module)``. Healthy modules of one class lose
    hundredths of a per cent; a sorting that promises per cents is wrong.

    Args:
        diode: the modules of all strings at their condition, flat.
        offsets: (strings + 1,), where each string begins in the flat arrays.
        bypass_substrings: bypass diodes per module, for all or shape (modules,).
        bypass_drop_v: forward drop of one conducting bypass diode [V].

    Raises:
        CallError: as ``strings.string_voltage``.

    Source: de-soto-2006 eq. 1 and the condition of its eq. 13.
    """
    together = string_maximum_power(
        diode,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
    ).pmp_w
    starts = np.asarray(offsets, dtype=np.int64)[:-1]
    alone = np.add.reduceat(maximum_power(diode).pmp_w, starts) if len(starts) else np.zeros(0)
    return MismatchLoss(
        string_power_w=together, sum_of_modules_w=alone, loss_ratio=_loss(together, alone)
    )


def parallel_mismatch(
    diode: SingleDiode,
    *,
    offsets: npt.ArrayLike,
    input_offsets: npt.ArrayLike,
    bypass_substrings: npt.ArrayLike = 3,
    bypass_drop_v: float = BYPASS_DROP_V,
) -> ParallelMismatchLoss:
    """Mismatch loss [1] of strings in parallel, exact, per input, and within the strings.

    ``loss = 1 - Pmp(input) / sum of Pmp(string)``. Arguments as ``series_mismatch``, and
    ``input_offsets`` (inputs + 1,): where each input begins among the strings.

    Raises:
        CallError: as ``strings.string_voltage``.

    Source: de-soto-2006 eq. 1 and the condition of its eq. 13.
    """
    series = series_mismatch(
        diode,
        offsets=offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
    )
    together = parallel_maximum_power(
        diode,
        offsets=offsets,
        input_offsets=input_offsets,
        bypass_substrings=bypass_substrings,
        bypass_drop_v=bypass_drop_v,
    ).pmp_w
    starts = np.asarray(input_offsets, dtype=np.int64)[:-1]
    strings = np.add.reduceat(series.string_power_w, starts) if len(starts) else np.zeros(0)
    modules = np.add.reduceat(series.sum_of_modules_w, starts) if len(starts) else np.zeros(0)
    return ParallelMismatchLoss(
        input_power_w=together,
        sum_of_strings_w=strings,
        sum_of_modules_w=modules,
        loss_ratio=_loss(together, strings),
        total_loss_ratio=_loss(together, modules),
        series=series,
    )
