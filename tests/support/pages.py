"""Where words stand on the pages of a PDF, as `pdftotext` reads them."""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

MARGIN = 56.0
"""Margin of the papers: 20 mm, less a third of a millimetre for slanting letters. [pt]"""

FOOT = 55.0
"""Height of the foot, in which the page number stands. [pt]"""


@dataclass(frozen=True)
class Line:
    """One line of a page: its words, its box [pt], and the height of its letters [pt]."""

    words: str
    left: float
    top: float
    right: float
    bottom: float


@dataclass(frozen=True)
class Page:
    """One page: its size [pt] and its lines from top to bottom, the foot left out."""

    width: float
    height: float
    lines: tuple[Line, ...]


WORD = re.compile(r'<word xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([-\d.]+)" yMax="([-\d.]+)">(.*?)</word>')


def pages(path: Path) -> list[Page]:
    """Return the pages of a PDF."""
    command = ["pdftotext", "-bbox-layout", str(path), "-"]
    text = subprocess.run(command, check=True, capture_output=True, text=True).stdout
    found = []
    for part in re.split(r"<page ", text)[1:]:
        size = re.search(r'width="([\d.]+)" height="([\d.]+)"', part)
        assert size is not None
        width, height = float(size[1]), float(size[2])
        lines = [_line(one) for one in re.findall(r"<line .*?</line>", part, re.DOTALL)]
        body = [line for line in lines if line.bottom < height - FOOT]
        found.append(Page(width, height, tuple(sorted(body, key=lambda line: line.bottom))))
    return found


def _line(text: str) -> Line:
    """Return a line from its words."""
    words = WORD.findall(text)
    boxes = [[float(end) for end in word[:4]] for word in words]
    return Line(
        " ".join(word[4] for word in words),
        min(b[0] for b in boxes),
        min(b[1] for b in boxes),
        max(b[2] for b in boxes),
        max(b[3] for b in boxes),
    )


def outside(path: Path) -> list[str]:
    """Return the lines that reach into the margins."""
    return [
        f"page {number}: {line.words}"
        for number, page in enumerate(pages(path), start=1)
        for line in page.lines
        if line.left < MARGIN
        or line.right > page.width - MARGIN
        or line.top < 0
        or line.bottom > page.height - FOOT
    ]


def orphans(path: Path, headings: set[str]) -> list[str]:
    """Return the headings that are the last line of a page."""
    return [
        f"page {number}: {page.lines[-1].words}"
        for number, page in enumerate(pages(path), start=1)
        if page.lines and page.lines[-1].words in headings
    ]
