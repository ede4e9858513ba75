"""Work of the server on disk: what was asked for, how far it came, and what came of it."""

from __future__ import annotations

import contextlib
import json
import logging
from pathlib import Path
from typing import Any, Final

from arraywright.errors import MachineError
from arraywright.procedures.exports import write_whole

__all__ = ["WORK_FOLDER", "JobStore"]

WORK_FOLDER: Final = "work"
"""Name of the folder, in the site folder, of what the server keeps of its work."""

_LOG: Final = logging.getLogger("arraywright.web")
_REPORT: Final = ".report.json"
_ENDING: Final = ".json"


class JobStore:
    """One small file for each piece of work, and one for its report.

    What cannot be written is told in the log: work goes on without being kept.
    """

    def __init__(self, folder: Path) -> None:
        """Keep work in a folder, made when it is not there.

        Args:
            folder: the site folder.
        """
        self._folder = folder / WORK_FOLDER

    def save(self, job_id: str, held: dict[str, Any]) -> bool:
        """Keep what is known of a piece of work; give whether it is on the disk."""
        return self._write(f"{job_id}{_ENDING}", held)

    def save_report(self, job_id: str, report: dict[str, Any]) -> bool:
        """Keep what came of a piece of work; give whether it is on the disk."""
        return self._write(f"{job_id}{_REPORT}", report)

    def report(self, job_id: str) -> dict[str, Any] | None:
        """Give what came of a piece of work; None when nothing is kept of it."""
        return _read(self._folder / f"{job_id}{_REPORT}")

    def remove(self, job_id: str) -> None:
        """Throw away what is kept of a piece of work."""
        for ending in (_ENDING, _REPORT):
            with contextlib.suppress(OSError):
                (self._folder / f"{job_id}{ending}").unlink(missing_ok=True)

    def all(self) -> list[dict[str, Any]]:
        """Give what is kept of every piece of work, in no order, reports left out."""
        found = []
        for path in self._folder.glob(f"*{_ENDING}"):
            if path.name.startswith(".") or path.name.endswith(_REPORT):
                continue
            held = _read(path)
            if held is not None:
                found.append(held)
        return found

    def _write(self, name: str, held: dict[str, Any]) -> bool:
        try:
            self._folder.mkdir(exist_ok=True)
            write_whole(self._folder / name, json.dumps(held, ensure_ascii=False).encode())
        except (MachineError, OSError) as error:
            _LOG.warning(json.dumps({"what": "work-not-kept", "error": type(error).__name__}))
            return False
        return True


def _read(path: Path) -> dict[str, Any] | None:
    """Read an object; None when there is none, or something else has been put there."""
    try:
        held = json.loads(path.read_bytes())
    except FileNotFoundError:
        return None
    except (OSError, ValueError) as error:
        _LOG.warning(json.dumps({"what": "work-not-read", "error": type(error).__name__}))
        return None
    return held if isinstance(held, dict) else None
