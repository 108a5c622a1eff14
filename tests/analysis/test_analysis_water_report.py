"""The water's analysis from the file to classes: newest values, what is reckoned, planted and clean waters."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from analysis.commissioning.example import garden
from analysis.commissioning.sheet import sheet
from analysis.incremental.keys import system
from analysis.water_report import LICENSED, amount, newest, report, standing
from ingest.installation import Water
from ingest.load_installation import load
from sample_data.recipes import read_tables

ROOT = Path(__file__).parents[2]
SAMPLE = ROOT / "sample_data" / "installation.toml"
DAY = date(2026, 5, 1)

CLEAN: dict[str, Any] = {
    "sampled": "2026-02-01",
    "pH": 6.8,
    "conductivity": "0.48 mS/cm",
    "dissolved_solids": "300 mg/L",
    "suspended_solids": "10 mg/L",
    "iron": "<0.02 mg/L",
    "manganese": "0.01 ppm",
    "hydrogen_sulfide": "0.05 mg/L",
    "calcium": "20 mg/L",
    "magnesium": "5 mg/L",
    "bicarbonate": "60 mg/L",
    "bacteria": "200 CFU/mL",
}
PLANTED = {
    "pH": (8.4, "pH"),
    "dissolved_solids": ("2400 mg/L", "dissolved solids"),
    "suspended_solids": ("130 mg/L", "suspended solids"),
    "iron": ("2 mg/L", "iron"),
    "manganese": ("1.8 mg/L", "manganese"),
    "hydrogen_sulfide": ("2.5 mg/L", "hydrogen sulfide"),
    "calcium": ("95 mg/L", "calcium"),
    "bacteria": ("80000 CFU/mL", "bacteria"),
}


def _water(*rows: dict[str, Any], classes: str = "Bucks") -> Water:
    return Water.model_validate({"classes": classes, "analysis": list(rows)})


@pytest.mark.parametrize("key", sorted(PLANTED))
def test_planted_hazard_is_named_and_nothing_else(key: str) -> None:
    """One severe value in a clean water makes one severe item, with what to do; the rest stays slight."""
    value, factor = PLANTED[key]
    items = report(_water(CLEAN | {key: value}))

    assert [i.hazard.factor for i in items if i.hazard.verdict != "slight"] == [factor]
    assert items[0].hazard.verdict == "severe"
    assert items[0].to_do


def test_clean_water_is_slight_throughout_and_the_sheet_is_silent() -> None:
    """A clean water has eight items, all slight, and the sheet of a sound system says nothing about it."""
    water = _water(CLEAN)
    made = sheet(garden(water__analysis=[CLEAN]), DAY)

    assert {i.hazard.verdict for i in report(water)} == {"slight"}
    assert standing(report(water)).startswith("clogging hazard: slight by pH, ")
    assert made.remarks == ()
    assert [row["hazard"] for row in made.document()["water"]] == ["slight"] * 8


@pytest.mark.parametrize(
    ("classes", "verdict", "other"), [("Bucks", "moderate", "severe"), ("Pitts", "severe", "moderate")]
)
def test_chosen_table_counts_and_the_other_is_told(classes: str, verdict: str, other: str) -> None:
    """A pH of 7.8 is moderate by one published table and severe by the other; the chosen one is the class."""
    [item] = report(_water({"sampled": "2026-02-01", "pH": 7.8}, classes=classes))

    assert (item.hazard.verdict, item.hazard.other) == (verdict, other)
    assert classes in item.hazard.source


def test_of_each_item_the_newest_value_stands() -> None:
    """A later sample of bacteria alone leaves the older pH standing, whatever the order in the file."""
    rows: list[dict[str, Any]] = [
        {"sampled": "2026-03-01", "bacteria": "20000 CFU/mL"},
        {"sampled": "2025-03-01", "pH": 7.2, "bacteria": "100 CFU/mL"},
    ]
    found = newest(_water(*rows))

    assert (found["ph"].value, found["ph"].sampled) == (7.2, date(2025, 3, 1))
    assert (found["bacteria"].value, found["bacteria"].sampled) == (20000.0, date(2026, 3, 1))


def test_hardness_is_judged_only_where_calcium_is_not_known() -> None:
    """The page prints one pair of limits for calcium and for hardness; calcium, where known, is the one judged."""
    both = report(_water({"sampled": "2026-02-01", "calcium": "30 mg/L", "hardness": "100 mg/L"}))
    alone = report(_water({"sampled": "2026-02-01", "hardness": "100 mg/L"}))

    assert [(i.hazard.factor, i.hazard.verdict) for i in both] == [("calcium", "slight")]
    assert [(i.hazard.factor, i.hazard.verdict) for i in alone] == [("hardness", "severe")]


def test_whatever_treatment_is_named_defers_to_licensed_practice() -> None:
    """Wherever acid or chlorine could come to mind the words send the reader to label, codes and licensed practice."""
    planted = [
        report(_water({"sampled": "2026-02-01", key: value}))[0] for key, (value, _) in PLANTED.items()
    ]

    assert {i.hazard.factor for i in planted if LICENSED not in i.to_do} == {
        "suspended solids",
        "dissolved solids",
    }


@pytest.mark.parametrize(
    ("changes", "kind"),
    [
        ({"water__analysis": [CLEAN | {"sampled": "2027-01-01"}]}, "sample from the future"),
        ({"water__analysis": [CLEAN | {"dissolved_solids": "30 mg/L"}]}, "water analysis disagrees"),
        ({"water__analysis": [CLEAN | {"conductivity": "0.7 mS/cm"}]}, "water analysis disagrees"),
        ({"water__analysis": [CLEAN | {"hardness": "20 mg/L"}]}, "water analysis disagrees"),
        ({"supply__kind": "well"}, "water not analysed"),
    ],
    ids=["future", "slipped solids", "other water than the dilutions", "hardness", "well"],
)
def test_analysis_that_cannot_stand_is_told(changes: dict[str, Any], kind: str) -> None:
    """Days to come, values that contradict each other, and a well without an analysis are remarks with a mend."""
    found = [r for r in sheet(garden(**changes), DAY).remarks if r.place.startswith("water")]

    assert {r.kind for r in found} == {kind}
    assert all(r.mend for r in found)


def test_sample_file_tells_the_water_of_the_recipes() -> None:
    """The sample installation's analysis is the composition from which its EC was computed, rounded as laboratories do."""
    composition = read_tables()["water"]["composition"]
    found = newest(load(SAMPLE).water)

    assert found["calcium"].value == pytest.approx(40078 * composition["Ca"], rel=0.01)
    assert found["magnesium"].value == pytest.approx(24305 * composition["Mg"], rel=0.01)
    assert found["sulfate"].value == pytest.approx(96060 * composition["S(6)"], rel=0.01)
    assert found["conductivity"].value == pytest.approx(read_tables()["water"]["ec"], abs=0.0005)


def test_no_run_depends_on_the_water_analysis() -> None:
    """Another analysis leaves the key of what was worked out as it is: nothing is worked out again for it."""
    tables = tomllib.loads(SAMPLE.read_text("utf-8"))
    one = type(load(SAMPLE)).model_validate(tables)
    other = type(one).model_validate(tables | {"water": {"classes": "Pitts", "analysis": [CLEAN]}})

    assert one.water != other.water
    assert system(one) == system(other)


def test_less_than_can_be_told_stays_less() -> None:
    """A trace below what the laboratory can tell is judged as its limit, and told with its sign."""
    water = Water.model_validate(
        {"analysis": [{"sampled": "2026-03-01", "iron": "<0.02 mg/L", "manganese": "0.02 mg/L"}]}
    )

    told = {
        item.hazard.factor: (amount(item), item.found.origin, item.hazard.verdict) for item in report(water)
    }

    assert told["iron"] == ("<0.02\N{NO-BREAK SPACE}mg/L", "less than the laboratory could tell", "slight")
    assert told["manganese"] == ("0.02\N{NO-BREAK SPACE}mg/L", "measured", "slight")
