"""The page for strangers is true: its own verification agrees with the record."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

from arraywright.records import FileStore, NewEntry, json_body
from arraywright.records.schema import ENTRIES
from tests.records.making import opened, placed, tamper

_PAGE = Path(__file__).parents[2] / "docs" / "record.md"


def _run(script: Path, folder: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(  # noqa: S603
        [sys.executable, "-I", script, folder / "record.sqlite", folder / "record-files"],
        capture_output=True,
        text=True,
        check=False,
    )


def test_the_printed_program_verifies_a_record(tmp_path: Path) -> None:
    """An independent program passes a sound record, gives its seal, and finds changes."""
    (text,) = re.findall(r"```python\n(.*?)```", _PAGE.read_text(encoding="utf-8"), re.DOTALL)
    assert "arraywright." not in text.replace("import arraywright", "arraywright.")
    script = tmp_path / "verify.py"
    script.write_text(text, encoding="utf-8")
    with opened(tmp_path / "record.sqlite") as journal, opened(tmp_path / "b.sqlite", 2) as other:
        stored = FileStore(tmp_path / "record-files").put_bytes(b"serial\nS1\n")
        body = json_body({"files": [stored.named("Gestell Süd.csv")]})
        note = NewEntry(kind="list_read", subject_kind="file", subject="Süd", body=body)
        (first, _) = journal.append([placed("S1", "P1"), note])
        journal.append([placed("S1", "P2", supersedes=first.uuid)])
        other.append([placed("S3", "P3")])
        journal.merge(other.entries())
        seal = journal.seal()
    done = _run(script, tmp_path)
    assert done.stdout.splitlines() == [
        "everything verifies",
        f"seal: {seal.entries} entries, {seal.receipt}",
    ], done.stderr
    assert done.returncode == 0
    path = FileStore(tmp_path / "record-files").path(stored.sha256)
    path.chmod(0o600)
    path.write_bytes(b"serial\nS2\n")
    assert "was changed" in _run(script, tmp_path).stdout
    tamper(
        tmp_path / "record.sqlite",
        "UPDATE record_entries SET person = 'Nobody' WHERE server_order = 2",
    )
    done = _run(script, tmp_path)
    assert "entry 2: the fields do not give the entry hash" in done.stdout
    assert done.returncode == 1


def test_every_column_is_explained() -> None:
    """The page tells of each column of an entry."""
    text = _PAGE.read_text(encoding="utf-8")
    assert [column.name for column in ENTRIES.c if f"`{column.name}`" not in text] == []
