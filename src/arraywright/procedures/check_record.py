"""Entering a check of the design into the record: by what, when, with what result."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any, Final

from arraywright import __version__
from arraywright.errors import InputFileError, RecordError
from arraywright.findings import Finding
from arraywright.procedures.site_record import SiteRecord, digest_of, open_site
from arraywright.readers.site import SiteReading
from arraywright.records.entry import Entry, NewEntry, json_body, parse_body

__all__ = ["DESIGN_CHECKED", "DESIGN_REPORT", "RecordedCheck", "check_words", "record_check"]

DESIGN_CHECKED: Final = "design_checked"
DESIGN_REPORT: Final = "design-checks.pdf"
_TRIES: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordedCheck:
    """A check of the design as it stands in the record.

    Attributes:
        report: bytes of the report, as recorded.
        new: whether it was entered now; not when the same stood there already.
    """

    report: bytes
    new: bool


def check_words(summary: Mapping[str, Any]) -> str:
    """Say what came of a recorded check."""
    return (
        f"design checked by the {str(summary['practice']).upper()} practice: {summary['pass']} "
        f"pass, {summary['fail']} fail, {summary['review']} to be reviewed, "
        f"{summary['not_assessable']} not assessable"
    )


def _weather_digests(folder: Path, names: Sequence[str]) -> list[str]:
    try:
        return [
            f"{hashlib.sha256((folder / name).read_bytes()).hexdigest()} weather" for name in names
        ]
    except OSError as error:
        raise InputFileError(
            "file-not-readable",
            f"A weather file cannot be read: {error.strerror or error}.",
            "Check that the file is there and that you may read it.",
        ) from error


def _same(record: SiteRecord, inputs: Sequence[str]) -> Entry | None:
    previous = record.latest(DESIGN_CHECKED)
    if previous is None or parse_body(previous.body)["inputs_sha256"] != digest_of(inputs):
        return None
    return previous


def record_check(
    folder: Path,
    *,
    reading: SiteReading,
    practice: str,
    findings: Sequence[Finding],
    counts: Mapping[str, int],
    report: Callable[[], bytes],
    person: str,
    now: Callable[[], datetime],
) -> RecordedCheck:
    """Enter a check of the design into the record, unless the very same stands there already.

    The same are: the description with its tables, the weather files and the software. A check of
    something else supersedes the one before, which stays in the record.

    Args:
        folder: the site folder.
        reading: the description that was checked.
        practice: family of standards.
        findings: what came of it.
        counts: number of findings by verdict.
        report: makes the report when it is new.
        person: who checks.
        now: the clock.

    Raises:
        ArraywrightError: a weather file, the record or the machine is at fault.
    """
    with open_site(folder, person=person, now=now, reading=reading) as record:
        inputs = [
            f"{record.description_sha256} description",
            *_weather_digests(folder, record.site.design.weather_files),
            __version__,
        ]
        made: bytes | None = None
        for attempt in range(_TRIES):
            same = _same(record, inputs)
            if same is not None:
                return RecordedCheck(report=record.load_bytes(same, DESIGN_REPORT), new=False)
            previous = record.latest(DESIGN_CHECKED)
            made = report() if made is None else made
            body = {
                "software": f"arraywright {__version__}",
                "inputs_sha256": digest_of(inputs),
                "summary": {
                    "practice": practice,
                    **counts,
                    "description_sha256": record.description_sha256,
                    "report_sha256": hashlib.sha256(made).hexdigest(),
                },
                "files": [
                    record.store_bytes("inputs.json", json.dumps(sorted(inputs)).encode()),
                    record.store_findings(findings),
                    record.store_bytes(DESIGN_REPORT, made),
                ],
            }
            entry = NewEntry(
                kind=DESIGN_CHECKED,
                subject_kind="site",
                subject=record.site.name,
                body=json_body(body),
                supersedes=None if previous is None else previous.uuid,
            )
            try:
                record.append_result([entry], kind=DESIGN_CHECKED, previous=previous)
            except RecordError as error:
                # Another command recorded a check meanwhile: look again.
                if error.code != "superseded-already" or attempt == _TRIES - 1:
                    raise
            else:
                break
        return RecordedCheck(report=made or b"", new=True)
