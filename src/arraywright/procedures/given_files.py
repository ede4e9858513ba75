"""The files people give: whether they can be used at all, and what to say of their tables."""

from __future__ import annotations

import hashlib
from pathlib import Path

from arraywright.errors import InputFileError
from arraywright.findings import Finding, Place, Verdict
from arraywright.readers.results import TableReading

__all__ = ["about_reading", "check_name", "printable", "refusal", "sha256_of"]


def check_name(path: Path) -> None:
    """Refuse a file whose name is no text.

    Raises:
        InputFileError: the name holds bytes that are no text.
    """
    try:
        path.name.encode()
    except UnicodeEncodeError as error:
        raise InputFileError(
            "file-name-not-readable",
            f"The name of the file {path.name!r} holds bytes that are no text.",
            "Rename the file and give it again.",
        ) from error


def _check_regular(path: Path) -> None:
    if path.is_dir():
        raise InputFileError(
            "file-is-a-folder",
            f"Found the folder {path}; required: a file.",
            "Name the files in it.",
        )
    if path.exists() and not path.is_file():
        raise InputFileError(
            "file-not-regular",
            f"{path} is a pipe or a device; required: a file that can be read twice.",
            "Save what it gives as a file, and give that.",
        )


def sha256_of(path: Path) -> str:
    """Give the SHA-256 of a file, read in pieces.

    Raises:
        InputFileError: it is a folder, a pipe or a device, or it cannot be read.

    Source: fips-180-4 6.2
    """
    try:
        _check_regular(path)
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise InputFileError(
            "file-not-readable",
            f"The file {path} cannot be read: {error.strerror or error}.",
            "Check its name and that you may read it.",
        ) from error


def refusal(path: Path, error: InputFileError) -> Finding:
    """Give the finding that a file could not be used at all."""
    return Finding(
        check="input-file",
        subject_kind="file",
        subject=printable(path.name or str(path)),
        verdict=Verdict.FAIL,
        message=error.message,
        remedy=error.remedy,
    )


def printable(name: str) -> str:
    """Give a file's name with what is no text in it written as an escape."""
    return name.encode(errors="backslashreplace").decode()


def about_reading(reading: TableReading) -> tuple[Finding, ...]:
    """Tell of a recognised table that it has no rows, or which columns nothing was taken from."""
    if not reading.recognised:
        return ()
    if reading.rows_in == 0:
        return (
            Finding(
                check="file-without-rows",
                subject_kind="file",
                subject=reading.file_name,
                verdict=Verdict.REVIEW,
                message=f"The {reading.spec.title} has headings and no row below them.",
                remedy="Export the table again, or ask for it again.",
                found="0 rows",
                required="at least one row",
                place=Place(file=reading.file_name, sheet=reading.dialect.sheet),
            ),
        )
    if not reading.unused_headings:
        return ()
    names = ", ".join(reading.unused_headings)
    return (
        Finding(
            check="file-columns-unused",
            subject_kind="file",
            subject=reading.file_name,
            verdict=Verdict.REVIEW,
            message=f"Columns of the {reading.spec.title} that were not used: {names}.",
            remedy="Nothing, if they are not needed; else give the file again with a mapping file "
            "that says what they hold.",
            place=Place(file=reading.file_name, sheet=reading.dialect.sheet),
        ),
    )
