"""Faulty descriptions are each named with their mend; sound ones pass without a word too many."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest

from analysis.commissioning.example import TABLES, garden
from analysis.commissioning.items import Remark
from analysis.commissioning.sheet import Sheet, sheet
from ingest.description import rated_flow
from ingest.installation import Zone
from ingest.quantities import convert

DAY = date(2026, 5, 1)
BENCH: dict[str, Any] = TABLES["zone"]["bench1"]
MAIN: dict[str, Any] = TABLES["injector"]["main"]
TANK = {
    "kind": "displacement tank",
    "tank_volume": "60 L",
    "max_static_pressure": "350 kPa",
    "check_valve": True,
}


def _made(**changes: Any) -> Sheet:
    """Return the sheet of the garden with some keys changed."""
    return sheet(garden(**changes), DAY)


FAULTS: dict[str, tuple[dict[str, Any], str, str, str]] = {
    "no preventer on drinking water": (
        {"supply__backflow_preventer": "none"},
        "no backflow preventer",
        "stop",
        "do not inject",
    ),
    "vacuum breaker on drinking water": (
        {"supply__backflow_preventer": "pressure vacuum breaker", "supply__preventer_height": "0.5 m"},
        "preventer too weak",
        "stop",
        "reduced pressure",
    ),
    "double check on drinking water": (
        {"supply__backflow_preventer": "double check valve"},
        "preventer too weak",
        "stop",
        "licensed tester",
    ),
    "well without any": (
        {"supply__kind": "well", "supply__backflow_preventer": "none", "head__order": ["filter", "injector"]},
        "no backflow preventer",
        "act",
        "vacuum relief",
    ),
    "test too old": ({"supply__tested": "2024-03-02"}, "preventer test due", "act", "licensed tester"),
    "test unknown": ({"supply__tested": None}, "preventer test due", "act", "licensed tester"),
    "test in the future": ({"supply__tested": "2027-03-02"}, "preventer test due", "act", "write the day"),
    "vacuum breaker too low": (
        {
            "supply__kind": "well",
            "supply__backflow_preventer": "pressure vacuum breaker",
            "supply__preventer_height": "0.1 m",
        },
        "vacuum breaker too low",
        "stop",
        "raise it",
    ),
    "valve after atmospheric vacuum breaker": (
        {
            "supply__kind": "well",
            "supply__backflow_preventer": "atmospheric vacuum breaker",
            "supply__preventer_height": "0.4 m",
        },
        "valve after vacuum breaker",
        "stop",
        "move the valve",
    ),
    "preventer after the injector": (
        {"head__order": ["filter", "injector", "backflow preventer", "valve"]},
        "preventer after injector",
        "stop",
        "comes first",
    ),
    "preventer nowhere": (
        {"head__order": ["filter", "injector"]},
        "preventer after injector",
        "stop",
        "first",
    ),
    "pump before the preventer": (
        {"head__order": ["booster pump", "backflow preventer", "filter", "injector"]},
        "preventer not first",
        "act",
        "comes first",
    ),
    "filter after the injector": (
        {"head__order": ["backflow preventer", "injector", "filter"]},
        "filter not before injector",
        "act",
        "before the injector",
    ),
    "no filter": (
        {"head__order": ["backflow preventer", "injector"]},
        "filter not before injector",
        "act",
        "put a filter",
    ),
    "injector nowhere": (
        {"head__order": ["backflow preventer", "filter"]},
        "part missing",
        "act",
        "where it is installed",
    ),
    "order not described": ({"head__order": []}, "order not described", "watch", "as installed"),
    "no interlock": (
        {"injector__main": {**MAIN, "kind": "metering pump", "interlock": False}},
        "no interlock",
        "stop",
        "interlock the pump",
    ),
    "no check valve": ({"injector__main__check_valve": False}, "no check valve", "stop", "fit a check valve"),
    "tank over its rating": (
        {"injector__main": TANK, "head__regulator_pressure": None, "supply__pressure": "420 kPa"},
        "over pressure",
        "stop",
        "release the pressure",
    ),
    "tank before the regulator": (
        {
            "injector__main": {**TANK, "max_static_pressure": "200 kPa"},
            "head__order": ["backflow preventer", "filter", "injector", "pressure regulator"],
        },
        "over pressure",
        "stop",
        "regulator before it",
    ),
    "tank of unknown rating": (
        {"injector__main": {**TANK, "max_static_pressure": None}},
        "tank rating not described",
        "act",
        "plate",
    ),
    "flow below the range": (
        {"injector__main__flow_range": ["1000 L/h", "2500 L/h"]},
        "flow below injector range",
        "act",
        "dilute the stock 1.1 times",
    ),
    "flow above the range": (
        {"injector__main__flow_range": ["100 L/h", "500 L/h"]},
        "flow above injector range",
        "act",
        "bypass",
    ),
    "above the range in one combination only": (
        {
            "injector__main__flow_range": ["100 L/h", "1500 L/h"],
            "zone__bench2": BENCH,
            "zone__bench3": BENCH,
            "head__together": [["bench1", "bench2"]],
        },
        "flow above injector range",
        "act",
        "run fewer zones together",
    ),
    "too little difference": (
        {"injector__main": {**MAIN, "kind": "venturi", "least_difference": "60 kPa"}},
        "too little pressure difference",
        "act",
        "booster pump",
    ),
    "pump at the wrong pace": (
        {"injector__main": {**MAIN, "kind": "metering pump", "interlock": True, "injection_flow": "12 L/h"}},
        "pump pace off ratio",
        "act",
        "set the pump to 8.88\N{NO-BREAK SPACE}L/h",
    ),
    "lateral too thin": (
        {"zone__bench1__laterals": {"count": 10, "length": "12 m", "diameter": "4 mm", "spacing": "0.3 m"}},
        "uneven zone",
        "act",
        "wider bore",
    ),
    "emitters do not fit the laterals": (
        {"zone__bench1__emitters": [{"count": 300, "flow": "2 L/h"}]},
        "zone not computed",
        "watch",
        "correct the zone",
    ),
    "main too thin": (
        {"zone__bench1__main": [{"length": "6 m", "diameter": "12 mm"}]},
        "water too fast",
        "watch",
        "wider bore",
    ),
    "psi written as kPa on the emitter": (
        {"zone__bench1__emitters": [{"count": 400, "flow": "2 L/h", "at": "15 kPa"}]},
        "slip of pressure unit",
        "watch",
        "check the unit",
    ),
    "psi written as kPa on the supply": (
        {"supply__pressure": "46 kPa"},
        "slip of pressure unit",
        "watch",
        "gauge",
    ),
    "gallons written as litres": (
        {"zone__bench1__emitters": [{"count": 400, "flow": "2 L/h", "at": "40 kPa"}]},
        "flow off rated",
        "act",
        "gallons for litres",
    ),
    "1:n misread": (
        {"zone__bench1__target": {"ratio": "1 to 100 of water"}},
        "target ratio differs",
        "watch",
        "1 part added to 100 parts of water",
    ),
    "ratio turned round": ({"injector__main__ratio": "1:10"}, "ratio unusual", "watch", "other meaning"),
    "calcium with sulfate": (
        {
            "stock__A__salts": {"calcium nitrate": "100 g/L", "magnesium sulfate": "50 g/L"},
            "stock__A__nutrients": {},
        },
        "parts that must not meet",
        "stop",
        "stock of its own",
    ),
    "salt falls out in the cold": (
        {
            "stock__A__salts": {"potassium sulfate": "120 g/L"},
            "stock__A__nutrients": {},
            "stock__A__coldest": "8 °C",
        },
        "salt falls out",
        "act",
        "weaker stock",
    ),
    "strength in mg/L taken for g/L": (
        {"stock__A__nutrients": {"N": "900 g/L"}, "stock__A__salts": {}},
        "stock too strong to be true",
        "act",
        "check the unit",
    ),
    "label and weights disagree": (
        {"stock__A__nutrients": {"N": "42 g/L"}},
        "nutrients and salts disagree",
        "act",
        "every dose rests on them",
    ),
    "curve does not bracket": (
        {"injector__main__ratio": "1:50"},
        "dilution curve too short",
        "watch",
        "1:25",
    ),
    "no curve": ({"stock__A__dilutions": []}, "no dilution curve", "watch", "by hand in the source water"),
    "run too short": ({"zone__bench1__planned_run": "8 min"}, "run too short", "act", "run longer"),
    "target out of reach": (
        {"zone__bench1__target": {"N": "12 g/m2 per run"}},
        "target out of reach",
        "act",
        "stronger ratio",
    ),
}


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
