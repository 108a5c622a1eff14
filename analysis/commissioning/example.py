"""A small sound garden for examples and tests; invented."""

from __future__ import annotations

import copy
from typing import Any

from ingest.installation import Installation

TABLES: dict[str, Any] = {
    "name": "Hollin Row, Upper Tarn",
    "timezone": "Europe/Lisbon",
    "supply": {
        "kind": "potable",
        "backflow_preventer": "reduced pressure",
        "tested": "2026-03-02",
        "pressure": "320 kPa",
    },
    "injector": {
        "main": {
            "kind": "proportional pump",
            "ratio": "1:100",
            "flow_range": ["100 L/h", "2500 L/h"],
            "tank_volume": "120 L",
            "max_static_pressure": "400 kPa",
            "check_valve": True,
        }
    },
    "stock": {
        "A": {
            "injector": "main",
            "nutrients": {"N": "20 g/L"},
            "salts": {"potassium nitrate": "144.4 g/L"},
            "coldest": "15 °C",
            "dilutions": [
                ["water", "0.48 mS/cm"],
                ["1:200", "1.31 mS/cm"],
                ["1:100", "2.05 mS/cm"],
                ["1:50", "3.46 mS/cm"],
            ],
        }
    },
    "head": {
        "order": ["backflow preventer", "filter", "pressure regulator", "injector", "valve"],
        "filter_clean_loss": "12 kPa",
        "regulator_pressure": "130 kPa",
    },
    "zone": {
        "bench1": {
            "area": "60 m2",
            "emitters": [{"count": 400, "flow": "2 L/h", "at": "100 kPa"}],
            "main": [{"length": "30 m", "diameter": "28 mm"}],
            "manifold": {"length": "10 m", "diameter": "23 mm"},
            "laterals": {"count": 10, "length": "12 m", "diameter": "12 mm", "spacing": "0.3 m"},
            "elevation": "0.6 m",
            "planned_run": "45 min",
        }
    },
    "sensor": {
        "flow": {"quantity": "flow", "point": "source", "unit": "L/h", "source": {"csv": "flow"}},
        "ec": {"quantity": "conductivity", "point": "mixed", "unit": "mS/cm", "source": {"csv": "ec"}},
    },
}
"""The tables of its installation file."""


def garden(**changes: Any) -> Installation:
    """Return the garden with some keys changed.

    Parameters
    ----------
    **changes : Any
        Keys with double underscores for dots, such as ``supply__pressure="500 kPa"``; None takes a key out.

    Returns
    -------
    Installation
        The system.

    Examples
    --------
    >>> garden(supply__pressure="500 kPa").supply.pressure
    500.0
    """
    tables = copy.deepcopy(TABLES)
    for path, value in changes.items():
        *way, last = path.split("__")
        table = tables
        for key in way:
            table = table.setdefault(key, {})
        if value is None:
            table.pop(last, None)
        else:
            table[last] = value
    return Installation.model_validate(tables)
