"""The lines on which the keys of a TOML text stand, for messages."""

from __future__ import annotations

import re
from typing import Final, TypeAlias

__all__ = ["KeyPath", "TomlLines", "shown_path"]

KeyPath: TypeAlias = tuple[str | int, ...]
"""Keys from the top; an element of an array of tables is a number counted from 0."""

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_SPACE: Final = re.compile(r"[ \t]*")
_BLANK: Final = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SCALAR: Final = re.compile(r"[^,\]\}\r\n#]*")
_ESCAPE: Final = re.compile(r"\\(u[0-9A-Fa-f]{4}|U[0-9A-Fa-f]{8}|.)", re.DOTALL)
_ESCAPES: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", '"': '"', "\\": "\\"}
_STRINGS: Final = (
    re.compile(r'"""(?:[^"\\]|\\.|"{1,2}(?!"))*"""(?:"{0,2})', re.DOTALL),
    re.compile(r"'''(?:[^']|'{1,2}(?!'))*'''(?:'{0,2})", re.DOTALL),
    re.compile(r'"(?:[^"\\\n]|\\.)*"'),
    re.compile(r"'[^'\n]*'"),
)


def shown_path(path: KeyPath) -> str:
    """Write a path for people: dotted, elements counted from 1 in brackets."""
    out = ""
    for part in path:
        if isinstance(part, int):
            out += f"[{part + 1}]"
            continue
        name = part
        if not _BARE.fullmatch(part):
            name = f'"{"".join(sign if sign.isprintable() else " " for sign in part)}"'
        out += f".{name}" if out else name
    return out


class TomlLines:
    """Finds the line of a key in a TOML text that has been parsed already.

    Only for messages: a text it does not follow to the end gives the lines it has found so far.
    """

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._line = 1
        self._counted_to = 0
        self._counts: dict[KeyPath, int] = {}
        self._lines: dict[KeyPath, int] = {}
        try:
            self._document()
        except (_LostError, RecursionError):
            return

    def line(self, path: KeyPath) -> int:
        """Line of a key counted from 1, of the nearest table above it when it is not there."""
        while path:
            if path in self._lines:
                return self._lines[path]
            path = path[:-1]
        return 0

    def _note(self, path: KeyPath) -> None:
        self._line += self._text.count("\n", self._counted_to, self._at)
        self._counted_to = self._at
        self._lines.setdefault(path, self._line)

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            raise _LostError
        self._at = match.end()
        return match.group()

    def _next(self, text: str) -> bool:
        return self._text.startswith(text, self._at)

    def _take(self, text: str) -> None:
        if not self._next(text):
            raise _LostError
        self._at += len(text)

    def _document(self) -> None:
        table: KeyPath = ()
        while True:
            self._skip(_BLANK)
            if self._at >= len(self._text):
                return
            if self._next("[["):
                table = self._header(array=True)
            elif self._next("["):
                table = self._header(array=False)
            else:
                self._pair(table)

    def _header(self, *, array: bool) -> KeyPath:
        start = self._at
        self._at += 2 if array else 1
        keys = self._keys()
        self._take("]]" if array else "]")
        after, self._at = self._at, start
        path: KeyPath = ()
        for number, key in enumerate(keys):
            path = (*path, key)
            if number < len(keys) - 1 or not array:
                if path in self._counts:
                    path = (*path, self._counts[path] - 1)
                continue
            self._note(path)
            self._counts[path] = self._counts.get(path, 0) + 1
            path = (*path, self._counts[path] - 1)
        for length in range(1, len(path) + 1):
            self._note(path[:length])
        self._at = after
        return path

    def _keys(self) -> list[str]:
        keys: list[str] = []
        while True:
            self._skip(_SPACE)
            if self._next('"') or self._next("'"):
                keys.append(_unquoted(self._skip(_STRINGS[2 if self._next('"') else 3])))
            else:
                keys.append(self._skip(_BARE))
            self._skip(_SPACE)
            if not self._next("."):
                return keys
            self._at += 1

    def _pair(self, table: KeyPath) -> None:
        start = self._at
        keys = self._keys()
        after, self._at = self._at, start
        path = table
        for key in keys:
            path = (*path, key)
            self._note(path)
        self._at = after
        self._take("=")
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        if self._next("["):
            self._members("[", "]", path)
        elif self._next("{"):
            self._members("{", "}", path)
        elif self._next('"""'):
            self._skip(_STRINGS[0])
        elif self._next("'''"):
            self._skip(_STRINGS[1])
        elif self._next('"'):
            self._skip(_STRINGS[2])
        elif self._next("'"):
            self._skip(_STRINGS[3])
        else:
            self._skip(_SCALAR)

    def _members(self, opening: str, closing: str, path: KeyPath) -> None:
        self._take(opening)
        number = 0
        while True:
            self._skip(_BLANK)
            if self._next(closing):
                self._at += 1
                return
            if opening == "{":
                self._pair(path)
            else:
                self._note((*path, number))
                self._value((*path, number))
            number += 1
            self._skip(_BLANK)
            if self._next(","):
                self._at += 1
            elif not self._next(closing):
                raise _LostError


class _LostError(Exception):
    """The text does not go on as expected."""


def _unquoted(text: str) -> str:
    if text.startswith("'"):
        return text[1:-1]

    def plain(match: re.Match[str]) -> str:
        code = match.group(1)
        if len(code) > 1:
            return chr(int(code[1:], 16))
        return _ESCAPES.get(code, code)

    return _ESCAPE.sub(plain, text[1:-1])
