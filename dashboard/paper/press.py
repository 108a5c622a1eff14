"""The press: one document of words and pictures becomes HTML, and a tagged PDF."""

from __future__ import annotations

import json
import tempfile
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from dashboard.paper.letters import printable

if TYPE_CHECKING:
    from datetime import datetime

    from dashboard.paper.document import Document

STANDARDS: list[Literal["a-3a", "ua-1"]] = ["a-3a", "ua-1"]
"""What is asked of the typesetter: an archival file with attachments, and one that a screen reader can read.
PDF/A-4 and PDF/UA-2 are not offered together by it."""

STANDARD_NAMES = ("PDF/A-3a", "PDF/UA-1")
"""The same, as people write them."""

TEMPLATES = Path(__file__).parent / "templates"


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
    """Return a document as a tagged PDF for keeping: `STANDARDS` are asked of the typesetter.

    Parameters
    ----------
    document : Document
        What it says; words reach the typesetter as data, so that none of them can become markup. A letter that
        no font has is shown by its Unicode number, and the last line says so.
    made : datetime.datetime
        Time stamp inside the file; the same document, stamp and fonts give the same bytes.

    Returns
    -------
    bytes
        The file.

    References
    ----------
    ISO 19005-3 (PDF/A-3) and ISO 14289-1 (PDF/UA-1).
    """
    import typst  # noqa: PLC0415 - the typesetter is loaded only for paper

    try:
        return _typeset(document, made)
    except typst.TypstError as error:
        if not any(words in str(error) for words in ("could not be displayed", "contains the codepoint")):
            raise
    return _typeset(printable(document), made)


def _typeset(document: Document, made: datetime) -> bytes:
    """Lay a document's parts into a folder and have it set."""
    import typst  # noqa: PLC0415 - as above

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        (root / "document.json").write_text(json.dumps(_content(document, root), ensure_ascii=False), "utf-8")
        (root / "paper.typ").write_text((TEMPLATES / "paper.typ").read_text("utf-8"), "utf-8")
        return bytes(
            typst.compile(
                str(root / "paper.typ"),
                root=str(root),
                format="pdf",
                pdf_standards=[*STANDARDS],
                timestamp=int(made.timestamp()),
            )
        )


def _content(document: Document, root: Path) -> dict[str, Any]:
    """Write pictures and attachments into a folder, and return everything else as plain values."""
    content: dict[str, Any] = asdict(document)
    content["keywords"] = list(STANDARD_NAMES)
    for n, section in enumerate(content["sections"]):
        if section["table"] is not None:
            section["table"]["widths"] = _widths(section["table"]["columns"], section["table"]["rows"])
        names = [f"picture-{n}-{m}.svg" for m in range(len(section["pictures"]))]
        for name, (drawing, _) in zip(names, section["pictures"], strict=True):
            (root / name).write_text(drawing, "utf-8")
        section["pictures"] = [
            {"file": name, "caption": caption}
            for name, (_, caption) in zip(names, section["pictures"], strict=True)
        ]
    logo = document.house.logo
    content["house"]["logo"] = None if logo is None else f"logo.{logo.kind}"
    if logo is not None:
        (root / f"logo.{logo.kind}").write_bytes(logo.content)
    content["attachments"] = []
    for n, one in enumerate(document.attachments):
        (root / f"attached-{n}").write_bytes(one.content)
        content["attachments"].append({"file": f"attached-{n}", "name": one.name, "what": one.what})
    return content
