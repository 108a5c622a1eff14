"""The record as a file to keep: archival profile, attachment, margins, headings, grey print, letters of any script."""

from __future__ import annotations

import json
import subprocess
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis.commissioning.first_runs import check
from analysis.commissioning.sheet import sheet
from analysis.results import Estimate, Finding, Results, Run
from analysis.service import Service
from dashboard.cases import Book, Case, Remark, cases
from dashboard.display import Units
from dashboard.paper.commissioned import commissioned
from dashboard.paper.completeness import Completeness
from dashboard.paper.contractor import read
from dashboard.paper.document import Attachment, Document, Section, Table
from dashboard.paper.press import html, pdf
from dashboard.paper.record import Matter, record
from ingest.installation import Installation
from ingest.load_installation import load
from tests.support.pages import orphans, outside, pages

ROOT = Path(__file__).parents[2]
MADE = datetime(2026, 5, 1, tzinfo=UTC)
START = pd.Timestamp("2026-04-02", tz="UTC")
END = START + pd.Timedelta(days=40)
LONG = "a" * 90
NOTE = "The lines were opened at their ends and flushed until the water ran clear. " * 50
ACCEPTED = Service(
    START, "R. Alder", "commissioned", note="runs accepted as the baseline; the flow was read twice"
)


@pytest.fixture(scope="module")
def garden() -> Installation:
    """Return the sample garden."""
    return load(ROOT / "sample_data" / "installation.toml")


def _matter() -> Matter:
    """Return a matter as crowded as it comes: many findings, long words, long notes, refusals."""
    runs, estimates = [], []
    for day in range(40):
        for zone in ("bench1", "bench2", "border"):
            start = START + pd.Timedelta(days=day, hours=6)
            runs.append(Run(zone, start, start + pd.Timedelta(minutes=30), 330.0, 800.0))
            flow = 800.0 - day
            estimates.append(
                Estimate(
                    "flow at reference pressure", zone, start, flow, "L/h", flow - 15, flow + 15, "m", ("w",)
                )
            )
            reason = f"reason {day % 7}: the data do not carry it; one more sensor would"
            estimates.append(
                Estimate("clear-out time", zone, start, None, "s", None, None, "m", (), "refused", reason)
            )
    findings = tuple(
        Finding(
            "leak",
            "bench1",
            LONG if day == 3 else None,
            START + pd.Timedelta(days=day),
            START + pd.Timedelta(days=day, hours=1),
            "act",
            5.0,
            "%",
            f"flow is up by 5 % (evidence {day}) {LONG if day == 4 else ''}",
            (),
            "Walk the zone while it runs, and look for wet places.",
        )
        for day in range(0, 40, 2)
    )
    results = Results("Quillfen", START, END, "tricklebook 0", tuple(runs), tuple(estimates), findings)
    remark = Remark("x", END, "R. Alder", "note", NOTE)
    known = [
        Case(c.mark, c.finding, c.current, (remark,) if n == 5 else ())
        for n, c in enumerate(cases(findings, Book()))
    ]
    complete = tuple(Completeness(f"sensor_{n}", 10, 0, 20) for n in range(30))
    attached = Attachment("evidence.json", b'{"form": "x"}', "hashes")
    house = read(ROOT / "sample_data" / "contractor.toml")
    return Matter(
        results,
        complete,
        (ACCEPTED,),
        known,
        client=LONG,
        house=house,
        hashes={"file": "f" * 64},
        attachments=(attached,),
    )


def _written(document: Document, path: Path) -> Path:
    """Write a document as PDF."""
    path.write_bytes(pdf(document, MADE))
    return path


def _out(*command: str | Path) -> str:
    """Return what a command prints."""
    return subprocess.run(list(map(str, command)), capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("units", ["metric", "us"])
def test_crowded_record_keeps_its_margins_and_headings(
    garden: Installation, tmp_path: Path, units: Units
) -> None:
    """No line reaches into a margin, no heading ends a page, every page has its foot; on A4 and on letter paper."""
    document = record(_matter(), garden, units)
    path = _written(document, tmp_path / "record.pdf")
    sheets = pages(path)

    assert outside(path) == []
    assert orphans(path, {section.title for section in document.sections}) == []
    assert len(sheets) > 6
    assert {(round(page.width), round(page.height)) for page in sheets} == {
        (612, 792) if units == "us" else (595, 842)
    }
    assert _out("pdftotext", path, "-").count(f"/{len(sheets)}") == len(sheets)
    assert "f" * 64 in _out("pdftotext", path, "-")


def test_orphan_and_overflow_would_be_seen(tmp_path: Path) -> None:
    """The two looks find what they look for: a heading that ends a page, and words beyond a margin."""
    path = _written(Document("Title", "", (), (Section("Last", words=()),), ""), tmp_path / "a.pdf")

    assert orphans(path, {"Last"}) == ["page 1: Last"]
    wide = Table(tuple("abcdefghijklmnopqrstuvwxyz"), (tuple("W" * 9 for _ in range(26)),))
    assert (
        outside(_written(Document("Title", "", (), (Section("S", table=wide),), ""), tmp_path / "b.pdf"))
        != []
    )


def test_record_says_in_its_metadata_that_it_is_for_keeping(garden: Installation, tmp_path: Path) -> None:
    """XMP claims PDF/A-3a and PDF/UA-1; title, author, language, tags and keywords can be read back."""
    path = _written(record(_matter(), garden, "metric"), tmp_path / "record.pdf")
    xmp, told = _out("pdfinfo", "-meta", path), _out("pdfinfo", path)

    assert "<pdfaid:part>3</pdfaid:part><pdfaid:conformance>A</pdfaid:conformance>" in xmp
    assert "<pdfuaid:part>1</pdfuaid:part>" in xmp
    assert "<dc:language><rdf:Bag><rdf:li>en</rdf:li>" in xmp
    for line in (
        "Tagged:          yes",
        "Keywords:        PDF/A-3a, PDF/UA-1",
        "Author:          Osier and Drop",
        "Title:           Service record",
    ):
        assert line in told
    assert "emb sub uni" in _out("pdffonts", path)
    assert " no " not in " ".join(line[50:70] for line in _out("pdffonts", path).splitlines()[2:])


def test_evidence_comes_out_of_the_paper_as_it_went_in(garden: Installation, tmp_path: Path) -> None:
    """What the record rests on is attached, byte for byte, and named in its text."""
    path = _written(record(_matter(), garden, "metric"), tmp_path / "record.pdf")
    _out("pdfdetach", "-save", "1", "-o", tmp_path / "out.json", path)

    assert json.loads((tmp_path / "out.json").read_text()) == {"form": "x"}
    assert "evidence.json (hashes)" in _out("pdftotext", path, "-")


def test_pages_are_the_same_in_grey(garden: Installation, tmp_path: Path) -> None:
    """No page has a colour that a grey print would lose: its three colours differ by no more than the ink's tint."""
    path = _written(record(_matter(), garden, "metric"), tmp_path / "record.pdf")
    _out("pdftoppm", "-r", "40", path, tmp_path / "page")
    found = sorted(tmp_path.glob("page*.ppm"))

    assert found
    for page in found:
        head, _, rest = page.read_bytes().partition(b"\n255\n")
        assert head.startswith(b"P6")
        colours = np.frombuffer(rest, np.uint8).reshape(-1, 3).astype(int)
        assert (colours.max(axis=1) - colours.min(axis=1)).max() <= 12
        assert colours.min() < 90  # dark enough to be read


@pytest.mark.parametrize("letters", ["漢字", "\N{BELL}", "a\x07b", "\ue000", "עברית", "\ufffe"])
def test_letters_that_no_font_has_do_not_stop_a_record(tmp_path: Path, letters: str) -> None:
    """Any letter of a note is printed, or shown by its number with a word that says so."""
    path = _written(
        Document("Record", letters, ((letters, letters),), (Section("S", words=(letters,)),), "f"),
        tmp_path / "a.pdf",
    )
    words = _out("pdftotext", path, "-")

    assert "Record" in words
    assert f"[U+{ord(letters.strip('ab')[0]):04X}]" in words or letters[0] in words


def test_commissioning_record_tells_acceptance_first_runs_and_sheet(
    garden: Installation, tmp_path: Path
) -> None:
    """Who accepted with which note, what agrees and what differs, and the sheet stand in one paper with clean pages."""
    checks = [
        check("zone.bench1", "flow", 840.0, 800.0, 0.1, "flow", "look at the regulator"),
        check("zone.bench2", "flow", 440.0, 640.0, 0.1, "flow", "look at the valve"),
        check("supply", "pressure at rest", None, 320.0, 0.15, "pressure", "fit a sensor"),
    ]
    document = commissioned(_matter(), sheet(garden, END.date()), checks, garden, "metric")
    path = _written(document, tmp_path / "record.pdf")
    page = html(document)

    assert "Accepted by R. Alder" in document.sections[0].words[0]
    assert "the flow was read twice" in page
    assert "of 3 numbers 1 agree, 1 differ, 1 were not measured. Differs: zone.bench2 flow." in page
    assert "look at the valve" in page
    assert "Zone bench1" in page
    assert outside(path) == []
    assert orphans(path, {section.title for section in document.sections}) == []


def test_commissioning_without_acceptance_says_so(garden: Installation) -> None:
    """Nobody's acceptance is ever implied."""
    document = commissioned(replace(_matter(), services=()), sheet(garden, END.date()), [], garden, "metric")

    assert document.sections[0].words[0].startswith("Not accepted yet")


def test_readings_that_no_hash_covers_are_told(garden: Installation) -> None:
    """Where messages still waited in the journal, the record says that its evidence does not reach them."""
    page = html(record(replace(_matter(), waiting=3), garden, "metric"))

    assert "3 messages still waited in the journal" in page
    assert "still waited" not in html(record(_matter(), garden, "metric"))
