"""A document as values: words, tables, pictures, who made it, and what is attached."""

from __future__ import annotations

import base64
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Table:
    """A table: its heading, its columns' titles, and rows of words.

    Attributes
    ----------
    columns : tuple of str
        Titles.
    rows : tuple of tuple of str
        Words.
    numbers : tuple of int
        Columns that hold numbers and stand to the right.
    """

    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A part of a document, in the order it is printed: words, table, pictures.

    Attributes
    ----------
    title : str
        Its heading; level 1 begins a main part.
    level : int
        Depth of the heading, 1 or 2.
    words : tuple of str
        Paragraphs.
    table : Table or None
        Its table.
    pictures : tuple of (str, str)
        SVG text and caption.
    """

    title: str
    level: int = 1
    words: tuple[str, ...] = ()
    table: Table | None = None
    pictures: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Logo:
    """A picture of the house that made a document.

    Attributes
    ----------
    kind : {"svg", "png"}
        What it is.
    content : bytes
        The file.
    """

    kind: str
    content: bytes

    @property
    def address(self) -> str:
        """The picture as a data address for HTML."""
        media = {"svg": "image/svg+xml", "png": "image/png"}[self.kind]
        return f"data:{media};base64,{base64.b64encode(self.content).decode('ascii')}"


@dataclass(frozen=True, slots=True)
class House:
    """Who made a document.

    Attributes
    ----------
    name : str
        Empty where not told.
    contact : tuple of str
        Lines: address, telephone.
    logo : Logo or None
        Its picture.
    """

    name: str = ""
    contact: tuple[str, ...] = ()
    logo: Logo | None = None


@dataclass(frozen=True, slots=True)
class Attachment:
    """A file inside a PDF: its name, its content, and what it is to the document, in words."""

    name: str
    content: bytes
    what: str


@dataclass(frozen=True, slots=True)
class Document:
    """Everything that one paper says.

    Attributes
    ----------
    title, subtitle : str
        On top of the first page.
    facts : tuple of (str, str)
        Short lines below the title: what and value.
    sections : tuple of Section
        The body.
    footer : str
        On every page.
    language : str
        BCP 47 code.
    house : House
        Who made it.
    attachments : tuple of Attachment
        Files inside the PDF.
    paper : {"a4", "us-letter"}
        Size of the page.
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    footer: str
    language: str = "en"
    house: House = field(default_factory=House)
    attachments: tuple[Attachment, ...] = ()
    paper: str = "a4"
