"""Array types used by every room, and the flattened layout of strings of unequal length."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
import numpy.typing as npt

__all__ = ["BoolArray", "FloatArray", "FloatLike", "IntArray", "offsets_from_lengths"]

FloatArray: TypeAlias = npt.NDArray[np.float64]
IntArray: TypeAlias = npt.NDArray[np.int64]
BoolArray: TypeAlias = npt.NDArray[np.bool_]
FloatLike: TypeAlias = float | FloatArray


def offsets_from_lengths(lengths: IntArray) -> IntArray:
    """Give the offsets (strings + 1,) of strings stored one after the other in a flat array.

    Modules of string ``i`` are ``flat[offsets[i]:offsets[i + 1]]``.
    """
    offsets = np.zeros(len(lengths) + 1, dtype=np.int64)
    np.cumsum(lengths, out=offsets[1:])
    return offsets
