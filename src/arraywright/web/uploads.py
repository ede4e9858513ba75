"""Files that people hand in: named plainly, capped, kept beside the description."""

from __future__ import annotations

import hashlib
import re
import secrets
import unicodedata
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from starlette.datastructures import UploadFile

from arraywright.errors import CallError
from arraywright.procedures.exports import write_whole

__all__ = ["INPUTS", "given_path", "keep_uploads", "plain_name"]

INPUTS: Final = "inputs"
"""Name of the folder of files as they came."""

_ENDINGS: Final = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".ods", ".parquet")
_MOST_FILES: Final = 50


def plain_name(name: str) -> str:
    """Give a file name without folders, control characters and what other systems forbid.

    Raises:
        CallError: the ending is none of a table's.
    """
    last = re.split(r"[\\/]", unicodedata.normalize("NFC", name))[-1]
    kept = "".join(
        one if one.isprintable() and one not in '<>:"|?*' else "_" for one in last
    ).strip(" .")
    if not kept.lower().endswith(_ENDINGS) or len(kept) > 150 or kept.startswith("-"):
        raise CallError(
            "file-ending",
            f"Found the file {kept[:150]!r}.",
            f"Give tables whose names end with {', '.join(_ENDINGS)}.",
        )
    return kept


def keep_uploads(folder: Path, files: Sequence[UploadFile]) -> list[Path]:
    """Keep files that were handed in under ``inputs``; the same bytes are kept once.

    A file of the same name with other bytes is kept beside it, its name lengthened.

    Args:
        folder: the site folder.
        files: what was handed in.

    Raises:
        CallError: no file, too many, or one that is no table by its name.
        MachineError: no room, or the folder cannot be written.
    """
    if not 1 <= len(files) <= _MOST_FILES:
        raise CallError(
            "files-to-hand-in", f"Found {len(files)} files.", f"Give 1 to {_MOST_FILES}."
        )
    names = [plain_name(one.filename or "") for one in files]
    inputs = folder / INPUTS
    inputs.mkdir(exist_ok=True)
    return [_keep(inputs, name, one.file.read()) for name, one in zip(names, files, strict=True)]


def given_path(folder: Path, name: str) -> Path:
    """Give the path of a file handed in before.

    Raises:
        CallError: there is none of that name.
    """
    path = folder / INPUTS / plain_name(name)
    if not path.is_file() or path.is_symlink():
        raise CallError(
            "file-not-handed-in", f"No file {name[:150]!r} was handed in.", "Hand it in first."
        )
    return path


def _keep(inputs: Path, name: str, data: bytes) -> Path:
    path = inputs / name
    if path.is_file():
        if path.read_bytes() == data:
            return path
        digest = hashlib.sha256(data).hexdigest()[:8]
        path = inputs / f"{path.stem}-{digest}{path.suffix}"
    elif path.exists():
        path = inputs / f"{secrets.token_hex(4)}-{name}"
    return write_whole(path, data)
