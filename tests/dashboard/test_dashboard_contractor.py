"""The contractor's file is taken where it is sound, and every fault in it is told with file, key and mend."""

from __future__ import annotations

import struct
import zlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from dashboard.paper.contractor import LARGEST_LOGO, ContractorError, read
from dashboard.paper.document import Document
from dashboard.paper.press import html, pdf

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data" / "contractor.toml"
SVG = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 9 9"><path d="M1 1 H8"/>{}</svg>'


def _png(width: int, height: int) -> bytes:
    """Return a grey PNG."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        return (
            struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
        )

    rows = zlib.compress(b"".join(b"\0" + b"\x80" * width for _ in range(height)))
    head = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", rows) + chunk(b"IEND", b"")


def _written(folder: Path, table: str, logo: bytes = b"") -> Path:
    """Return a contractor's file with a logo beside it."""
    (folder / "logo.svg").write_bytes(logo)
    path = folder / "house.toml"
    path.write_text(table, "utf-8")
    return path


def test_sample_contractor_stands_in_page_and_paper() -> None:
    """Name, contact and logo of the demo's invented contractor are embedded in HTML and PDF."""
    house = read(SAMPLE)
    paper = Document("Record", "Garden", (), (), "foot", house=house)
    page, plain = html(paper), Document("Record", "Garden", (), (), "foot")
    made = datetime(2026, 5, 1, tzinfo=UTC)

    assert house.name in page
    assert house.contact[0] in page
    assert "data:image/svg+xml;base64," in page
    assert len(pdf(paper, made)) > len(pdf(plain, made)) + 1000


def test_png_logo_is_taken(tmp_path: Path) -> None:
    """A PNG is known by its bytes, whatever its name, and embedded."""
    house = read(_written(tmp_path, '[contractor]\nname = "A"\nlogo = "logo.svg"', _png(40, 20)))

    assert house.logo is not None
    assert house.logo.kind == "png"
    assert "data:image/png;base64," in html(Document("Record", "", (), (), "", house=house))
    assert (
        pdf(Document("Record", "", (), (), "", house=house), datetime(2026, 5, 1, tzinfo=UTC))[:5] == b"%PDF-"
    )


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("name = 3", r"there is no table \[contractor\]"),
        ("[contractor", r"line 1, the file: not TOML.*expected a TOML file with a table \[contractor\]"),
        ('[contractor]\ncontact = ["a"]', r"\[contractor\] name: expected words in quotes"),
        ('[contractor]\nname = "A"\ncontact = "a"', r"\[contractor\] contact: expected a list"),
        ('[contractor]\nname = "A"\ncontact = ["' + "a" * 81 + '"]', "at most 8 lines of 80 letters"),
        (
            '[contractor]\nname = "A"\nphone = "1"',
            r"\[contractor\] phone is not known; expected one of: name, contact, logo",
        ),
        ('[contractor]\nname = "A"\nlogo = 3', r"\[contractor\] logo: expected the name of a file"),
        ('[contractor]\nname = "A"\nlogo = "none.svg"', r"logo: none.svg cannot be read \(No such file"),
    ],
)
def test_fault_in_the_file_is_named(tmp_path: Path, table: str, said: str) -> None:
    """Each message begins with the file and tells the key and what is expected."""
    with pytest.raises(ContractorError, match=said) as error:
        read(_written(tmp_path, table))
    assert str(error.value).startswith(str(tmp_path / "house.toml"))


@pytest.mark.parametrize(
    ("logo", "said"),
    [
        (b"GIF89a", "neither PNG nor readable SVG"),
        (b"<html/>", "is no SVG picture"),
        (_png(40, 20)[:40], "cut short or damaged"),
        (_png(5000, 1), "5000 by 1 pixels; expected at most 4000 by 4000"),
        (b"<!DOCTYPE svg>" + SVG.format("").encode(), "has a DOCTYPE"),
        (SVG.format("<script>alert(1)</script>").encode(), "holds <script>"),
        (SVG.format('<g onload="x()"/>').encode(), "holds onload"),
        (SVG.format('<path fill="url(http://example.org/x)"/>').encode(), "holds fill"),
        (SVG.format('<image href="x.png"/>').encode(), "holds <image>"),
        (b"x" * (LARGEST_LOGO + 1), "at most 500000 are taken"),
    ],
)
def test_logo_that_is_none_or_could_act_is_refused(tmp_path: Path, logo: bytes, said: str) -> None:
    """A logo of another type, too large, damaged, or one that could run or fetch something is refused with its reason."""
    with pytest.raises(ContractorError, match=said):
        read(_written(tmp_path, '[contractor]\nname = "A"\nlogo = "logo.svg"', logo))
