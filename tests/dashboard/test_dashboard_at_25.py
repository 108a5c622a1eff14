"""Raw EC cells are shown at 25 °C where a thermometer sees their water, and named as raw where none does."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.commissioning.example import garden
from dashboard.at_25 import state_at_25, thermometer, window_at_25
from dashboard.panels import sensor_label
from dashboard.snapshot import SensorState
from dashboard.windows import Window
from ingest.installation import Installation

CELL: dict[str, Any] = {
    "quantity": "conductivity",
    "point": "mixed",
    "unit": "mS/cm",
    "compensated": False,
    "source": {"csv": "ec"},
}
WARMTH: dict[str, Any] = {"quantity": "temperature", "point": "mixed", "unit": "°C", "source": {"csv": "t"}}
NOW = pd.Timestamp("2026-05-01", tz="UTC")


def _system(*, warmth: dict[str, Any] | None = None, **cell: Any) -> Installation:
    """Return a garden with one EC cell, and perhaps a thermometer."""
    return garden(sensor={"ec": {**CELL, **cell}, **({} if warmth is None else {"t": warmth})})


def _window(values: list[float]) -> Window:
    """Return a window of one reading a bucket."""
    array = np.array(values)
    ones = np.ones(len(values), np.int64)
    return Window(0, 10_000_000, np.arange(len(values)), array, array, array, ones, 0 * ones)


def test_raw_cell_is_shown_at_25() -> None:
    """At 15 °C and 1.91 %/K a raw 1.619 mS/cm is 2.001 mS/cm at 25 °C, in the chart as on the tile."""
    system = _system(warmth=WARMTH)
    states = {"ec": SensorState("ec", NOW, 1.619, 2, "fresh"), "t": SensorState("t", NOW, 15.0, 2, "fresh")}

    shown = window_at_25(system, "ec", {"ec": _window([1.619] * 3), "t": _window([15.0] * 3)})

    assert shown.mean == pytest.approx([1.619 / (1 - 0.191)] * 3)
    assert state_at_25(system, states, "ec").value == pytest.approx(1.619 / (1 - 0.191))
    assert sensor_label(system, "ec") == "mixed"


@pytest.mark.parametrize("warmth", [None, {**WARMTH, "point": "source"}])
def test_cell_without_thermometer_stays_raw_and_is_named_so(warmth: dict[str, Any] | None) -> None:
    """No thermometer, or one in other water, changes nothing, and the label says at water temperature."""
    system = _system(warmth=warmth)

    assert thermometer(system, "ec") is None
    assert window_at_25(system, "ec", {"ec": _window([1.6])}).mean == pytest.approx([1.6])
    assert "water temperature" in sensor_label(system, "ec")


def test_compensating_cell_is_left_alone() -> None:
    """A device that compensates is not compensated twice."""
    assert thermometer(_system(warmth=WARMTH, compensated=True), "ec") is None


def test_thermometer_that_lies_is_not_believed() -> None:
    """A thermometer at 77 °C changes nothing on the tile."""
    states = {"ec": SensorState("ec", NOW, 1.6, 2, "fresh"), "t": SensorState("t", NOW, 77.0, 2, "fresh")}

    assert state_at_25(_system(warmth=WARMTH), states, "ec").value == pytest.approx(1.6)
