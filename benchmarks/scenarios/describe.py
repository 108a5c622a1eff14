"""The installation file of a virtual system, as its owner would write it."""

from __future__ import annotations

import math
from typing import Any

from benchmarks.scenarios.hydraulics import Layout
from benchmarks.scenarios.sensors import SPREAD
from ingest.installation import Installation

LIMIT = math.sqrt(3.0)
"""Limits of error over standard deviation, so that rectangular limits give the deviation back."""


def percent(sd: float) -> str:
    """Return an accuracy whose rectangular standard uncertainty is `sd`."""
    return f"{100 * LIMIT * sd:.4f} %"


def ec_sensor(point: str, name: str, **keys: Any) -> dict[str, Any]:
    """Return a conductivity cell's table."""
    return {
        "quantity": "conductivity",
        "point": point,
        "unit": "mS/cm",
        "accuracy": percent(SPREAD["EC gain"]),
        "range": ["0 mS/cm", "20 mS/cm"],
        "lag": ["3 s", "12 s"],
        "interval": "5 s",
        "compensated": False,
        "source": {"topic": name},
        **keys,
    }


def meter(point: str, name: str, *, pulses_per_litre: float | None, full: float) -> dict[str, Any]:
    """Return a water meter's table: a pulse register, or flow where it has no pulses."""
    table: dict[str, Any] = {
        "quantity": "flow" if pulses_per_litre is None else "volume",
        "point": point,
        "unit": "L/h" if pulses_per_litre is None else "count",
        "accuracy": percent(SPREAD["flow gain"]),
        "interval": "5 s",
        "source": {"topic": name},
    }
    if pulses_per_litre is None:
        table["range"] = ["0 L/h", f"{full:.6g} L/h"]
    else:
        table["pulses_per_litre"] = pulses_per_litre
    return table


def plain(quantity: str, point: str, name: str, unit: str, accuracy: str, **keys: Any) -> dict[str, Any]:
    """Return any other sensor's table."""
    return {
        "quantity": quantity,
        "point": point,
        "unit": unit,
        "accuracy": accuracy,
        "interval": "10 s",
        "source": {"topic": name},
        **keys,
    }


def zone(layout: Layout) -> dict[str, Any]:
    """Return the zone's table."""
    count = layout.laterals * layout.emitters
    return {
        "area": f"{count * 0.3:.1f} m2",
        "plants": count,
        "emitters": [
            {"count": count, "flow": f"{layout.flow} L/h", "at": "100 kPa", "exponent": layout.exponent}
        ],
        "main": [{"length": f"{layout.main_length} m", "diameter": f"{layout.main_bore} mm"}],
        "manifold": {"length": f"{layout.manifold_length} m", "diameter": f"{layout.manifold_bore} mm"},
        "laterals": {
            "count": layout.laterals,
            "length": f"{layout.emitters * layout.spacing} m",
            "diameter": f"{layout.lateral_bore} mm",
            "spacing": f"{layout.spacing} m",
        },
        "elevation": f"{layout.elevation} m",
    }


def installation(
    name: str,
    *,
    injector: dict[str, Any],
    stock: dict[str, Any],
    layout: Layout,
    sensors: dict[str, dict[str, Any]],
) -> Installation:
    """Return the checked description."""
    return Installation.model_validate(
        {
            "name": name,
            "timezone": "Europe/London",
            "supply": {"kind": "potable", "backflow_preventer": "reduced pressure"},
            "head": {
                "order": ["backflow preventer", "pressure regulator", "flow meter", "injector", "filter"]
            },
            "injector": {"main": injector},
            "stock": {"S": {"injector": "main", **stock}},
            "zone": {"z1": zone(layout)},
            "sensor": sensors,
        }
    )
