"""The commissioning sheet on paper: the same numbers in HTML and PDF, words never markup, the same bytes twice."""

from __future__ import annotations

import json
import subprocess
import sys
import xml.etree.ElementTree as ET
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest

from analysis.commissioning.example import garden
from analysis.commissioning.sheet import sheet
from dashboard.paper.document import Document, Section, Table
from dashboard.paper.press import html, pdf
from dashboard.paper.sheet import document, verdict
from dashboard.paper.svg import Axis, Line, line_chart, nice_ticks, pipe_map

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data" / "installation.toml"
DAY = date(2026, 5, 1)
MADE = datetime(2026, 5, 1, tzinfo=UTC)
HOSTILE = '<script>alert("x")</script> #import "y" $z$ *bold*'


def _check(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a person does."""
    command = [sys.executable, "-m", "tricklebook", "check", *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def _text(path: Path) -> str:
    """Return the words of a PDF in reading order."""
    return subprocess.run(
        ["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True
    ).stdout


def test_sheet_of_the_sample_is_written_as_pdf_and_html(tmp_path: Path) -> None:
    """The command writes both, with every zone and its flow in them."""
    done = [_check(SAMPLE, "--sheet", tmp_path / f"sheet.{kind}") for kind in ("pdf", "html")]
    words = [_text(tmp_path / "sheet.pdf"), (tmp_path / "sheet.html").read_text("utf-8")]

    assert [(one.returncode, one.stderr) for one in done] == [(0, ""), (0, "")]
    for text in words:
        for part in ("Zone bench1", "Zone bench2", "Zone border", "824", "Cautions"):
            assert part in text


def test_stop_sets_the_exit_status(tmp_path: Path) -> None:
    """A description that can harm people ends with status 3 and says what to do first."""
    path = tmp_path / "installation.toml"
    path.write_text(SAMPLE.read_text("utf-8").replace('"reduced pressure"', '"none"', 1), "utf-8")
    done = _check(path, "--json")
    remarks = json.loads(done.stdout)["remarks"]

    assert done.returncode == 3
    assert remarks[0]["severity"] == "stop"
    assert remarks[0]["mend"].startswith("do not inject")


def test_sheet_of_another_kind_is_refused(tmp_path: Path) -> None:
    """Only HTML and PDF are written, and the message says so."""
    done = _check(SAMPLE, "--sheet", tmp_path / "sheet.docx")

    assert done.returncode == 2
    assert "expected a name that ends in .html or .pdf" in done.stderr


def test_verdict_names_the_worst() -> None:
    """The first sentence says what a tired person must know."""
    assert verdict(sheet(garden(), DAY)) == "Nothing was found wrong in the description."
    assert verdict(sheet(garden(supply__backflow_preventer="none"), DAY)).startswith("Do not inject")
    assert verdict(sheet(garden(supply__tested=None), DAY)).startswith("1 point(s) to mend")


def test_units_change_every_number() -> None:
    """A US sheet has no metric pressure or flow."""
    system = garden()
    page = html(document(system, sheet(system, DAY), "us"))

    assert "psi" in page
    assert "kPa" not in page.replace("69 kPa (10 psi)", "")


def test_same_sheet_gives_the_same_bytes() -> None:
    """PDF and HTML are deterministic."""
    system = garden()
    paper = document(system, sheet(system, DAY), "metric")

    assert pdf(paper, MADE) == pdf(paper, MADE)
    assert html(paper) == html(paper)


def test_words_never_become_markup(tmp_path: Path) -> None:
    """Hostile words are printed as they are."""
    paper = Document(HOSTILE, HOSTILE, ((HOSTILE, HOSTILE),), (Section(HOSTILE, words=(HOSTILE,)),), HOSTILE)
    (tmp_path / "paper.pdf").write_bytes(pdf(paper, MADE))

    assert "<script>" not in html(paper)
    assert '#import "y" $z$ *bold*' in _text(tmp_path / "paper.pdf")


def test_table_runs_over_pages_with_its_heading(tmp_path: Path) -> None:
    """A long table repeats its titles on the next page."""
    rows = tuple((f"row {n}", str(n)) for n in range(120))
    paper = Document("Long", "", (), (Section("Rows", table=Table(("What", "Number"), rows, (1,))),), "foot")
    (tmp_path / "paper.pdf").write_bytes(pdf(paper, MADE))
    words = _text(tmp_path / "paper.pdf")

    assert words.count("Number") == words.count("foot") > 1
    assert "row 119" in words


def test_chart_is_well_formed_and_breaks_at_holes() -> None:
    """A hole in the data is a hole in the line."""
    x = np.arange(6.0)
    y = np.array([1.0, 2.0, np.nan, np.nan, 3.0, 4.0])
    drawing = line_chart([Line('a "b" <c>', x, y)], Axis("time"), Axis("EC"), bands=[(1.5, 2.5)], title="t")
    root = ET.fromstring(drawing)  # noqa: S314 - the project's own text

    assert len(root.findall("{http://www.w3.org/2000/svg}polyline")) == 2
    assert len(root.findall("{http://www.w3.org/2000/svg}rect")) == 1


def test_pipe_map_has_a_row_a_lateral() -> None:
    """Three laterals of four places are twelve grey pieces and one manifold."""
    root = ET.fromstring(pipe_map(np.arange(12.0).reshape(3, 4)))  # noqa: S314 - as above

    assert len(root.findall("{http://www.w3.org/2000/svg}line")) == 13


@pytest.mark.parametrize(("low", "high"), [(0.0, 47.0), (-3.2, 0.4), (105.6, 106.7), (2.0, 2.0)])
def test_ticks_are_round_and_hold_the_data(low: float, high: float) -> None:
    """Ticks begin at or below the data and end at or above it."""
    ticks = nice_ticks(low, high)

    assert ticks[0] <= low
    assert ticks[-1] >= high
    assert len(ticks) <= 9
