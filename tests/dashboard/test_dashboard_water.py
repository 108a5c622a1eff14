"""The water's analysis reaches the people: terminal, sheet, page and record say the same classes."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from dash.development.base_component import Component
from typer.testing import CliRunner

from analysis.commissioning.example import garden
from analysis.commissioning.sheet import sheet
from dashboard.context import Context
from dashboard.export.catalogue import WATER
from dashboard.export.columns import table_of
from dashboard.export.rows import water_rows
from dashboard.layout import page_for
from dashboard.paper.press import html
from dashboard.paper.record_water import water
from dashboard.paper.sheet import document
from dashboard.snapshot import Snapshot
from ingest.installation import Installation
from tricklebook import app

SAMPLE = Path(__file__).parents[2] / "sample_data" / "installation.toml"
NOW = pd.Timestamp("2026-05-01T12:00:00Z")

PLANTED = [
    {"sampled": "2026-02-01", "pH": 7.6, "iron": "2 mg/L", "calcium": "90 mg/L", "bicarbonate": "250 mg/L"},
    {"sampled": "2026-06-01", "iron": "0.02 mg/L"},
]
"""Severe iron in February; in June it is gone."""


def _said(component: Any) -> str:
    """Return every text of components, in order."""
    if isinstance(component, Component):
        return _said(getattr(component, "children", None))
    if isinstance(component, list | tuple):
        return " ".join(_said(part) for part in component)
    return "" if component is None else str(component).replace("\N{NO-BREAK SPACE}", " ")


def _page(installation: Installation) -> str:
    page = page_for(Context(installation, Snapshot(NOW), "metric", NOW), "/installation")
    assert page is not None
    return _said(page.body)


def test_check_prints_each_item_with_class_and_source() -> None:
    """The command prints every item of the sample's analysis with its class, its limits and where they were published."""
    done = CliRunner().invoke(app, ["check", str(SAMPLE)])
    rows = {line.split("  ")[0]: line for line in done.stdout.splitlines()}

    assert "moderate  moderate from 7 to 8 by Bucks 1979; severe by Pitts 1990  2026-02-17" in rows["pH"]
    assert "slight" in rows["bacteria"]
    assert "after: Bucks, Nakayama & Gilbert (1979)" in done.stdout


def test_check_gives_the_items_to_machines() -> None:
    """As JSON each item has its value, unit, class, limits, source and what to do."""
    done = CliRunner().invoke(app, ["check", str(SAMPLE), "--json"])
    [iron] = [row for row in json.loads(done.stdout)["water"] if row["item"] == "iron"]

    assert (iron["value"], iron["unit"], iron["hazard"], iron["moderate"]) == (
        0.04,
        "mg/L",
        "slight",
        [0.1, 1.5],
    )


def test_sheet_tells_severe_iron_with_what_to_do() -> None:
    """The commissioning sheet has the item, its class and its source, and defers to licensed practice."""
    system = garden(water__analysis=PLANTED[:1])
    page = html(document(system, sheet(system, date(2026, 5, 1)), "metric"))

    assert "Clogging hazard: severe by iron" in page
    assert "licensed practice" in page
    assert "UF/IFAS (Pitts, 1990)" in page


def test_page_tells_item_class_and_what_the_water_does_with_the_stock() -> None:
    """The installation's page has the table of hazards, and the phosphate stock that this water does not bear."""
    system = garden(
        water__analysis=PLANTED[:1], stock__A__salts={"monopotassium phosphate": "60 g/L"}, stock__A__nutrients={}
    )  # fmt: skip
    text = _page(system)

    assert "Clogging hazard after Bucks" in text
    assert "iron 2 mg/L  severe moderate from 0.1 to 1.5 mg/L by Bucks 1979 2026-02-01" in text
    assert "calcium phosphate falls out above pH" in text
    assert "not whether it is safe to drink" in text


def test_page_says_that_nobody_had_the_water_analysed() -> None:
    """Without an analysis the page says so in place of a table."""
    assert "No water analysis is described" in _page(garden())


@pytest.mark.parametrize(
    ("until", "words"),
    [
        ("2026-01-15", "no class of clogging hazard"),
        ("2026-05-01", "severe by iron"),
        ("2026-07-01", "slight by iron"),
    ],
)
def test_record_tells_the_classes_that_stand_at_its_end(until: str, words: str) -> None:
    """A sample taken after the period does not count in its record; a later one replaces the older value."""
    section = water(garden(water__analysis=PLANTED), pd.Timestamp(until, tz="UTC"), "metric")

    assert words in " ".join(section.words)


def test_export_has_each_item_with_its_class_and_its_source() -> None:
    """Each item has value, UCUM unit, day, class and limits, and the class by the other table where that differs."""
    given = {"sampled": "2026-03-01", "pH": 7.6, "iron": "2.1 mg/L", "bacteria": "400 CFU/mL"}
    rows = table_of(WATER, water_rows(garden(water__analysis=[given]))).to_pylist()
    shown = [
        [row[key] for key in ("item", "value", "unit", "hazard", "moderate_to", "other_hazard")]
        for row in rows
    ]

    assert shown == [
        ["iron", 2.1, "mg/L", "severe", 1.5, None],
        ["pH", 7.6, None, "moderate", 8.0, "severe"],
        ["bacteria", 400.0, "[CFU]/mL", "slight", 50000.0, None],
    ]
    assert {(row["sampled"], row["from"]) for row in rows} == {(date(2026, 3, 1), "measured")}
