"""Faulty descriptions are each named with their mend; sound ones pass without a word too many."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.commissioning.example import TABLES, garden
from analysis.commissioning.items import Remark
from analysis.commissioning.sheet import Sheet, sheet
from ingest.description import rated_flow
from ingest.installation import Zone
from ingest.quantities import convert
from tests.analysis.faulty_descriptions import BENCH, DAY, FAULTS, MAIN, TANK


def _made(**changes: Any) -> Sheet:
    """Return the sheet of the garden with some keys changed."""
    return sheet(garden(**changes), DAY)


@pytest.mark.parametrize("fault", FAULTS)
def test_faulty_description_is_named_with_its_mend(fault: str) -> None:
    """Each planted mistake gets its own remark, its severity and its mend."""
    changes, kind, severity, mend = FAULTS[fault]

    remarks = [remark for remark in _made(**changes).remarks if remark.kind == kind]

    assert [remark.severity for remark in remarks][:1] == [severity]
    assert mend in remarks[0].mend


@pytest.mark.parametrize("fault", FAULTS)
def test_remark_can_be_acted_on(fault: str) -> None:
    """Each remark names a place, what was found, the mend and where the rule comes from."""
    for remark in _made(**FAULTS[fault][0]).remarks:
        assert all((remark.place, remark.what, remark.mend, remark.source))


def _sound() -> dict[str, dict[str, Any]]:
    """Return five sound systems."""
    tank = {"injector__main": TANK, "stock__A__dilutions": TABLES["stock"]["A"]["dilutions"]}
    return {
        "pump on drinking water": {},
        "tank behind a regulator": tank,
        "compensating emitters": {
            "zone__bench1__emitters": [{"count": 400, "flow": "2 L/h", "exponent": 0.0}],
        },
        "metering pump on a well": {
            "supply__kind": "well",
            "water__analysis": [{"sampled": "2026-02-01", "pH": 6.8, "iron": "0.03 mg/L"}],
            "injector__main": {
                **MAIN,
                "kind": "metering pump",
                "interlock": True,
                "injection_flow": "8.9 L/h",
            },
        },
        "two zones together": {
            "zone__bench2": BENCH,
            "head__together": [["bench1", "bench2"]],
        },
    }


@pytest.mark.parametrize("name", _sound())
def test_sound_description_passes_without_a_word(name: str) -> None:
    """A sound system has facts and no remark."""
    made = _made(**_sound()[name])

    assert made.remarks == ()
    assert {"flow at working pressure", "travel time to the last emitter"} <= {
        fact.name for fact in made.facts
    }


def test_only_the_faulty_combination_is_named() -> None:
    """Of three zones, of which two run together, only the pair is above the range."""
    [remark] = _made(**FAULTS["above the range in one combination only"][0]).remarks

    assert "bench1 and bench2" in remark.what


def test_stop_comes_first() -> None:
    """The worst remark leads the sheet, and the sheet says stop."""
    made = _made(supply__backflow_preventer="none", supply__tested=None, stock__A__dilutions=[])

    assert made.stops
    assert made.remarks[0].severity == "stop"
    assert isinstance(made.remarks[0], Remark)


def test_worked_example_of_common_practice() -> None:
    """20 emitters of 1, 20 of 2 and 20 of 0.5 US gal/h make 70 US gal/h."""
    flows = [{"count": 20, "flow": f"{gallons} gal/h"} for gallons in (1, 2, 0.5)]

    total = rated_flow(Zone.model_validate({"emitters": flows}))

    assert convert(total, "L/h", "gal/h") == pytest.approx(70.0)
