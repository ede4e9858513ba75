"""Thousands of damaged files: never a traceback, never a row lost in silence."""

from __future__ import annotations

import random
import re
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

import polars as pl
import pytest

from arraywright.errors import InputFileError
from arraywright.readers import TableReading, read_table
from tests.readers.table_corpus import (
    ALL_SPECS,
    FLASH_HEADINGS,
    FLASH_HEADINGS_DE,
    FLASH_HEADINGS_ES,
    ZONE,
    csv_text,
    flash_cells,
    flash_rows,
    flashes,
    ods_bytes,
    parquet_bytes,
    xlsx_bytes,
)

TEXT_FILES = 1_640
BINARY_FILES = 390
BUILT_FILES = 60

_MODULES = flashes(14)
_NOTE = [
    ["Delivery note: LN-0815", "", "", ""],
    ["Pallet", "Module type", "Power class [W]", "Modules"],
    *[[f"P{i}", "AW-405", "405", "31"] for i in range(9)],
]
_READINGS = [
    ["String", "Measured at", "Voc [V]", "Isc [A]", "Irradiance [W/m2]", "Riso + [MOhm]", "Meter"],
    *[
        [f"S{i}", f"2026-03-12 10:{i:02d}:00", f"{812.5 + i}", "13.1", "812", ">500", "M-1"]
        for i in range(10)
    ],
]
_CURVES = [
    ["Strang", "Zeitpunkt", "Spannung [V]", "Strom [A]"],
    *[["S1", "12.03.2026 10:15:00", f"{40 * i},5", f"{13 - i},25"] for i in range(12)],
]


def text_corpus() -> list[tuple[str, bytes]]:
    """Give good files of several tables, dialects and encodings."""
    english = [list(FLASH_HEADINGS), *flash_rows(_MODULES)]
    german = [list(FLASH_HEADINGS_DE), *flash_rows(_MODULES, mark=",", german=True)]
    spanish = [list(FLASH_HEADINGS_ES), *flash_rows(_MODULES, mark=",")]
    return [
        (",", csv_text(english).encode()),
        (";", ("Flashliste\nTyp: AW-405\n\n" + csv_text(german, separator=";")).encode("cp1252")),
        ("\t", csv_text(spanish, separator="\t", end="\r\n").encode("utf-16")),
        ("|", csv_text(english, separator="|").encode("utf-8-sig")),
        (",", csv_text(_NOTE).encode()),
        (";", csv_text(_READINGS, separator=";", end="\r\n").encode()),
        (";", csv_text(_CURVES, separator=";").encode("utf-16-le")),
        (",", csv_text([[*row, 'a "b", c'] for row in english]).encode()),
    ]


def flip_bytes(data: bytes, draw: random.Random) -> bytes:
    """Change a few bytes."""
    held = bytearray(data)
    for _ in range(draw.choice([1, 1, 2, 5, 20])):
        held[draw.randrange(len(held))] = draw.randrange(256)
    return bytes(held)


def truncate(data: bytes, draw: random.Random) -> bytes:
    """Cut the end off."""
    return data[: draw.randrange(1, len(data))]


def insert_bytes(data: bytes, draw: random.Random) -> bytes:
    """Insert rubbish."""
    at = draw.randrange(len(data))
    return data[:at] + draw.randbytes(draw.choice([1, 3, 30])) + data[at:]


def _by_lines(change: Callable[[list[bytes], random.Random], None]) -> Mutation:
    def mutate(data: bytes, draw: random.Random) -> bytes:
        lines = data.split(b"\n")
        change(lines, draw)
        return b"\n".join(lines)

    return mutate


def _delete(lines: list[bytes], draw: random.Random) -> None:
    del lines[draw.randrange(len(lines))]


def _double(lines: list[bytes], draw: random.Random) -> None:
    lines.insert(draw.randrange(len(lines)), draw.choice(lines))


def _shuffle(lines: list[bytes], draw: random.Random) -> None:
    draw.shuffle(lines)


def _rubbish(lines: list[bytes], draw: random.Random) -> None:
    texts = [b"Page 1 of 2", b";;;", b'"', b"Total;1", b",,,,,,,,,,,", b"\xe4\xf6\xfc", b"=CMD()"]
    lines.insert(draw.randrange(len(lines)), draw.choice(texts))


def _cut_line(lines: list[bytes], draw: random.Random) -> None:
    at = draw.randrange(len(lines))
    lines[at] = lines[at][: draw.randrange(len(lines[at]) + 1)]


def _swap(old: bytes, new: bytes) -> Mutation:
    def mutate(data: bytes, draw: random.Random) -> bytes:
        return data.replace(old, new) if draw.random() < 0.5 else data.replace(old, new, 3)

    return mutate


def column_mutation(data: bytes, draw: random.Random) -> bytes:
    """Delete, double or move a column."""
    separator = draw.choice([b",", b";", b"\t", b"|"])
    at, to = draw.randrange(8), draw.randrange(8)
    kind = draw.randrange(3)
    lines = []
    for line in data.split(b"\n"):
        cells = line.split(separator)
        if at < len(cells):
            cell = cells[at]
            if kind != 1:
                del cells[at]
            if kind != 0:
                cells.insert(to, cell)
        lines.append(separator.join(cells))
    return b"\n".join(lines)


def other_encoding(data: bytes, draw: random.Random) -> bytes:
    """Write the text in another encoding than its bytes say."""
    text = data.decode(draw.choice(["utf-8", "cp1252", "utf-16"]), errors="replace")
    return text.encode(draw.choice(["utf-8", "cp1252", "utf-16", "utf-16-be"]), errors="replace")


Mutation = Callable[[bytes, random.Random], bytes]

TEXT_MUTATIONS: Sequence[Mutation] = (
    flip_bytes,
    truncate,
    insert_bytes,
    _by_lines(_delete),
    _by_lines(_double),
    _by_lines(_shuffle),
    _by_lines(_rubbish),
    _by_lines(_cut_line),
    _swap(b",", b";"),
    _swap(b";", b","),
    _swap(b".", b","),
    _swap(b"\n", b"\r"),
    _swap(b"\n", b"\n\n"),
    _swap(b"20", b'"'),
    _swap(b"Pmax", b"Voc"),
    _swap(b"[V]", b"[furlong]"),
    _swap(b"2026", b"1826"),
    column_mutation,
    other_encoding,
)
BINARY_MUTATIONS: Sequence[Mutation] = (flip_bytes, truncate, insert_bytes)


def read_or_refuse(path: Path) -> TableReading | None:
    """Read; only a foreseen input error may leave the reader, and the sums must hold."""
    refused: InputFileError | None = None
    try:
        reading = read_table(path, ALL_SPECS, time_zone=ZONE)
    except InputFileError as error:
        refused = error
    if refused is not None:
        assert refused.code != "reader-failed", (path.read_bytes(), refused.__cause__)
        assert refused.message
        assert refused.remedy
        return None
    assert reading.rows_in == reading.rows_accepted + reading.rows_reported
    assert reading.rows_accepted == reading.frame.height
    assert dict(reading.frame.schema) == reading.spec.schema
    if reading.rows_reported:
        assert any(finding.verdict != "pass" for finding in reading.findings)
    return reading


def lines_below_headings(data: bytes, reading: TableReading) -> int:
    """Count the lines that are not blank below the headings, by splitting the decoded text."""
    text = data.decode(reading.dialect.encoding, errors="replace").lstrip("\ufeff")
    lines = re.split("\r\n|\n|\r", text)
    skipped = max(reading.dialect.heading_row, reading.dialect.units_row)
    if not reading.recognised:
        skipped = 0
    blank = "".join(map(chr, range(33))) + reading.dialect.separator
    return sum(1 for line in lines[skipped:] if line.strip(blank))


def rows_named(reading: TableReading) -> set[int]:
    """Give the rows that a finding names."""
    return {
        finding.place.row
        for finding in reading.findings
        if finding.place is not None and finding.subject_kind == "input"
    }


def lines_accounted_for(data: bytes, reading: TableReading) -> bool:
    """Tell whether every line not accepted is named by a finding of its own."""
    accepted = set(reading.frame["source_row"].to_list())
    return len(accepted | rows_named(reading)) >= reading.rows_in


@pytest.mark.parametrize("share", range(4))
def test_damaged_texts(tmp_path: Path, share: int) -> None:
    """Lines in equal rows accepted and reported, counted by another method than the reader's."""
    draw = random.Random(20260312 + share)  # noqa: S311 - a seeded mutator, no secret
    corpus = text_corpus()
    seen: Counter[str] = Counter()
    for number in range(TEXT_FILES // 4):
        _, data = corpus[number % len(corpus)]
        for _ in range(draw.choice([1, 1, 1, 2, 4])):
            data = draw.choice(TEXT_MUTATIONS)(data, draw) or b"x"
        path = tmp_path / "damaged.csv"
        path.write_bytes(data)
        reading = read_or_refuse(path)
        if reading is None:
            seen["refused"] += 1
            continue
        seen["recognised" if reading.recognised else "unrecognised"] += 1
        quoted = b'"' in data
        if not quoted:
            assert reading.rows_in == lines_below_headings(data, reading), data
            seen["counted"] += 1
        if reading.recognised and "unit-unknown" not in {f.check for f in reading.findings}:
            assert lines_accounted_for(data, reading), data
            seen["accounted"] += 1
    assert seen["recognised"] > TEXT_FILES // 12, seen
    assert seen["counted"] > TEXT_FILES // 12, seen
    assert seen["accounted"] > TEXT_FILES // 16, seen


def binary_corpus() -> list[tuple[str, bytes]]:
    """Give a good workbook of each kind and a good Parquet file."""
    cells = flash_cells(_MODULES)
    frame = pl.DataFrame(cells, schema=list(FLASH_HEADINGS), orient="row")
    plain = [[*row[:11], str(row[11])] for row in cells]
    return [
        ("a.xlsx", xlsx_bytes({"A": [list(FLASH_HEADINGS), *cells]})),
        ("a.ods", ods_bytes({"A": [list(FLASH_HEADINGS), *plain]})),
        ("a.parquet", parquet_bytes(frame)),
    ]


def test_damaged_workbooks_and_parquet(tmp_path: Path) -> None:
    """Damaged packed files are refused or read, and nothing of the native readers leaks out."""
    draw = random.Random(5)  # noqa: S311 - a seeded mutator, no secret
    corpus = binary_corpus()
    seen: Counter[bool] = Counter()
    for number in range(BINARY_FILES):
        name, data = corpus[number % len(corpus)]
        path = tmp_path / name
        path.write_bytes(draw.choice(BINARY_MUTATIONS)(data, draw) or b"x")
        seen[read_or_refuse(path) is None] += 1
    assert min(seen.values()) > 10, seen


def _mutate_cells(rows: list[list[object]], draw: random.Random) -> list[list[object]]:
    """Change rows of cells: delete, double, empty, swap, put rubbish in."""
    rows = [list(row) for row in rows]
    for _ in range(draw.choice([1, 2, 5])):
        at = draw.randrange(1, len(rows))
        x = draw.randrange(len(rows[at]))
        kind = draw.randrange(6)
        if kind == 0 and len(rows) > 3:
            del rows[at]
        elif kind == 1:
            rows.insert(at, list(draw.choice(rows[1:])))
        elif kind == 2:
            rows[at] = [""] * len(rows[at])
        elif kind == 3:
            rows[at][x] = draw.choice(["", "x", "1,5", "#REF!", -1, 1e300, "12.13.14", "=1+1"])
        elif kind == 4:
            rows.insert(at, ["Total", *[""] * (len(rows[at]) - 1)])
        else:
            rows.insert(at, list(rows[0]))
    return rows


def test_changed_workbooks_account_for_every_row(tmp_path: Path) -> None:
    """Of a whole workbook with changed cells, each row that holds anything is accounted for."""
    draw = random.Random(11)  # noqa: S311 - a seeded mutator, no secret
    cells: list[list[object]] = [
        list(FLASH_HEADINGS),
        *[[*row[:11], str(row[11])] for row in flash_cells(_MODULES)],
    ]
    reported = 0
    for number in range(BUILT_FILES):
        rows = _mutate_cells(cells, draw)
        kind = "ods" if number % 10 == 0 else "xlsx"
        data = ods_bytes({"A": rows}) if kind == "ods" else xlsx_bytes({"A": rows})
        path = tmp_path / f"changed.{kind}"
        path.write_bytes(data)
        reading = read_or_refuse(path)
        assert reading is not None
        assert reading.recognised
        filled = [at for at, row in enumerate(rows, start=1) if any(c != "" for c in row)]
        assert reading.rows_in == len(filled) - 1
        accepted = set(reading.frame["source_row"].to_list())
        assert accepted | rows_named(reading) >= set(filled[1:])
        reported += reading.rows_reported
    assert reported > BUILT_FILES
