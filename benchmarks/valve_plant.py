"""An invented garden of zones with valves, meters and gauges, drawn with noise, jitter, holes and drain-down."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from ingest.installation import Installation

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

START = pd.Timestamp("2026-05-01", tz="UTC")
"""When it begins. [UTC]"""

ZONES = {"a": 1000.0, "b": 700.0}
"""Zone to the flow of its emitters. [L/h]"""

HOURS = {"a": (6.0, 7.0), "b": (8.0, 8.7)}
"""Zone to when it is watered, every day. [h]"""

STANDING, RUNNING, ZONE_RUNNING = 350.0, 250.0, 120.0
"""Pressure at the head at rest and running, and in a zone that runs. [kPa]"""


@dataclass(frozen=True, slots=True)
class Plan:
    """What is drawn, and what goes wrong.

    Attributes
    ----------
    days : int
        How many.
    seed : int
        Of every draw.
    step_s : float
        Time between readings. [s]
    have : tuple of str
        Of ``"valves"``, ``"meters"`` (a meter in each zone), ``"head"`` (a shared one), ``"register"`` (a shared
        pulse register in its place), ``"gauge"`` (pressure at the head), ``"gauges"`` (pressure in each zone).
    past : mapping
        Zone to the share of its flow that goes on past its closed valve.
    blocked : tuple of str
        Zones whose valve does not open.
    said : mapping
        Zone to what its valve sensor says whatever it does.
    swapped : bool
        Whether the two valve sensors are swapped.
    from_day : int
        First day of what goes wrong.
    supply : bool
        Whether the supply is there from that day on.
    by_hand : bool
        Whether zone a is opened by hand once.
    """

    days: int = 4
    seed: int = 1
    step_s: float = 10.0
    have: tuple[str, ...] = ("valves", "meters", "head", "gauge")
    past: Mapping[str, float] = field(default_factory=dict)
    blocked: tuple[str, ...] = ()
    said: Mapping[str, float] = field(default_factory=dict)
    swapped: bool = False
    from_day: int = 1
    supply: bool = True
    by_hand: bool = False


def installation_of(plan: Plan) -> Installation:
    """Return the description of the garden with the sensors that it has."""
    kinds: dict[str, dict[str, dict[str, Any]]] = {
        "valves": {
            f"{z}_valve": {"quantity": "valve state", "point": "zone", "unit": "1", "zone": z} for z in ZONES
        },
        "meters": {
            f"{z}_flow": {"quantity": "flow", "point": "zone", "unit": "L/h", "zone": z} for z in ZONES
        },
        "gauges": {
            f"{z}_p": {"quantity": "pressure", "point": "zone", "unit": "kPa", "zone": z} for z in ZONES
        },
        "head": {"head": {"quantity": "flow", "point": "source", "unit": "L/h", "accuracy": "2 %"}},
        "register": {
            "head": {"quantity": "volume", "point": "source", "unit": "count", "pulses_per_litre": 0.1}
        },
        "gauge": {"gauge": {"quantity": "pressure", "point": "mixed", "unit": "kPa"}},
    }
    sensors = {name: sensor for kind in plan.have for name, sensor in kinds[kind].items()}
    for name, sensor in sensors.items():
        sensor |= {"source": {"csv": name}, "interval": f"{plan.step_s:g} s"}
    return Installation.model_validate(
        {
            "name": "Invented garden",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "none"},
            "zone": {z: {"emitters": [{"count": int(q / 2), "flow": "2 L/h"}]} for z, q in ZONES.items()},
            "sensor": sensors,
        }
    )


def readings(plan: Plan) -> dict[str, pd.Series]:
    """Return what every sensor of the garden sends."""
    rng = np.random.default_rng([17, plan.seed])
    seconds = np.arange(0.0, plan.days * 86400.0, plan.step_s)
    day, hour = seconds // 86400.0, seconds % 86400.0 / 3600.0
    wrong = day >= plan.from_day
    true = {zone: (hour >= a) & (hour < b) for zone, (a, b) in HOURS.items()}
    supply = ~wrong | plan.supply
    flow = {zone: _flow(plan, zone, on & supply, wrong & supply) for zone, on in true.items()}
    if plan.by_hand:
        flow["a"] = np.maximum(flow["a"], ZONES["a"] * ((day == 0) & (hour >= 12.0) & (hour < 12.4)))
    said = {zone: np.where(wrong, plan.said.get(zone, on), on).astype(float) for zone, on in true.items()}
    if plan.swapped:
        said = {z: np.where(wrong, said[o], said[z]) for z, o in (("a", "b"), ("b", "a"))}
    total = np.sum(list(flow.values()), axis=0)
    pressed = np.where(supply, STANDING - (STANDING - RUNNING) * (total > 0.5 * min(ZONES.values())), 5.0)
    shown = {f"{z}_valve": s for z, s in said.items()}
    shown |= {f"{z}_flow": _metered(rng, f) for z, f in flow.items()}
    shown |= {
        f"{z}_p": ZONE_RUNNING * (f / ZONES[z]) ** 2 + rng.normal(2.0, 0.3, f.size) for z, f in flow.items()
    }
    shown |= {"head": _metered(rng, total), "gauge": pressed + rng.normal(0.0, 0.5, total.size)}
    if "register" in plan.have:
        shown["head"] = np.floor(np.cumsum(total) * plan.step_s / 3600.0 / 10.0) * 10.0
    wanted = installation_of(plan).sensor
    return {name: _sent(rng, seconds, values, name) for name, values in shown.items() if name in wanted}


def _flow(plan: Plan, zone: str, on: NDArray[np.bool_], wrong: NDArray[np.bool_]) -> Array:
    """Return a zone's true flow: lines that fill, a slow valve, and what goes wrong."""
    opened = on & ~(wrong if zone in plan.blocked else np.zeros_like(wrong))
    level = np.zeros(on.size)
    reach = np.exp(-plan.step_s / 30.0)
    for i in range(1, on.size):
        level[i] = opened[i] + (level[i - 1] - opened[i]) * reach
    return np.asarray(ZONES[zone] * np.maximum(level, plan.past.get(zone, 0.0) * wrong), dtype=np.float64)


def _metered(rng: np.random.Generator, flow: Array) -> Array:
    """Return what a meter shows: its gain, its zero, its noise, and nothing below where it starts."""
    gain, zero = 1.0 + rng.normal(0.0, 0.01), rng.normal(0.0, 2.0)
    seen = (
        flow * gain * (1.0 + 0.004 * rng.standard_normal(flow.size)) + zero + rng.normal(0.0, 1.0, flow.size)
    )
    return np.where(seen < 4.0, 0.0, seen)


def _sent(rng: np.random.Generator, seconds: Array, values: Array, name: str) -> pd.Series:
    """Return what arrives: times that jitter, a hundredth lost, and a silence of up to half an hour a day."""
    kept = rng.random(seconds.size) > 0.01
    for start in rng.uniform(0.0, seconds[-1], int(seconds[-1] // 86400.0) + 1):
        kept &= ~((seconds > start) & (seconds < start + rng.uniform(60.0, 1800.0)))
    at = seconds + rng.uniform(0.0, 0.5, seconds.size)
    index = START + pd.to_timedelta(np.round(at[kept] * 1e6), unit="us")
    return pd.Series(values[kept], pd.DatetimeIndex(index).as_unit("us"), name=name)
