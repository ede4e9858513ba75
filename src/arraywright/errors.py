"""Errors about the program, a file or the network; what is wrong with the array is a finding."""

from __future__ import annotations

__all__ = [
    "ArraywrightError",
    "CallError",
    "InputFileError",
    "MachineError",
    "RecordError",
]


class ArraywrightError(Exception):
    """Base of every error that Arraywright raises on purpose.

    Attributes:
        code: stable lower-case key with hyphens, for example ``file-not-readable``.
        message: what is wrong, naming place, found and required.
        remedy: what the person can do about it.
        exit_code: the exit code a command ends with (2 call or input, 3 machine or network).
    """

    exit_code: int = 2

    def __init__(self, code: str, message: str, remedy: str) -> None:
        super().__init__(f"{message} {remedy}".strip())
        self.code = code
        self.message = message
        self.remedy = remedy

    def as_dict(self) -> dict[str, str]:
        """Give the one JSON error shape used on every route."""
        return {"code": self.code, "message": self.message, "remedy": self.remedy}


class CallError(ArraywrightError, ValueError):
    """A function or command was called with arguments that cannot be right."""


class InputFileError(ArraywrightError, ValueError):
    """A file as a whole cannot be read as what it should be."""


class RecordError(ArraywrightError, RuntimeError):
    """The record refuses an entry or fails verification."""


class MachineError(ArraywrightError, OSError):
    """The machine or the network failed: disk full, no permission, database gone."""

    exit_code = 3
