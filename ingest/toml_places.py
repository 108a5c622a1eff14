"""On which line of a TOML file each table, key and list entry stands; the TOML reader itself does not say."""

from __future__ import annotations

import re
from bisect import bisect_right

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BARE = re.compile(r"[^\s,\]}#]+(?: \d[^\s,\]}#]*)?")
_STRING = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'',
    re.DOTALL,
)
_KEY_PART = re.compile(r"""[ \t]*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))[ \t]*""")

Path = tuple[str | int, ...]
"""Way to a place in the file: names of tables and keys, numbers of list entries."""


def places(text: str) -> dict[Path, int]:
    r"""Return the line of every table, key and list entry.

    Parameters
    ----------
    text : str
        A file that the TOML reader has accepted; of any other, what was found before the fault.

    Returns
    -------
    dict of tuple to int
        Path to line number, from 1.

    Examples
    --------
    >>> places('name = "a"\n[zone.x]\nmain = [{ length = "1 m" }]')["zone", "x", "main", 0, "length"]
    3
    """
    return _Scanner(text).scan()


class _Scanner:
    """Walks the text once and notes where things begin."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._ends = [match.start() for match in re.finditer("\n", text)]
        self._found: dict[Path, int] = {}
        self._rows: dict[Path, int] = {}

    def scan(self) -> dict[Path, int]:
        """Return what was found."""
        table: Path = ()
        while self._skip() < len(self._text):
            before = self._at
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._pair(table)
            if self._at == before:
                break
        return self._found

    def _skip(self) -> int:
        """Move over blanks and comments; return the place."""
        match = _BLANK.match(self._text, self._at)
        self._at = match.end() if match else self._at
        return self._at

    def _take(self, mark: str) -> bool:
        """Move over one mark, where it stands here."""
        there = self._text.startswith(mark, self._at)
        self._at += len(mark) if there else 0
        return there

    def _note(self, path: Path, at: int) -> None:
        """Note the line of a path, once."""
        self._found.setdefault(path, bisect_right(self._ends, at - 1) + 1)

    def _key(self) -> Path:
        """Return a key, dotted or not."""
        parts: list[str] = []
        while match := _KEY_PART.match(self._text, self._at):
            self._at = match.end()
            parts.append(next(part for part in match.groups() if part is not None))
            if not self._take("."):
                break
        return tuple(parts)

    def _header(self) -> Path:
        """Read ``[table]`` or ``[[table]]`` and return its path."""
        at = self._at
        many = self._take("[[") or not self._take("[")
        path = self._key()
        self._take("]]" if many else "]")
        if many:
            row = self._rows.get(path, -1) + 1
            self._rows[path] = row
            path = (*path, row)
        for depth in range(1, len(path) + 1):
            self._note(path[:depth], at)
        return path

    def _pair(self, table: Path) -> None:
        """Read ``key = value`` under a table."""
        at = self._at
        key = self._key()
        for depth in range(1, len(key) + 1):
            self._note((*table, *key[:depth]), at)
        self._skip()
        if key and self._take("="):
            self._skip()
            self._value((*table, *key))

    def _value(self, path: Path) -> None:
        """Read one value and note what stands inside it."""
        if self._take("["):
            self._list(path)
        elif self._take("{"):
            while self._skip() < len(self._text) and not self._take("}"):
                before = self._at
                self._pair(path)
                self._skip()
                self._take(",")
                if self._at == before:
                    return
        else:
            match = _STRING.match(self._text, self._at) or _BARE.match(self._text, self._at)
            self._at = match.end() if match else self._at

    def _list(self, path: Path) -> None:
        """Read the entries of a list."""
        entry = 0
        while self._skip() < len(self._text) and not self._take("]"):
            before = self._at
            self._note((*path, entry), self._at)
            self._value((*path, entry))
            self._skip()
            self._take(",")
            entry += 1
            if self._at == before:
                return
