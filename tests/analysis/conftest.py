"""A plain garden of two zones on one head, three days long, with what is planted in it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from tests.support.plain import MIDNIGHT, PUMP, day, frame, installation, on, sensor, series, zone

if TYPE_CHECKING:
    from ingest.installation import Installation

TARGET = '{ ratio = "1:100", ec = ["1.9 mS/cm", "2.4 mS/cm"] }'
"""What both zones should get."""

RUNS = (
    ("a", 6.0, 7.0, 6.2, 6.6),
    ("b", 7.0, 8.0, 7.2, 7.6),
    ("a", 23.7, 24.4, 23.9, 24.2),
    ("a", 30.0, 31.0, 30.2, 30.6),
    ("b", 31.0, 32.0, 31.2, 31.6),
    ("b", 54.0, 55.0, 54.2, 54.6),
)
"""Zone, start and end of each run and of its injection. [h after midnight] The third runs over midnight."""


@dataclass(frozen=True, slots=True)
class Garden:
    """Readings and what they came from."""

    installation: Installation
    readings: dict[str, pd.Series]

    @property
    def frame(self) -> pd.DataFrame:
        """The readings as the store returns them."""
        return frame(self.readings)

    @property
    def end(self) -> pd.Timestamp:
        """Just after the last reading. [UTC]"""
        return pd.Timestamp(self.frame["time"].max()) + pd.Timedelta("1us")


def described() -> Installation:
    """Return the garden's installation."""
    zones = [zone(name, injector='"pump"', target=TARGET) for name in ("a", "b")]
    valves = [sensor(f"{n}_valve", "valve state", "zone", "1", zone=f'"{n}"') for n in ("a", "b")]
    return installation(
        PUMP.replace("[stock.A]", 'max_static_pressure = "350 kPa"\n[stock.A]'),
        *zones,
        *valves,
        sensor("flow", "flow", "source", "L/h", accuracy='"2 %"', range='["0 L/h", "3000 L/h"]'),
        sensor(
            "stock", "flow", "stock", "L/h", injector='"pump"', accuracy='"2 %"', range='["0 L/h", "40 L/h"]'
        ),
        sensor("water", "conductivity", "source", "mS/cm", accuracy='"1 %"', lag='["3 s", "5 s"]'),
        sensor("feed", "conductivity", "mixed", "mS/cm", accuracy='"1 %"', lag='["3 s", "5 s"]'),
        sensor("pressure", "pressure", "mixed", "kPa", accuracy='"0.5 % of 600 kPa"'),
    )


def grown(runs: tuple[tuple[str, float, float, float, float], ...] = RUNS, hours: float = 72.0) -> Garden:
    """Return the garden with these runs and its sensors' noise."""
    times, rng = day(hours), np.random.default_rng(4)

    def noise(sd: float) -> np.ndarray:
        return sd * rng.standard_normal(len(times))

    watered = sum(on(times, a, b) for _, a, b, _, _ in runs)
    fed = sum(on(times, a, b) for _, _, _, a, b in runs)
    water = 0.5 + 0.01 * np.sin(np.arange(len(times)) / 1500.0)
    flow = 1000.0 * watered * (1 + noise(0.003))
    readings = {
        "flow": flow,
        "stock": fed * 10.1 * (1 + noise(0.003)),
        "water": water + noise(0.002),
        "feed": water + 1.63 * fed + noise(0.003),
        "pressure": 250.0 - 80.0 * watered + noise(0.5),
        **{f"{n}_valve": sum(on(times, a, b) for z, a, b, _, _ in runs if z == n) for n in ("a", "b")},
    }
    return Garden(described(), {name: series(values, times, name) for name, values in readings.items()})


@pytest.fixture(scope="session")
def garden() -> Garden:
    """Six clean runs in three days, all fed 1:100, one of them over midnight."""
    return grown()


def at(hours: float) -> pd.Timestamp:
    """Return an hour after midnight as an instant. [UTC]"""
    return MIDNIGHT + pd.Timedelta(hours=hours)
