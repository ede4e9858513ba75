"""The command line against a hostile hour: one exit code, one sentence, one JSON document."""

from __future__ import annotations

import contextlib
import json
import os
import resource
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import click
import pytest
from click.testing import CliRunner, Result

from arraywright.cli.compiled import CACHE_VARIABLE, place_compiled_code
from arraywright.cli.main import cli
from tests.procedures.making import PERSON, Truck, make_site, record_entries

_ROOT = Path(__file__).parents[2]
_PROGRAM = "from arraywright.cli.main import main; main()"
_AS_ROOT = os.name == "posix" and os.geteuid() == 0


def _run(*words: object) -> Result:
    return CliRunner().invoke(cli, [str(word) for word in words])


def _receive(site: Path, files: Sequence[object], *words: object) -> Result:
    return _run("receive", site, *files, "--person", PERSON, *words)


def _told(result: Result, *, code: int) -> str:
    """Give everything a person sees; no traceback is among it, and the exit code is this one."""
    text = result.stdout + result.stderr
    assert "Traceback" not in text
    assert result.exit_code == code, text
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return text


def _start(*words: object, **given: Any) -> subprocess.Popen[str]:
    return subprocess.Popen(  # noqa: S603 - our own interpreter and our own words
        [sys.executable, "-c", _PROGRAM, *map(str, words)],
        cwd=_ROOT,
        env=os.environ | {"PYTHONPATH": str(_ROOT / "src")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        **given,
    )


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A site folder that nothing was received for yet."""
    return make_site(tmp_path)


@pytest.fixture
def files(tmp_path: Path) -> list[Path]:
    """Order, note, scans and flash list with one short pallet."""
    return Truck(counted={2: 9}).files(tmp_path / "inputs")


def _missing(site: Path) -> Path:
    return site / "elsewhere"


def _empty_folder(site: Path) -> Path:
    (site / "empty").mkdir()
    return site / "empty"


def _a_file(site: Path) -> Path:
    return site / "site.toml"


def _broken_toml(site: Path) -> Path:
    (site / "site.toml").write_text('[site\nname = "x"\n')
    return site


def _binary_toml(site: Path) -> Path:
    (site / "site.toml").write_bytes(bytes(range(256)))
    return site


def _wrong_key(site: Path) -> Path:
    path = site / "site.toml"
    path.write_text(path.read_text().replace("latitude_deg", "latitud_deg"))
    return site


def _without_strings(site: Path) -> Path:
    path = site / "site.toml"
    path.write_text(path.read_text().split("[[layout.block]]")[0])
    return site


def _folder_for_toml(site: Path) -> Path:
    (site / "site.toml").unlink()
    (site / "site.toml").mkdir()
    return site


@pytest.mark.parametrize("as_json", [False, True])
@pytest.mark.parametrize(
    "spoil",
    [
        _missing,
        _empty_folder,
        _a_file,
        _broken_toml,
        _binary_toml,
        _wrong_key,
        _without_strings,
        _folder_for_toml,
    ],
)
def test_a_site_that_cannot_be_used_is_told_with_what_to_do(
    site: Path, files: list[Path], spoil: Callable[[Path], Path], *, as_json: bool
) -> None:
    """Whatever is wrong with the site folder or its description: code 2, and nothing written."""
    folder = spoil(site)
    for words in (["receive", folder, *files], ["allocate", folder], ["verify", folder]):
        result = _run(*words, *(["--json"] if as_json else []))
        text = _told(result, code=2)
        if as_json:
            document = json.loads(result.stdout)
            assert document["exit_code"] == 2
            assert document["error"]["remedy"]
        else:
            assert "To do: " in text
        assert not (folder / "record.sqlite").exists()


@pytest.mark.parametrize(
    "words",
    [
        ["receive"],
        ["receive", "somewhere"],
        ["recieve", "somewhere", "x.csv"],
        ["receive", "somewhere", "x.csv", "--colour"],
        ["trace", "somewhere"],
        ["verify"],
        ["--verbose"],
    ],
)
def test_a_wrong_call_names_the_help(words: list[str]) -> None:
    """A slip in a command, an argument or an option: code 2, in words and as JSON."""
    assert "--help" in _told(_run(*words), code=2)
    result = _run(*words, "--json")
    _told(result, code=2)
    assert json.loads(result.stdout)["error"]["code"] == "call-not-understood"


def test_a_person_without_a_name_is_refused(site: Path, files: list[Path]) -> None:
    """Who did something stands in the record, so it cannot be empty."""
    result = _run("receive", site, *files, "--person", "", "--json")
    _told(result, code=2)
    assert json.loads(result.stdout)["error"]["code"] == "person-name"


@pytest.mark.parametrize("command", [["allocate"], ["verify"], ["trace", "SG00010001"]])
def test_a_step_before_the_first_delivery_says_what_is_missing(
    site: Path, command: list[str]
) -> None:
    """Without a record nothing can be planned, traced or verified."""
    name, *rest = command
    result = _run(name, site, *rest, "--json")
    _told(result, code=2)
    assert json.loads(result.stdout)["error"]["remedy"]


def test_receiving_prints_tables_findings_and_what_was_written(
    site: Path, files: list[Path]
) -> None:
    """The first look tells counts, what is wrong with which pallet, and where it is written."""
    text = _told(_receive(site, files), code=1)
    for wanted in ("4 pallets accepted, 1 held", "pallet-count", "✕ fail", "receiving-report.pdf"):
        assert wanted in text
    assert "\x1b[" not in text


def test_json_is_one_document_and_progress_stays_off_it(site: Path, files: list[Path]) -> None:
    """Another program reads standard output as it is, first and repeated."""
    first = json.loads(_receive(site, files, "--json").stdout)
    assert first["exit_code"] == 1
    assert first["result"]["counts"] == {"accept": 4, "hold": 1, "refuse": 0}
    again = json.loads(_receive(site, files, "--json").stdout)
    assert again["unchanged"] is True
    assert again["findings"] == first["findings"]
    assert first["verdicts"]["fail"] == sum(
        finding["verdict"] == "fail" for finding in first["findings"]
    )


def test_a_pdf_called_csv_is_refused_and_the_rest_received(
    site: Path, files: list[Path], tmp_path: Path
) -> None:
    """Code 2 says an input was wrong; everything else is in the record."""
    pdf = tmp_path / "flash.csv"
    pdf.write_bytes(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    text = _told(_receive(site, [*files, pdf]), code=2)
    assert "flash.csv is a PDF document" in text
    assert len(record_entries(site)) == 5


def test_findings_alike_are_collapsed_unless_all_are_wanted(site: Path, tmp_path: Path) -> None:
    """Forty pallets with one reason are three lines and a number, and forty lines with --all."""
    truck = Truck(pallets=tuple(range(1, 61)), counted=dict.fromkeys(range(1, 41), 9))
    files = truck.files(tmp_path)
    text = _told(_receive(site, files), code=1)
    alike = [line for line in text.splitlines() if "does not hold the same number" in line]
    assert len(alike) == 3
    assert "and 37 more of the same" in text
    text = _told(_receive(site, files, "--all"), code=1)
    alike = [line for line in text.splitlines() if "does not hold the same number" in line]
    assert len(alike) == 40


def test_nothing_is_folded_where_no_window_sets_a_width(site: Path, files: list[Path]) -> None:
    """In a file or another program each finding is one line, whole."""
    text = _told(_receive(site, files), code=1)
    (line,) = [line for line in text.splitlines() if "does not hold the same number" in line]
    assert line.endswith("required the same number on all.")


def _other_version(path: Path) -> None:
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TRIGGER IF EXISTS record_meta_no_update")
        connection.execute("UPDATE record_meta SET content = '99' WHERE name = 'schema_version'")


def _garbage(path: Path) -> None:
    path.write_bytes(b"SQLite format 3\x00" + b"\x7f" * 9_000)


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:5_000])


def _a_folder(path: Path) -> None:
    path.unlink()
    path.mkdir()


def _another_database(path: Path) -> None:
    path.unlink()
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE orders (number TEXT)")


def _content(path: Path) -> object:
    """Give every table of a database; of what is none, its bytes."""
    if not path.is_file():
        return None
    with contextlib.closing(sqlite3.connect(path)) as connection:
        try:
            return list(connection.iterdump())
        except sqlite3.DatabaseError:
            return path.read_bytes()


@pytest.mark.parametrize("spoil", [_garbage, _cut, _a_folder, _another_database, _other_version])
def test_a_record_that_cannot_be_used_is_left_as_it_is(
    site: Path, files: list[Path], spoil: Callable[[Path], None]
) -> None:
    """Damaged, foreign or from another version: code 2, told, and no byte of it is changed."""
    _told(_receive(site, files), code=1)
    record = site / "record.sqlite"
    with sqlite3.connect(record) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    for side in ("-wal", "-shm"):
        record.with_name(record.name + side).unlink(missing_ok=True)
    spoil(record)
    before = _content(record)
    for words in (["receive", site, *files], ["verify", site], ["allocate", site]):
        result = _run(*words, "--json")
        text = _told(result, code=2)
        assert "record.sqlite" in text
        json.loads(result.stdout)
    assert _content(record) == before


def test_a_changed_entry_does_not_verify(site: Path, files: list[Path]) -> None:
    """Somebody with a database program is found out, with code 1."""
    _told(_receive(site, files), code=1)
    assert "The record verifies" in _told(_run("verify", site), code=0)
    with sqlite3.connect(site / "record.sqlite") as connection:
        triggers = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'")
        for (name,) in triggers.fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute("UPDATE record_entries SET person = 'Somebody else'")
    assert "does NOT verify" in _told(_run("verify", site), code=1)


def test_a_stored_file_that_is_gone_is_told(site: Path, files: list[Path]) -> None:
    """The record names what lies beside it; without it commands say which file and what to do."""
    _told(_receive(site, files), code=1)
    shutil.rmtree(site / "record-files")
    assert "does NOT verify" in _told(_run("verify", site), code=1)
    result = _receive(site, files, "--json")
    _told(result, code=json.loads(result.stdout)["exit_code"])
    assert result.exit_code in {2, 3}
    assert json.loads(result.stdout)["error"]["code"] == "record-file-missing"


def test_out_that_is_a_file_ends_with_code_3_and_the_record_stands(
    site: Path, files: list[Path]
) -> None:
    """What cannot be written is told; what was received is kept, and repeating completes it."""
    (site / "out").write_text("in the way")
    assert "out" in _told(_receive(site, files), code=3)
    assert len(record_entries(site)) == 5
    (site / "out").unlink()
    _told(_receive(site, files), code=1)
    assert len(record_entries(site)) == 5
    assert (site / "out" / "receiving-report.pdf").is_file()


def test_a_document_that_is_open_elsewhere_ends_with_code_3(site: Path, files: list[Path]) -> None:
    """A folder where a document belongs cannot be replaced; nothing half-written stays."""
    (site / "out" / "pallets.csv" / "x").mkdir(parents=True)
    assert "pallets.csv" in _told(_receive(site, files), code=3)
    assert not [path for path in (site / "out").iterdir() if path.name.startswith(".")]


@pytest.mark.skipif(_AS_ROOT, reason="the superuser may write everywhere")
def test_a_folder_that_may_not_be_written_ends_with_code_3(site: Path, files: list[Path]) -> None:
    """A read-only folder is the machine's fault, and nothing is half-made."""
    site.chmod(0o500)
    try:
        _told(_receive(site, files), code=3)
    finally:
        site.chmod(0o700)
    assert [path.name for path in site.iterdir()] == ["site.toml"]


@pytest.mark.skipif(_AS_ROOT, reason="the superuser may read everything")
def test_a_file_that_may_not_be_read_leaves_the_rest_received(
    site: Path, files: list[Path]
) -> None:
    """Permissions of one file are that file's fault: code 2, and the others are in the record."""
    files[0].chmod(0)
    assert files[0].name in _told(_receive(site, files), code=2)
    assert len(record_entries(site)) == 4


@pytest.mark.parametrize("room_bytes", [0, 4_096, 20_000, 60_000])
def test_a_full_disk_ends_with_code_3_and_repeating_completes(
    site: Path, files: list[Path], room_bytes: int
) -> None:
    """No file may grow beyond a limit: the machine failed, and the record is whole."""

    def limit() -> None:
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (room_bytes, room_bytes))

    words = ["receive", site, *files, "--person", PERSON, "--json"]
    with _start(*words, preexec_fn=limit) as command:
        out, err = command.communicate()
    assert "Traceback" not in out + err
    assert command.returncode == 3, out + err
    assert json.loads(out)["exit_code"] == 3
    _told(_receive(site, files), code=1)
    assert "The record verifies" in _told(_run("verify", site), code=0)
    assert len(record_entries(site)) == 5


def test_two_commands_at_once_both_end_well_and_double_nothing(
    site: Path, tmp_path: Path, files: list[Path]
) -> None:
    """The same files and other files, on a site without a record: whoever is second looks again."""
    other = Truck(pallets=(11, 12), note="DN-2")
    more = [other.delivery_note(tmp_path), other.scans(tmp_path), other.flash(tmp_path)]
    commands = [
        _start("receive", site, *some, "--person", PERSON)
        for some in (files, files, more, [*files, *more])
    ]
    ended = [(*command.communicate(), command.returncode) for command in commands]
    for out, err, code in ended:
        assert "Traceback" not in out + err
        # The short pallet fails; who was first with the other truck has not seen it yet.
        assert code in {0, 1}, out + err
    entries = record_entries(site)
    assert len([key for key in entries if key[0] == "file_received"]) == 7
    assert "The record verifies" in _told(_run("verify", site), code=0)
    result = _receive(site, [*files, *more], "--json")
    document = json.loads(result.stdout)
    assert document["unchanged"] is True
    assert document["result"]["counts"] == {"accept": 6, "hold": 1, "refuse": 0}
    shown = (site / "out" / "pallets.csv").read_text().splitlines()
    assert len(shown) == 8


def test_ctrl_c_ends_with_code_3_and_a_word(site: Path, tmp_path: Path) -> None:
    """Who stops a command is told that the record is whole; JSON stays one document."""
    truck = Truck(pallets=tuple(range(1, 1_200)))
    files = truck.files(tmp_path / "big")
    with _start("receive", site, *files, "--json") as command:
        deadline = time.monotonic() + 60.0
        while not (site / "record-files").exists() and time.monotonic() < deadline:
            time.sleep(0.005)
        command.send_signal(signal.SIGINT)
        out, err = command.communicate()
    assert "Traceback" not in out + err
    assert command.returncode == 3, out + err
    assert json.loads(out)["error"]["code"] == "stopped"
    assert "The record verifies" in _told(_run("verify", site), code=0)


def test_what_nobody_foresaw_is_a_sentence_and_a_report_in_a_file(
    site: Path, files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A defect ends with code 3 and names the file that can be sent; the terminal stays clean."""

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError("in the depth")

    monkeypatch.setattr("arraywright.procedures.receive.reconcile", broken)
    text = _told(_receive(site, files), code=3)
    assert "ZeroDivisionError" in text
    (report,) = (site / "out").glob("fault-*.txt")
    assert str(report) in text
    assert "in the depth" in report.read_text()
    document = json.loads(_receive(site, files, "--json").stdout)
    assert document["error"]["code"] == "unforeseen"
    assert record_entries(site) == set()


def test_a_machine_without_memory_is_told_as_such(
    site: Path, files: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Memory is the machine's, not a defect: code 3 and what helps."""

    def hungry(*_: object, **__: object) -> None:
        raise MemoryError

    monkeypatch.setattr("arraywright.procedures.receive.reconcile", hungry)
    assert "memory" in _told(_receive(site, files), code=3)


def test_text_from_files_cannot_steer_the_terminal(site: Path, tmp_path: Path) -> None:
    """Escape sequences in a serial or a file name are shown, never obeyed."""
    named = tmp_path / "fl\x1b[2Jash.csv"
    named.write_text("nothing known\n1\n")
    flash = tmp_path / "flash.csv"
    flash.write_text(
        "Seriennummer;Palette;Pmpp;Uoc;Isc;Umpp;Impp\n[red]\u202eA;[bold]P\u200b;1;2;3;4;5\n",
        encoding="utf-8",
    )
    text = _told(_receive(site, [named, flash], "--all"), code=2)
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert "[RED]" in text.upper()
    assert "[2Jash.csv" in text


def test_an_output_that_knows_no_such_signs_is_served_too(site: Path, files: list[Path]) -> None:
    """A terminal of an old encoding gets every word, and JSON stays JSON."""
    environment = os.environ | {"PYTHONPATH": str(_ROOT / "src"), "PYTHONIOENCODING": "ascii"}
    for more in ([], ["--json"]):
        done = subprocess.run(  # noqa: S603 - our own interpreter and our own words
            [sys.executable, "-c", _PROGRAM, "receive", str(site), *map(str, files), *more],
            cwd=_ROOT,
            env=environment,
            capture_output=True,
            check=False,
        )
        assert done.returncode == 1, done.stderr
        assert b"Traceback" not in done.stdout + done.stderr
        if more:
            assert json.loads(done.stdout)["exit_code"] == 1


def test_compiled_code_has_a_place_wherever_the_program_stands(
    tmp_path: Path, device_home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Compiled code lies beside the program, or with its user alone, never in common."""
    chosen = {CACHE_VARIABLE: "chosen"}
    place_compiled_code(chosen, package=tmp_path / "not there")
    assert chosen == {CACHE_VARIABLE: "chosen"}
    writable: dict[str, str] = {}
    place_compiled_code(writable, package=tmp_path)
    assert writable == {}
    locked: dict[str, str] = {}
    place_compiled_code(locked, package=tmp_path / "not there")
    assert Path(locked[CACHE_VARIABLE]) == device_home / "compiled"
    assert (device_home / "compiled").stat().st_mode & 0o077 == 0
    (tmp_path / "a file").write_text("")
    monkeypatch.setenv("ARRAYWRIGHT_HOME", str(tmp_path / "a file"))
    homeless: dict[str, str] = {}
    place_compiled_code(homeless, package=tmp_path / "not there")
    folder = Path(homeless[CACHE_VARIABLE])
    assert folder.stat().st_mode & 0o077 == 0
    folder.rmdir()


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_explains_itself(name: str) -> None:
    """Help fits a window of 100 columns, and every option says what it is for."""
    text = _told(_run(name, "--help"), code=0)
    assert all(len(line) <= 100 for line in text.splitlines())
    command = cli.commands[name]
    assert command.help
    assert command.short_help
    for parameter in command.params:
        if isinstance(parameter, click.Option):
            assert parameter.help
