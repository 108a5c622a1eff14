"""A record leaves the house: the paper, its charts and logo, and the evidence beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from dashboard.paper import evidence
from dashboard.paper.press import html, pdf

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

    from dashboard.paper.document import Document


def evidence_path(output: Path) -> Path:
    """Return where the evidence of a record stands."""
    return output.with_name(output.name + ".evidence.json")


def publish(document: Document, output: Path, rests: Mapping[str, Any], made: datetime) -> None:
    """Write a record, its charts and its evidence.

    Parameters
    ----------
    document : Document
        The record.
    output : Path
        Where it goes, as .pdf or .html.
    rests : mapping
        What it rests on.
    made : datetime.datetime
        Time stamp inside a PDF.
    """
    charts = output.with_name(output.name + ".charts")
    charts.mkdir(exist_ok=True)
    for old in charts.iterdir():  # of an earlier record of this name
        old.unlink()
    papers = [output]
    for number, drawing in enumerate(d for section in document.sections for d, _ in section.pictures):
        papers.append(charts / f"{number + 1:02d}.svg")
        papers[-1].write_text(drawing, "utf-8")
    logo = document.house.logo
    if logo is not None:
        papers.append(charts / f"logo.{logo.kind}")
        papers[-1].write_bytes(logo.content)
    for one in document.attachments:
        papers.append(charts / one.name)
        papers[-1].write_bytes(one.content)
    if output.suffix == ".html":
        output.write_text(html(document), "utf-8")
    else:
        output.write_bytes(pdf(document, made))
    evidence.write(evidence_path(output), evidence.gather(papers, output.parent, **rests))
