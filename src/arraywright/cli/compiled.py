"""Where compiled code is kept when the program stands where its user may not write."""

from __future__ import annotations

import os
import tempfile
from collections.abc import MutableMapping
from pathlib import Path
from typing import Final

import arraywright

__all__ = ["CACHE_VARIABLE", "place_compiled_code"]

CACHE_VARIABLE: Final = "NUMBA_CACHE_DIR"


def place_compiled_code(
    environment: MutableMapping[str, str] = os.environ, *, package: Path | None = None
) -> None:
    """Name a folder for compiled code, unless the package's own or a chosen one can be used.

    Compiled code is run as it is found, so it lies in the user's own folder only, or, where there
    is none, in a new folder of this run. To be called before anything compiled is imported.

    Args:
        environment: where the folder is named.
        package: folder of the program; found by itself when None.
    """
    held = Path(arraywright.__file__).parent if package is None else package
    if CACHE_VARIABLE in environment or os.access(held, os.W_OK):
        return
    from arraywright.records.identity import home_folder  # noqa: PLC0415 - seldom needed, slow

    folder = home_folder() / "compiled"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        usable = os.access(folder, os.W_OK)
    except OSError:
        usable = False
    environment[CACHE_VARIABLE] = (
        str(folder) if usable else tempfile.mkdtemp(prefix="arraywright-compiled-")
    )
