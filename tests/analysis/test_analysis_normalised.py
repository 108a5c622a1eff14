"""Flow and filter loss at reference conditions hold what was planted, and are refused where nothing carries them."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from analysis.diagnosis.normalised import filter_loss, reference_flow
from analysis.results import Run
from analysis.view import RunView
from ingest.installation import Installation

TIMES = pd.date_range("2026-05-01T06:00", periods=240, freq="10s", tz="UTC")
LEVELS = {"q": 790.0, "up": 150.0, "down": 140.0, "end": 95.0}


def _view(*have: str) -> RunView:
    rows: dict[str, dict[str, Any]] = {
        "q": {"quantity": "flow", "point": "source", "unit": "L/h", "accuracy": "2 %"},
        "up": {"quantity": "pressure", "point": "mixed", "unit": "kPa", "accuracy": "1 kPa"},
        "down": {"quantity": "pressure", "point": "after filter", "unit": "kPa", "accuracy": "1 kPa"},
        "end": {
            "quantity": "pressure",
            "point": "lateral end",
            "unit": "kPa",
            "accuracy": "1 kPa",
            "zone": "z",
        },
    }
    file = {
        "name": "Invented",
        "timezone": "UTC",
        "supply": {"kind": "well", "backflow_preventer": "none"},
        "head": {"order": ["pressure regulator", "injector", "filter", "valve"]},
        "zone": {"z": {"emitters": [{"count": 400, "flow": "2 L/h"}]}},
        "sensor": {name: rows[name] | {"source": {"csv": name}} for name in have},
    }
    series = {name: pd.Series(LEVELS[name], TIMES) for name in have}
    return RunView(Installation.model_validate(file), Run("z", TIMES[0], TIMES[-1], 526.0, 790.0), series)


def test_flow_is_brought_to_reference_pressure() -> None:
    """At 95 kPa at the end, 1.3 kPa more at the mean emitter, 790 L/h is 805 L/h at 100 kPa; computed."""
    (flow,) = reference_flow(_view("q", "end"))

    assert flow.value == pytest.approx(
        790.0 * (100.0 / (95.0 + 0.28 * 5.0 * (790 / 800) ** 1.75)) ** 0.5, rel=1e-6
    )
    assert (flow.high or 0) / (flow.value or 1) == pytest.approx(1.023, abs=0.002)


def test_flow_without_pressure_is_refused() -> None:
    """Flow alone is refused with the sensor that would carry it."""
    (flow,) = reference_flow(_view("q"))

    assert flow.status == "refused"
    assert "lateral's end" in (flow.reason or "")


def test_filter_loss_is_brought_to_rated_flow() -> None:
    """10 kPa at 790 L/h is 10.25 kPa at 800 L/h; computed from the square of the flow."""
    (loss,) = filter_loss(_view("q", "up", "down"))

    assert loss.value == pytest.approx(10.0 * (800 / 790) ** 2)
    assert (loss.low or 0) < 10.25 < (loss.high or 0)


def test_filter_between_no_sensors_says_nothing() -> None:
    """With a sensor on one side only there is no estimate."""
    assert filter_loss(_view("q", "up")) == []
