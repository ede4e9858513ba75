"""Checks of the design in the record: entered once, told by trace and dossier, never with --set."""

from __future__ import annotations

import hashlib
import shutil
from datetime import UTC, datetime
from pathlib import Path

import pytest
from pypdf import PdfReader

from arraywright.procedures.check import check
from arraywright.procedures.check_record import DESIGN_CHECKED
from arraywright.procedures.hand_over import hand_over
from arraywright.procedures.report import NO_PROGRESS, Report
from arraywright.procedures.site_record import open_site
from arraywright.procedures.trace import trace
from arraywright.procedures.verify import verify
from arraywright.records.entry import Entry, parse_body
from tests.house.sources_page import ROOT

PERSON = "Ida at the desk"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Give a copy of the fully described example."""
    return Path(shutil.copytree(ROOT / "docs/examples/checked-site", tmp_path / "site"))


def _check(folder: Path, *settings: str, hour: int = 10) -> Report:
    return check(
        folder,
        settings=settings,
        person=PERSON,
        now=lambda: datetime(2026, 3, 2, hour, tzinfo=UTC),
        progress=NO_PROGRESS,
    )


def _entries(folder: Path) -> list[Entry]:
    with open_site(folder, person="test", now=lambda: datetime(2026, 3, 3, tzinfo=UTC)) as record:
        return list(record.journal.entries(kind=DESIGN_CHECKED))


def test_the_same_check_is_entered_once_and_gives_the_same_report(folder: Path) -> None:
    """Repeating a check adds nothing to the record and writes the recorded report again."""
    first = _check(folder)
    report = folder / "out" / "design-checks.pdf"
    data = report.read_bytes()
    report.unlink()
    again = _check(folder, hour=12)
    assert not first.unchanged
    assert again.unchanged
    assert report.read_bytes() == data
    (entry,) = _entries(folder)
    summary = parse_body(entry.body)["summary"]
    assert entry.person == PERSON
    assert summary["report_sha256"] == hashlib.sha256(data).hexdigest()
    assert summary["practice"] == "iec"
    counts = dict.fromkeys(("pass", "fail", "review", "not_assessable"), 0)
    for finding in first.findings:
        counts[finding.verdict.value] += 1
    assert {name: summary[name] for name in counts} == counts


def test_asking_what_if_is_no_check_of_the_site(folder: Path) -> None:
    """A call with another value leaves the record as it is; there need not even be one."""
    _check(folder, "site.design_min_air_temp_c=-30")
    assert not (folder / "record.sqlite").exists()
    _check(folder)
    _check(folder, "site.design_min_air_temp_c=-30")
    assert len(_entries(folder)) == 1


def test_another_description_supersedes_the_check_before(folder: Path) -> None:
    """When the description changes, a new check is entered that names the one it replaces."""
    _check(folder)
    with (folder / "site.toml").open("a", encoding="utf-8") as text:
        text.write("\n# changed\n")
    _check(folder, hour=11)
    old, new = _entries(folder)
    assert new.supersedes == old.uuid
    held = [parse_body(entry.body)["summary"]["description_sha256"] for entry in (old, new)]
    assert held[0] != held[1]


def test_trace_dossier_and_verification_know_the_check(folder: Path) -> None:
    """A string's story, the dossier with the report inside, and the seal all hold the check."""
    _check(folder)

    def now() -> datetime:
        return datetime(2026, 3, 4, 8, tzinfo=UTC)

    story = trace(folder, "A-S01", now=now, progress=NO_PROGRESS).result["events"]
    assert isinstance(story, list)
    told = [event for event in story if "design checked by the IEC practice" in event["what"]]
    assert len(told) == 1
    assert told[0]["who"] == PERSON
    data = (folder / "out" / "design-checks.pdf").read_bytes()
    hand_over(folder, person=PERSON, now=now, progress=NO_PROGRESS)
    pdf = PdfReader(folder / "out" / "handover-dossier.pdf")
    assert pdf.attachments["design-checks.pdf"] == [data]
    text = " ".join(page.extract_text() for page in pdf.pages)
    assert "Design checks" in text
    assert hashlib.sha256(data).hexdigest() in "".join(text.split())
    assert verify(folder, now=now, progress=NO_PROGRESS).exit_code == 0


def test_a_check_of_an_older_description_is_pointed_out(folder: Path) -> None:
    """The dossier says when the design was checked before the description changed."""
    _check(folder)
    with (folder / "site.toml").open("a", encoding="utf-8") as text:
        text.write("\n# changed\n")
    report = hand_over(
        folder,
        person=PERSON,
        now=lambda: datetime(2026, 3, 4, 8, tzinfo=UTC),
        progress=NO_PROGRESS,
    )
    stale = [one for one in report.findings if one.check == "result-out-of-date"]
    assert len(stale) == 1
    assert "design" in stale[0].message
    assert "command check" in stale[0].remedy
