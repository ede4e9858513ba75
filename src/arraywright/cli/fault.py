"""What happens when the program itself fails: a short message, and a report that can be sent."""

from __future__ import annotations

import contextlib
import platform
import sys
import tempfile
import traceback
from datetime import datetime
from pathlib import Path

from arraywright import __version__
from arraywright.errors import ArraywrightError, MachineError

__all__ = ["UnforeseenError", "explain"]


class UnforeseenError(ArraywrightError, RuntimeError):
    """The program failed in a way nobody foresaw; its report stands in a file."""

    exit_code = 3


def _report_text(error: BaseException, moment: datetime) -> str:
    trace = "".join(traceback.format_exception(error))
    return (
        f"arraywright {__version__}\n"
        f"{platform.python_implementation()} {platform.python_version()}, "
        f"{platform.system()} {platform.machine()}\n"
        f"{moment.isoformat(timespec='seconds')}\n"
        f"{sys.argv}\n\n{trace}"
    )


def _write_report(text: str, *, folder: Path | None, moment: datetime) -> Path | None:
    name = f"fault-{moment.strftime('%Y%m%dT%H%M%SZ')}.txt"
    places = [] if folder is None or not folder.is_dir() else [folder / "out"]
    for place in (*places, Path(tempfile.gettempdir())):
        with contextlib.suppress(OSError):
            place.mkdir(exist_ok=True)
            path = place / name
            path.write_text(text, encoding="utf-8", errors="backslashreplace")
            return path
    return None


def explain(error: Exception, *, folder: Path | None, moment: datetime) -> ArraywrightError:
    """Turn what nobody foresaw into an error with a remedy; the traceback goes into a file.

    Args:
        error: what was raised.
        folder: the site folder, in whose ``out`` the report is written if that is possible.
        moment: the time, UTC.
    """
    if isinstance(error, MemoryError):
        return MachineError(
            "memory-exhausted",
            "There is not enough memory for this.",
            "Close other programs, or split the files into smaller ones; what was recorded is "
            "whole.",
        )
    path = _write_report(_report_text(error, moment), folder=folder, moment=moment)
    where = f"Its report is {path}" if path else "No report could be written"
    if isinstance(error, OSError):
        about = f" ({error.filename})" if error.filename else ""
        return MachineError(
            "machine-failed",
            f"The machine refused something: {error.strerror or error}{about}.",
            "Check that the disk has room and that you may read and write the site folder, then "
            f"repeat the command; what was recorded is whole. {where}.",
        )
    return UnforeseenError(
        "unforeseen",
        f"The program failed in a way nobody foresaw: {type(error).__name__}.",
        f"{where}: please send it to who maintains this program. What was recorded is whole.",
    )
