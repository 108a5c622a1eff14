"""Letters that no font has: a record must not fail because a person wrote one into a note."""

from __future__ import annotations

import unicodedata
from dataclasses import replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dashboard.paper.document import Document, Section

SIGNS = (
    "\N{NO-BREAK SPACE}\N{NARROW NO-BREAK SPACE}\N{EN DASH}\N{MINUS SIGN}\N{DEGREE SIGN}"
    "\N{PLUS-MINUS SIGN}\N{SUPERSCRIPT TWO}\N{MIDDLE DOT}"
)
"""Signs that the project itself writes beside letters."""

UNPRINTED = "some could not be printed here; each is shown by its Unicode number"
"""What a paper says of letters that no font has."""


def printable(document: Document) -> Document:
    """Return a document in which every letter that the fonts may lack stands as its number.

    Examples
    --------
    >>> from dashboard.paper.document import Document
    >>> printable(Document("a\N{BELL}", "", (), (), "")).title
    'a[U+1F514]'
    """
    return replace(
        document,
        title=_plain(document.title),
        subtitle=_plain(document.subtitle),
        footer=_plain(document.footer),
        facts=(*((_plain(name), _plain(text)) for name, text in document.facts), ("Letters", UNPRINTED)),
        sections=tuple(_plain_section(section) for section in document.sections),
        house=replace(
            document.house,
            name=_plain(document.house.name),
            contact=tuple(_plain(line) for line in document.house.contact),
        ),
    )


def _plain_section(section: Section) -> Section:
    """Return a section without letters that the fonts may lack."""
    table = section.table
    return replace(
        section,
        title=_plain(section.title),
        words=tuple(_plain(words) for words in section.words),
        table=None
        if table is None
        else replace(table, rows=tuple(tuple(_plain(cell) for cell in row) for row in table.rows)),
        pictures=tuple((_plain(drawing), _plain(caption)) for drawing, caption in section.pictures),
    )


def _plain(words: str) -> str:
    """Return words with the numbers of letters that the fonts may lack."""
    return "".join(c if _has(c) else f"[U+{ord(c):04X}]" for c in words)


def _has(letter: str) -> bool:
    """Return whether the fonts that come with the typesetter surely have a letter."""
    if letter in "\n\t" or ord(letter) in range(0x20, 0x7F) or letter in SIGNS:
        return True
    scripts = ("LATIN ", "GREEK ", "CYRILLIC ")
    return ord(letter) < 0x0530 and unicodedata.name(letter, "").startswith(scripts)  # noqa: PLR2004 - end of Cyrillic
