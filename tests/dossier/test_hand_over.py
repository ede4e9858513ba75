"""The handover dossier of a small site: what stands in it, and that it repeats."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
from pathlib import Path

import pytest
from pypdf import PdfReader

from arraywright.procedures.receive import receive
from arraywright.procedures.report import NO_PROGRESS
from arraywright.procedures.verify import verify
from tests.dossier.making import NOON, TestedSite, attachments_of, dossier, pages_of, text_of
from tests.procedures.making import Truck, make_site, receive_files, record_entries, sscc

CHAPTERS = (
    "Summary",
    "Open points",
    "The site",
    "Deliveries",
    "What sits where",
    "Incidents",
    "Allocation",
    "String tests",
    "I-V curves",
    "How it was judged",
    "Instruments",
    "Cautions",
    "Record and inputs",
    "Sources",
    "Files carried in this document",
)


@pytest.fixture(scope="module")
def handed_over(tested_site: TestedSite, tmp_path_factory: pytest.TempPathFactory) -> TestedSite:
    """Give a copy of the tested site with its dossier written."""
    folder = tmp_path_factory.mktemp("handed") / "site"
    shutil.copytree(tested_site.folder, folder)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("ARRAYWRIGHT_HOME", str(tested_site.folder.parent / "home"))
        dossier(folder)
    return TestedSite(folder=folder, files=tested_site.files, as_built=tested_site.as_built)


@pytest.fixture(scope="module")
def pdf(handed_over: TestedSite) -> bytes:
    """Give the dossier's bytes."""
    return (handed_over.folder / "out" / "handover-dossier.pdf").read_bytes()


def test_every_chapter_is_there_and_in_the_contents(pdf: bytes) -> None:
    """Each chapter stands in the contents and opens later in the document."""
    contents, *rest = pages_of(pdf)
    for chapter in CHAPTERS:
        assert chapter in contents
        assert any(chapter in page for page in rest), chapter


def test_no_page_is_empty(pdf: bytes) -> None:
    """Every page says something besides its header and footer."""
    for number, page in enumerate(pages_of(pdf), start=1):
        assert len(page.split()) > 25, f"page {number} says only: {page}"


def test_it_is_declared_pdf_a_3b(pdf: bytes) -> None:
    """The file declares part 3, conformance B, as ISO 19005-3 asks of its metadata."""
    assert b"pdfaid:part>3<" in pdf
    assert b"pdfaid:conformance>B<" in pdf


def test_the_verdicts_are_those_of_the_tests(pdf: bytes) -> None:
    """Two strings pass, the reversed one fails, and the one without a reading is not proven."""
    text = text_of(pdf)
    assert "2 of 4 strings are tested and pass; 2 are not proven." in text
    assert "R-S03 2026-06-15 12:04 reversed 396.0" in text
    assert "the polarity is reversed" in text
    assert "no reading of this string" in text
    assert "R-S01 2026-06-15 12:00 right 396.0" in text


def test_every_file_handed_in_is_named_with_its_digest(pdf: bytes, handed_over: TestedSite) -> None:
    """The SHA-256 of each file on the disk, and of the description, stands in the document."""
    text = text_of(pdf)
    for path in (*handed_over.files, handed_over.folder / "site.toml"):
        assert hashlib.sha256(path.read_bytes()).hexdigest() in text, path.name


def test_no_digest_runs_over_the_margin(pdf: bytes) -> None:
    """Every digest ends before the right margin of 18 mm (a glyph is 1233/2048 em wide)."""
    ends: list[float] = []
    for page in PdfReader(io.BytesIO(pdf)).pages:
        right = float(page.mediabox.width) - 18.0 / 25.4 * 72.0

        def visit(
            text: str,
            matrix: list[float],
            _text_matrix: list[float],
            _font: object,
            size: float,
            *,
            right: float = right,
        ) -> None:
            if re.fullmatch("[0-9a-f]{64}", text.strip()):
                ends.append(matrix[4] + 64 * 1233 / 2048 * size - right)

        page.extract_text(visitor_text=visit)
    assert len(ends) > 10
    assert max(ends) < 0.0


def test_the_serial_list_is_what_was_built(pdf: bytes, handed_over: TestedSite) -> None:
    """The attached list names for every place the serial of the as-built list handed in."""
    held = attachments_of(pdf)["serials-by-position.csv"].decode()
    rows = list(csv.DictReader(io.StringIO(held)))
    assert {
        (row["string"], int(row["place_in_string"])): row["serial"] for row in rows
    } == handed_over.as_built
    assert {row["known_by"] for row in rows} == {"as-built list"}
    assert len({row["position"] for row in rows}) == 40


def test_what_is_carried_inside_also_lies_beside_it(pdf: bytes, handed_over: TestedSite) -> None:
    """Attachments and files in out/ are the same bytes, with the digests printed."""
    held, text = attachments_of(pdf), text_of(pdf)
    assert set(held) == {
        "serials-by-position.csv",
        "string-tests.csv",
        "iv-curves.csv",
        "pallets.csv",
        "open-points.csv",
        "findings.json",
    }
    for name, data in held.items():
        assert (handed_over.folder / "out" / name).read_bytes() == data
        assert hashlib.sha256(data).hexdigest() in text


def test_open_points_name_every_finding_that_is_no_pass(pdf: bytes) -> None:
    """Whatever the attached findings do not pass is told in the chapter of open points."""
    findings = json.loads(attachments_of(pdf)["findings.json"])
    pages = pages_of(pdf)
    start = next(n for n, page in enumerate(pages) if n and "Open points\nFailed" in page)
    chapter = " ".join(" ".join(pages[start : start + 4]).split())
    subjects = {one["subject"] for one in findings if one["verdict"] != "pass"}
    assert {"R-S03", "R-S04", sscc(5)} <= subjects
    for subject in subjects:
        assert subject in chapter, subject


def test_the_record_verifies_and_its_seal_is_printed(
    tested_site: TestedSite, pdf: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The seal in the document is that of the record before the dossier was entered."""
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(tested_site.folder.parent / "home"))
    sealed = verify(tested_site.folder, now=lambda: NOON, progress=NO_PROGRESS)
    assert str(sealed.result["receipt"]) in text_of(pdf)
    assert f"Entries in the record {sealed.result['entries']}" in text_of(pdf)


@pytest.fixture
def own_copy(
    handed_over: TestedSite, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> TestedSite:
    """Give a copy of the handed-over site that a test may change."""
    folder = tmp_path / "site"
    shutil.copytree(handed_over.folder, folder)
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(tmp_path / "home"))
    return TestedSite(folder=folder, files=handed_over.files, as_built=handed_over.as_built)


def test_repeating_writes_the_same_bytes_and_records_nothing(
    own_copy: TestedSite, pdf: bytes
) -> None:
    """Without news the dossier is byte for byte the same, even when it was deleted."""
    before = record_entries(own_copy.folder)
    for path in (own_copy.folder / "out").iterdir():
        path.unlink()
    report = dossier(own_copy.folder, days=9)
    assert report.unchanged
    assert (own_copy.folder / "out" / "handover-dossier.pdf").read_bytes() == pdf
    assert record_entries(own_copy.folder) == before
    assert len(report.written) == 7


def test_news_makes_a_new_dossier_that_marks_what_is_no_longer_used(
    own_copy: TestedSite, pdf: bytes, tmp_path: Path
) -> None:
    """A replaced scan list is told as superseded, and verdicts resting on it as out of date."""
    folder = tmp_path / "again"
    folder.mkdir()
    scans = Truck().scans(folder).rename(folder / "scans-again.csv")
    receive(
        own_copy.folder,
        [scans],
        replaced="scans-DN-1.csv",
        person="Ida",
        now=lambda: NOON,
        progress=NO_PROGRESS,
    )
    report = dossier(own_copy.folder, days=3)
    new = (own_copy.folder / "out" / "handover-dossier.pdf").read_bytes()
    text = text_of(new)
    assert not report.unchanged
    assert new != pdf
    old_scans = next(path for path in own_copy.files if path.name == "scans-DN-1.csv")
    for path in (scans, old_scans):
        assert hashlib.sha256(path.read_bytes()).hexdigest() in text
    assert text.count("superseded, no longer used") == 1
    assert "superseded, no longer used" not in text_of(pdf)
    assert "rests on something that has changed since" in text
    assert "rests on something that has changed since" not in text_of(pdf)


def test_a_dossier_of_nothing_says_so(tmp_path: Path) -> None:
    """A site with nothing done yet gets a dossier whose chapters say what is missing."""
    site = make_site(tmp_path)
    report = dossier(site)
    data = (site / "out" / "handover-dossier.pdf").read_bytes()
    text = text_of(data)
    for sentence in (
        "None of the 4 strings has been tested; the site is not proven.",
        "Nothing has been received into this record.",
        "It is not known which module sits where",
        "No allocation of modules to strings was planned.",
        "Nothing has been tested yet: none of the 4 strings has a reading.",
        "No I-V curve has been taken.",
        "No instrument was used: nothing has been tested.",
    ):
        assert sentence in text
    assert set(attachments_of(data)) == {"serials-by-position.csv", "findings.json"}
    assert report.result["pass"] == 0
    assert report.result["tested"] is False


def test_a_dossier_after_receiving_alone_lists_the_pallets(tmp_path: Path) -> None:
    """Deliveries are told, and held pallets are open, before anything is planned or tested."""
    site = make_site(tmp_path)
    receive_files(site, Truck(counted={2: 9}).files(tmp_path / "files"))
    dossier(site)
    data = (site / "out" / "handover-dossier.pdf").read_bytes()
    text = text_of(data)
    assert f"{sscc(2)} DN-1 440 W ▲ hold" in text
    assert "4 accepted" in text
    assert "No allocation of modules to strings was planned." in text
    assert "pallets.csv" in attachments_of(data)
