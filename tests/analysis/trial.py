"""Trials with planted truth, without readings: what an analysis would have estimated for each run."""

from __future__ import annotations

import math
import tomllib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.results import Estimate, Interval, Run
from analysis.uncertainty import COVERAGE_FACTOR, EACH_RUN
from ingest.installation import Installation

if TYPE_CHECKING:
    from collections.abc import Sequence

TRIAL = """
name = "Sedge Plots"
timezone = "UTC"
supply = { kind = "well", backflow_preventer = "none" }

[injector.main]
kind = "proportional pump"

[stock.A]
injector = "main"
nutrients = { N = "20 g/L" }

[zone.a]
area = "50 m2"

[zone.b]
area = "50 m2"

[zone.c]
area = "100 m2"

[treatment.full]
target = { N = "0.4 g/m2 per run", water = "6 L/m2 per run" }
margin = "10 %"

[treatment.other]
target = { N = "0.4 g/m2 per run" }
margin = "10 %"
same_as = "full"

[plot.p1]
zone = "a"
treatment = "full"

[plot.p2]
zone = "b"
treatment = "other"

[sensor.flow]
quantity = "flow"
point = "mixed"
unit = "L/h"
source = { csv = "flow" }
"""

FIRST = pd.Timestamp("2026-06-01T05:00:00Z")


def trial(*changes: tuple[str, str]) -> Installation:
    """Return the trial's installation with some of its text changed."""
    text = TRIAL
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return Installation.model_validate(tomllib.loads(text))


def runs_of(zone: str, count: int, *, stock: bool = True) -> list[Run]:
    """Return one run a day of one zone."""
    found = []
    for day in range(count):
        start = FIRST + pd.Timedelta(days=day)
        injected = (
            Interval(start + pd.Timedelta(minutes=5), start + pd.Timedelta(minutes=15)) if stock else None
        )
        found.append(Run(zone, start, start + pd.Timedelta(minutes=30), 300.0, 600.0, injected))
    return found


def told(
    zone: str,
    grams: Sequence[float],
    *,
    shared: float = 0.0,
    random: float = 0.0,
    quantity: str = "nutrient dose",
    sensors: tuple[str, ...] = ("flow",),
) -> list[Estimate]:
    """Return one estimate a run: its value, and the relative standard uncertainties that it states."""
    sd = math.hypot(shared, random)
    shares = {"meter gain (flow)": shared**2, f"noise (flow){EACH_RUN}": random**2}
    budget = {label: u / sd**2 for label, u in shares.items() if u > 0.0} if sd else {}
    half = COVERAGE_FACTOR * sd
    return [
        Estimate(
            quantity,
            zone,
            FIRST + pd.Timedelta(days=day),
            float(value),
            "g" if quantity == "nutrient dose" else "L",
            float(value) * math.exp(-half),
            float(value) * math.exp(half),
            "planted",
            sensors,
            nutrient="N" if quantity == "nutrient dose" else None,
            budget=budget,
        )
        for day, value in enumerate(grams)
    ]


def planted(
    rng: np.random.Generator,
    zone: str,
    true_g: float,
    count: int,
    *,
    gain: float,
    scatter: float,
    noise: float,
) -> list[Estimate]:
    """Return estimates of true doses that scatter, read with noise by a meter whose gain is off by one draw."""
    doses = true_g * np.exp(rng.normal(0.0, scatter, count))
    seen = doses * np.exp(rng.normal(0.0, noise, count) + (rng.normal(0.0, gain) if gain else 0.0))
    return told(zone, seen.tolist(), shared=gain, random=noise)
