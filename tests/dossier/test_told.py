"""What people told stands in the dossier: points settled, incidents, recalls."""

from __future__ import annotations

import csv
import io
import json
import shutil
from datetime import timedelta
from pathlib import Path

import pytest

from arraywright.procedures.incidents import record_incident
from arraywright.procedures.open_points import open_points, settle_point
from arraywright.procedures.recalls import RecallScope, record_recall, withdraw_recall
from arraywright.procedures.report import Report
from arraywright.procedures.site_record import open_site
from arraywright.records import NewEntry, json_body
from tests.dossier.making import NOON, TestedSite, attachments_of, dossier, text_of

LATER = NOON + timedelta(days=1, hours=3)


@pytest.fixture
def folder(tested_site: TestedSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Give a copy of the tested site."""
    copy = tmp_path / "site"
    shutil.copytree(tested_site.folder, copy)
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(tested_site.folder.parent / "home"))
    return copy


def _pdf(folder: Path) -> bytes:
    dossier(folder)
    return (folder / "out" / "handover-dossier.pdf").read_bytes()


def _open(report: Report) -> int:
    return int(str(report.result["open_points"]))


def _rows(pdf: bytes, name: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(attachments_of(pdf)[name].decode("utf-8-sig"))))


def test_a_settled_point_is_told_with_who_when_and_why(folder: Path) -> None:
    """It is open no longer, stands under its own heading, and its verdict stays."""
    before = dossier(folder)
    with open_site(folder, person="Bea Boss", now=lambda: LATER) as record:
        point = next(
            one
            for one in open_points(record)
            if one.finding.subject == "R-S04" and one.origin == "strings_judged"
        )
        settle_point(record, point.key, reason="Spare string, not to be connected.")
    after = dossier(folder, days=3)
    assert after.result["open_points"] == _open(before) - 1
    assert after.result["settled_points"] == 1
    assert after.exit_code == before.exit_code
    pdf = (folder / "out" / "handover-dossier.pdf").read_bytes()
    text = text_of(pdf)
    assert "Settled by a person" in text
    settled = text.partition("Settled by a person")[2]
    assert "Spare string, not to be connected." in settled
    assert "Bea Boss, 2026-06-16" in settled
    rows = _rows(pdf, "open-points.csv")
    (row,) = (one for one in rows if one["settled_by"])
    assert (row["settled_by"], row["reason"]) == ("Bea Boss", "Spare string, not to be connected.")
    assert row["verdict"] == point.finding.verdict.value
    assert len(rows) == after.result["open_points"] + 1
    findings = json.loads(attachments_of(pdf)["findings.json"])
    assert any(one["message"] == point.finding.message for one in findings)


def test_a_point_of_a_phone_stays_open_in_the_dossier_until_settled(folder: Path) -> None:
    """What phones left open is told by name; settled, it is no failing finding any more."""
    plain = _open(dossier(folder))
    with open_site(folder, person="Cy Crew", now=lambda: LATER) as record:
        defect = NewEntry(
            kind="defect_reported",
            subject_kind="string",
            subject="R-S01",
            body=json_body({"severity": "danger", "what": "a bitten lead"}),
        )
        record.journal.append([defect])
    told = text_of(_pdf(folder))
    assert dossier(folder).result["open_points"] == plain + 1
    assert "A defect was reported (Cy Crew, 2026-06-16" in told
    assert "a bitten lead" in told.partition("Open points")[2]
    with open_site(folder, person="Bea Boss", now=lambda: LATER) as record:
        point = next(one for one in open_points(record) if one.origin == "phone")
        settle_point(record, point.key, reason="Lead renewed.", inspected="Whole run of R-S01")
    report = dossier(folder)
    assert report.result["open_points"] == plain
    assert not any(one.check == "defect-reported" for one in report.findings)
    settled = text_of(_pdf(folder)).partition("Settled by a person")[2]
    assert "Lead renewed. Inspected or done: Whole run of R-S01" in settled


def test_incidents_are_told_with_modules_where_they_are_and_what_was_inspected(
    folder: Path, tested_site: TestedSite
) -> None:
    """An incident of the office and one of a phone, the first settled, each module by serial."""
    placed = tested_site.as_built["R-S01", 3]
    with open_site(folder, person="Cy Crew", now=lambda: LATER) as record:
        day = LATER.date()
        storm = record_incident(record, what="storm", day=day, told="Hail", names=["R-S01"])
        said = {"incident_kind": "dropped", "what": "fell", "serials": [placed, "STRANGE-1"]}
        seen = {"result": "sound", "defects": []}
        record.journal.append(
            [
                NewEntry(
                    kind="incident_reported",
                    subject_kind="module",
                    subject=placed,
                    body=json_body(said),
                ),
                NewEntry(
                    kind="module_inspected",
                    subject_kind="module",
                    subject=placed,
                    body=json_body(seen),
                ),
            ]
        )
    with open_site(folder, person="Bea Boss", now=lambda: LATER) as record:
        settle_point(record, storm.uuid, reason="No glass broken.", inspected="All of R-S01")
    pdf = _pdf(folder)
    text = text_of(pdf)
    assert "Incidents 2, of which 1 not settled" in text
    chapter = text[text.rindex("storm or hail") :]
    assert "Cy Crew" in chapter
    assert "Inspected or done All of R-S01" in chapter
    assert "Bea Boss" in chapter
    assert "No glass broken." in chapter
    rows = _rows(pdf, "incidents.csv")
    hail = [one for one in rows if one["told"] == "Hail"]
    assert [one["serial"] for one in hail] == [
        tested_site.as_built["R-S01", place] for place in range(1, 11)
    ]
    fell = {one["serial"]: one for one in rows if one["told"] == "fell"}
    assert (fell[placed]["state"], fell[placed]["string"]) == ("placed", "R-S01")
    assert (fell[placed]["inspected"], fell[placed]["inspected_by"]) == ("sound", "Cy Crew")
    assert fell["STRANGE-1"]["state"] == "unknown"
    assert fell[placed]["settled_by"] == ""


def test_recalls_are_told_those_taken_back_too(folder: Path, tested_site: TestedSite) -> None:
    """A standing recall names its modules; one taken back says who took it back and why."""
    serials = tuple(tested_site.as_built["R-S02", place] for place in (1, 2))
    with open_site(folder, person="Bea Boss", now=lambda: LATER) as record:
        record_recall(record, reason="Letter 7", scope=RecallScope(serials=serials))
        wrong = record_recall(record, reason="Letter 8", scope=RecallScope(serials=("X-1",)))
        withdraw_recall(record, wrong.uuid, reason="Other maker")
    report = dossier(folder)
    pdf = (folder / "out" / "handover-dossier.pdf").read_bytes()
    text = text_of(pdf)
    assert "Recall of 2 modules" in text
    assert "string R-S02, place 1" in text
    assert "Recall taken back" in text
    assert "Other maker" in text
    assert report.result["recalls"] == 1
    assert any(one.check == "modules-recalled" for one in report.findings)
    rows = _rows(pdf, "recalls.csv")
    assert {one["serial"] for one in rows if one["recall"] == "Letter 7"} == set(serials)
    assert {one["withdrawn_by"] for one in rows if one["recall"] == "Letter 8"} == {"Bea Boss"}


def test_without_anything_told_the_dossier_says_so(folder: Path) -> None:
    """There is no chapter of recalls, and none of their tables, where nobody told any."""
    pdf = _pdf(folder)
    text = text_of(pdf)
    assert "No incident stands in the record." in text
    assert "Recalls" not in text
    assert "Settled by a person" not in text
    assert {"incidents.csv", "recalls.csv"}.isdisjoint(attachments_of(pdf))
