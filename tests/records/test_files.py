"""Files beside the journal hold exactly the bytes they are named after."""

from __future__ import annotations

import errno
import os
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.errors import CallError, InputFileError, MachineError
from arraywright.findings import Verdict, worst_verdict
from arraywright.records import FileStore, NamedFile
from tests.published_values import published


def test_name_is_the_published_hash(tmp_path: Path) -> None:
    """The published message is stored under its published hash."""
    values = published("fips-180-4")
    store = FileStore(tmp_path / "files")
    stored = store.put_bytes(values["inputs"]["message"].encode())
    expected = values["expected"]["sha256"]
    assert stored.sha256 == expected
    assert store.path(expected) == tmp_path / "files" / expected[:2] / expected
    assert store.path(expected).read_bytes() == b"abc"


@given(st.binary(max_size=3000))
@settings(deadline=None, max_examples=40)
def test_the_same_bytes_are_stored_once(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    """Bytes given as such and as a file have one name and lie there once."""
    folder = tmp_path_factory.mktemp("once")
    source = folder / "source.csv"
    source.write_bytes(data)
    store = FileStore(folder / "files")
    one, other = store.put_path(source), store.put_bytes(data)
    assert (one.sha256, one.size, one.new) == (other.sha256, len(data), True)
    assert not other.new
    assert sum(path.is_file() for path in (folder / "files").rglob("*")) == 1
    assert worst_verdict(store.verify()) is Verdict.PASS


def test_a_changed_file_is_found_and_healed(tmp_path: Path) -> None:
    """One changed byte fails, and putting the original in again repairs it."""
    store = FileStore(tmp_path / "files")
    stored = store.put_bytes(b"serial;isc_a\nS1;13.02\n")
    path = store.path(stored.sha256)
    path.chmod(0o600)
    path.write_bytes(b"serial;isc_a\nS1;13.52\n")
    (finding,) = store.verify()
    assert (finding.check, finding.verdict) == ("record-file-changed", Verdict.FAIL)
    assert store.put_bytes(b"serial;isc_a\nS1;13.02\n").new
    assert worst_verdict(store.verify()) is Verdict.PASS
    path.unlink()
    missing = store.verify_one(NamedFile(sha256=stored.sha256, size=stored.size, name="a.csv"))
    assert missing is not None
    assert missing.check == "record-file-missing"
    assert "a.csv" in missing.message


def test_half_written_files_are_swept_but_not_those_in_work(tmp_path: Path) -> None:
    """What a killed program left goes away, what a running one writes stays."""
    store = FileStore(tmp_path / "files")
    leftover = tmp_path / "files" / "unfinished" / "0123"
    leftover.parent.mkdir(parents=True)
    leftover.write_bytes(b"half")
    source = tmp_path / "pipe"
    os.mkfifo(source)
    writer_may_end = threading.Event()

    def feed() -> None:
        with source.open("wb") as pipe:
            pipe.write(b"x" * 2_000_000)
            pipe.flush()
            writer_may_end.wait(20)

    thread = threading.Thread(target=feed)
    thread.start()
    results = []
    putter = threading.Thread(target=lambda: results.append(store.put_path(source)))
    putter.start()
    unfinished = tmp_path / "files" / "unfinished"
    while leftover.exists() or len(list(unfinished.iterdir())) != 1:
        assert putter.is_alive()
    assert FileStore(tmp_path / "files").sweep() == 0
    writer_may_end.set()
    thread.join()
    putter.join()
    assert results[0].size == 2_000_000
    assert list(unfinished.iterdir()) == []


def test_a_full_disk_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """When there is no room, the person hears so and no half file stays."""
    store = FileStore(tmp_path / "files")

    def full(_handle: int) -> None:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(MachineError, match="no room") as caught:
        store.put_bytes(b"abc")
    assert caught.value.code == "disk-full"
    assert not [path for path in (tmp_path / "files").rglob("*") if path.is_file()]


def test_sources_and_folders_that_cannot_be_used_are_named(tmp_path: Path) -> None:
    """A missing source is the person's input, a folder that is a file is the machine's."""
    with pytest.raises(InputFileError, match="nowhere"):
        FileStore(tmp_path / "files").put_path(tmp_path / "nowhere")
    with pytest.raises(InputFileError, match=r"cannot be read"):
        FileStore(tmp_path / "files").put_path(tmp_path)
    blocked = tmp_path / "blocked"
    blocked.write_bytes(b"")
    with pytest.raises(MachineError, match="blocked"):
        FileStore(blocked).put_bytes(b"abc")
    with pytest.raises(CallError, match="64 lower-case"):
        FileStore(tmp_path).path("../../etc")
