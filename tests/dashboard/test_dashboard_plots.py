"""A plot's dose stands on its run's page with its interval, or with why there is none."""

from __future__ import annotations

import json
import tomllib

import pandas as pd
from plotly.utils import PlotlyJSONEncoder

from analysis.results import Estimate, Interval, Results, Run
from dashboard.context import Context
from dashboard.pages.plots import plots
from dashboard.snapshot import Snapshot
from ingest.installation import Installation
from tests.dashboard import field

START = pd.Timestamp("2026-11-25T06:00:00Z")
TRIAL = """
[treatment.full]
target = { N = "0.4 g/m2 per run" }
margin = "10 %"

[plot.north]
treatment = "full"
zone = "bench1"
block = "I"
area = "60 m2"
"""


def _said(nutrient_value: float | None) -> str:
    installation = Installation.model_validate(tomllib.loads(field.installation_text() + TRIAL))
    end = START + pd.Timedelta(minutes=25)
    run = Run("bench1", START, end, 330.0, 800.0, Interval(START, end))
    dose = Estimate(
        "nutrient dose",
        "bench1",
        START,
        nutrient_value,
        "g",
        None if nutrient_value is None else nutrient_value * 0.95,
        None if nutrient_value is None else nutrient_value * 1.05,
        "EC",
        (),
        "ok" if nutrient_value is not None else "refused",
        None if nutrient_value is not None else "no dilution curve",
        "N",
    )
    results = Results("Beds", START, end, "test", (run,), (dose,), ())
    context = Context(installation, Snapshot(end, {}, results), "metric", end)
    return json.dumps(plots(context, run), cls=PlotlyJSONEncoder)


def test_plot_has_its_dose_on_its_ground() -> None:
    """24 g on the 60 m2 of the only plot are 0.40 g/m2, with the zone's relative interval."""
    said = json.loads(_said(24.0))
    words = json.dumps(said, ensure_ascii=False)

    assert "0.40\N{NO-BREAK SPACE}g/m²" in words
    assert "0.38\N{NO-BREAK SPACE}g/m² to 0.42\N{NO-BREAK SPACE}g/m²" in words


def test_refused_dose_is_told_with_its_reason() -> None:
    """A plot whose zone's dose is refused shows the zone's reason."""
    assert "no dilution curve" in _said(None)


def test_garden_without_a_trial_has_no_plots() -> None:
    """Where no plot is described, no table stands."""
    installation = Installation.model_validate(tomllib.loads(field.installation_text()))
    run = Run("bench1", START, START, None, None)
    context = Context(
        installation,
        Snapshot(START, {}, Results("Beds", START, START, "test", (run,), (), ())),
        "metric",
        START,
    )

    assert plots(context, run) == []
