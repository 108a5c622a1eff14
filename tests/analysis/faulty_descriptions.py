"""Descriptions with one mistake each: what is changed, the remark's kind, its severity and its mend."""

from __future__ import annotations

from datetime import date
from typing import Any

from analysis.commissioning.example import TABLES

DAY = date(2026, 5, 1)
BENCH: dict[str, Any] = TABLES["zone"]["bench1"]
MAIN: dict[str, Any] = TABLES["injector"]["main"]
TANK = {
    "kind": "displacement tank",
    "tank_volume": "60 L",
    "max_static_pressure": "350 kPa",
    "check_valve": True,
}

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
