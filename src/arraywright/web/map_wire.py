"""Typed arrays in one little-endian message: how the map gets its figures."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from arraywright.errors import InputFileError

__all__ = ["MAGIC", "pack_arrays", "unpack_arrays"]

MAGIC: Final = b"AWA1"
_ALIGN: Final = 8
_TYPES: Final = {"u1": "<u1", "u2": "<u2", "u4": "<u4", "i4": "<i4", "f4": "<f4", "f8": "<f8"}


def _padded(length: int) -> int:
    return -(-length // _ALIGN) * _ALIGN


def pack_arrays(arrays: Mapping[str, npt.NDArray[Any]], *, about: Mapping[str, Any]) -> bytes:
    """Pack one-dimensional arrays with a few words about them.

    The message is ``AWA1``, the length of its head as an unsigned 32-bit number, the head (JSON,
    padded with spaces) and the arrays, each beginning at a multiple of 8 bytes. The head is
    ``about`` with ``arrays``: name, type (``u1 u2 u4 i4 f4 f8``), count and first byte of each,
    counted from the end of the head. All numbers are little-endian.

    Raises:
        ValueError: an array has another type or more than one dimension.
    """
    listed: list[dict[str, Any]] = []
    parts: list[bytes] = []
    start = 0
    for name, array in arrays.items():
        kind = f"{array.dtype.kind}{array.dtype.itemsize}"
        if kind not in _TYPES or array.ndim != 1:
            raise ValueError(f"{name}: {array.dtype} with {array.ndim} dimensions cannot be sent")
        data = array.astype(_TYPES[kind], copy=False).tobytes()
        listed.append({"name": name, "type": kind, "count": len(array), "start": start})
        parts.append(data.ljust(_padded(len(data)), b"\0"))
        start += len(parts[-1])
    head = json.dumps(
        {**about, "arrays": listed}, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    ).encode()
    head = head.ljust(_padded(len(head)), b" ")
    return b"".join((MAGIC, len(head).to_bytes(4, "little"), head, *parts))


def unpack_arrays(data: bytes) -> tuple[dict[str, npt.NDArray[Any]], dict[str, Any]]:
    """Give back the arrays and what was said about them.

    Raises:
        InputFileError: the bytes are no such message, or not whole.
    """
    damaged = InputFileError(
        "map-message-damaged", "The bytes are no whole message of arrays.", "Load the page anew."
    )
    if data[:4] != MAGIC:
        raise damaged
    try:
        end = 8 + int.from_bytes(data[4:8], "little")
        about: dict[str, Any] = json.loads(data[8:end])
        arrays = {
            str(one["name"]): np.frombuffer(
                data, dtype=_TYPES[one["type"]], count=int(one["count"]), offset=end + one["start"]
            )
            for one in about.pop("arrays")
        }
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise damaged from error
    return arrays, about
