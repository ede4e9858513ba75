"""Lines of keys found in TOML texts, so that a message points at the right place."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from arraywright.readers.toml_lines import KeyPath, TomlLines, shown_path

TEXT = '''# a comment with [brackets] and = signs
title = "a # no comment"  # 2

"quoted.key" = 1
'literal "key"' = 2
dotted.inner . last = 3

[table]
multi = """
[not.a.table]
key = 1
"""
after = 4
literal = \'\'\'
x = "
\'\'\'
list = [
  1, # one
  2,
  { deep = 5 },
]
inline = { a = 1, b = { c = "}" }, d = [1, 2] }

[[table.entry]]
name = "first"
[table.entry.sub]
key = 1
[[table.entry]]
name = "second"
[table.entry.sub]
key = 2
[[table.entry.list]]
x = 1
[[table.entry.list]]
x = 2
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        (("title",), 2),
        (("quoted.key",), 4),
        (('literal "key"',), 5),
        (("dotted", "inner", "last"), 6),
        (("table",), 8),
        (("table", "multi"), 9),
        (("table", "after"), 13),
        (("table", "literal"), 14),
        (("table", "list"), 17),
        (("table", "list", 1), 19),
        (("table", "list", 2, "deep"), 20),
        (("table", "inline", "b", "c"), 22),
        (("table", "inline", "d"), 22),
        (("table", "entry", 0), 24),
        (("table", "entry", 0, "name"), 25),
        (("table", "entry", 0, "sub", "key"), 27),
        (("table", "entry", 1), 28),
        (("table", "entry", 1, "sub", "key"), 31),
        (("table", "entry", 1, "list", 1, "x"), 35),
        # What is not there has the line of the nearest table above it.
        (("table", "entry", 1, "list", 1, "missing"), 34),
        (("table", "missing"), 8),
        (("missing",), 0),
    ],
)
def test_every_way_of_writing_a_key_is_found_on_its_line(path: KeyPath, line: int) -> None:
    """Quoted, dotted, inline and repeated tables are followed as TOML reads them."""
    tomllib.loads(TEXT)
    assert TomlLines(TEXT).line(path) == line


_VALUES = st.sampled_from(
    ["1", '"#"', "'='", "[1, 2]", "[\n1,\n# [x]\n2,\n]", "{ a = 1 }", '"""\n[a]\n"""', "1979-05-27"]
)
_NAMES = st.text(st.characters(codec="utf-8", exclude_categories=["C"]), min_size=1, max_size=5)


@given(tables=st.lists(st.tuples(_NAMES, st.lists(st.tuples(_NAMES, _VALUES), max_size=4))))
@settings(max_examples=150, deadline=None)
def test_lines_agree_with_where_keys_were_written(
    tables: list[tuple[str, list[tuple[str, str]]]],
) -> None:
    """A text built line by line is read back with the lines it was built from."""
    lines: list[str] = []
    expected: dict[KeyPath, int] = {}
    for number, (table, pairs) in enumerate(dict(tables).items()):
        head = f'"{_escaped(table)}"'
        lines.append(f"[[{head}]]" if number % 2 else f"[{head}]")
        path: KeyPath = (table, 0) if number % 2 else (table,)
        expected[path] = len(lines)
        for key, value in dict(pairs).items():
            expected[(*path, key)] = len(lines) + 1
            lines += f'"{_escaped(key)}" = {value}'.split("\n")
    text = "\n".join(lines)
    tomllib.loads(text)
    found = TomlLines(text)
    assert {path: found.line(path) for path in expected} == expected


def _escaped(name: str) -> str:
    return "".join(f"\\U{ord(sign):08x}" if sign in '"\\' else sign for sign in name)


@given(text=st.text(st.sampled_from(list("[]{}\"'=.,#\n ab1\\")), max_size=60))
@settings(max_examples=300, deadline=None)
def test_no_text_stops_the_search(text: str) -> None:
    """Lines are only for messages: no text makes finding them fail."""
    assert TomlLines(text).line(("a",)) >= 0


def test_paths_are_shown_as_people_write_them() -> None:
    """Elements count from 1 and names with dots are quoted."""
    assert shown_path(("layout", "block", 1, "rows")) == "layout.block[2].rows"
    assert shown_path(("module_types", "a.b", "voc_v")) == 'module_types."a.b".voc_v'
