"""The press: one document of words and pictures becomes HTML, and a tagged PDF."""

from __future__ import annotations

import json
import tempfile
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from datetime import datetime

TEMPLATES = Path(__file__).parent / "templates"


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
    """

    title: str
    subtitle: str
    facts: tuple[tuple[str, str], ...]
    sections: tuple[Section, ...]
    footer: str
    language: str = "en"
    logo: str | None = field(default=None)


LONG_CELL = 26
"""Letters from which a column shares the free width instead of taking what it needs. [-]"""


def _widths(columns: tuple[str, ...], rows: tuple[tuple[str, ...], ...]) -> list[float]:
    """Return each column's share of the free width; 0 takes just what it needs."""
    longest = [max(len(cell) for cell in column) for column in zip(columns, *rows, strict=True)]
    return [0.0 if letters <= LONG_CELL else float(min(letters, 90)) ** 0.5 for letters in longest]


def html(document: Document) -> str:
    """Return a document as one self-contained HTML page that also prints.

    Parameters
    ----------
    document : Document
        What it says; every word is escaped, pictures are the project's own SVG.

    Returns
    -------
    str
        The page.
    """
    from jinja2 import Environment, FileSystemLoader  # noqa: PLC0415 - only paper needs it
    from markupsafe import Markup  # noqa: PLC0415 - as above

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES), autoescape=True, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters["picture"] = Markup
    return environment.get_template("paper.html").render(document=document)


def pdf(document: Document, made: datetime) -> bytes:
    """Return a document as a tagged PDF (PDF/UA-1 asked of the typesetter).

    Parameters
    ----------
    document : Document
        What it says; words reach the typesetter as data, so that none of them can become markup.
    made : datetime.datetime
        Time stamp inside the file; the same document and stamp give the same bytes.

    Returns
    -------
    bytes
        The file.
    """
    import typst  # noqa: PLC0415 - the typesetter is loaded only for paper

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        content: dict[str, Any] = asdict(document)
        for n, section in enumerate(content["sections"]):
            if section["table"] is not None:
                section["table"]["widths"] = _widths(section["table"]["columns"], section["table"]["rows"])
            pictures = section["pictures"]
            section["pictures"] = [
                {"file": f"picture-{n}-{m}.svg", "caption": caption}
                for m, (_, caption) in enumerate(pictures)
            ]
            for m, (drawing, _) in enumerate(pictures):
                (root / f"picture-{n}-{m}.svg").write_text(drawing, "utf-8")
        (root / "document.json").write_text(json.dumps(content, ensure_ascii=False), "utf-8")
        (root / "paper.typ").write_text((TEMPLATES / "paper.typ").read_text("utf-8"), "utf-8")
        made_pdf = typst.compile(
            str(root / "paper.typ"),
            root=str(root),
            format="pdf",
            pdf_standards=["ua-1"],
            timestamp=int(made.timestamp()),
        )
    return bytes(made_pdf)
