"""The folder of the demo site, with its description and weather."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from typing import Final

from arraywright.demo.climate import write_years
from arraywright.demo.scenario import Scenario
from arraywright.errors import CallError
from arraywright.procedures.exports import write_whole

__all__ = ["prepare", "sound_description"]

_MARK: Final = "demo.txt"
_MARK_TEXT: Final = (
    "An invented site, written by 'arraywright demo'. Nothing in it is real.\n"
    "The demo may write this folder anew.\n"
)
_OWN_FILES: Final = ("site.toml", "weather.csv", "design-mistakes.txt", "record.sqlite*")
_OWN_FOLDERS: Final = ("inputs", "out", "record-files")


def sound_description() -> str:
    """Give the demo's description of its site, without mistakes."""
    return resources.files("arraywright.demo").joinpath("files/site.toml").read_text("utf-8")


def prepare(
    folder: Path, scenario: Scenario, *, change: Callable[[str], str] = lambda text: text
) -> None:
    """Make the folder ready, anew if the demo made it; any other folder is never touched.

    Raises:
        CallError: the folder is there already and was not made by the demo.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        if not (folder / _MARK).is_file():
            raise CallError(
                "demo-folder-in-use",
                f"The folder {folder} is there already and was not made by the demo.",
                "Name another folder: arraywright demo FOLDER.",
            )
        for name in _OWN_FILES:
            for path in folder.glob(name):
                path.unlink()
        for name in _OWN_FOLDERS:
            shutil.rmtree(folder / name, ignore_errors=True)
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / _MARK, _MARK_TEXT.encode())
    write_whole(folder / "site.toml", change(sound_description()).encode())
    write_years(folder, scenario)
