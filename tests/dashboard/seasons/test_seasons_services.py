"""The record of a service tells what it changed, or why the data cannot."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from analysis.service import Service
from dashboard.paper.record import Matter
from dashboard.paper.serviced import serviced
from ingest.installation import Installation
from tests.dashboard.seasons.planted import (
    DAYS,
    END,
    FULL,
    SERVICE,
    matter_of,
    season,
    words_of,
)


def test_record_of_a_service_tells_its_effect(garden: Installation) -> None:
    """Before and after: the change with its interval and chance, and the loss before and after."""
    days = np.arange(DAYS)
    losses = np.where((days > 12) & (days < 28), 0.006 * (days - 12), 0.0)
    paper = serviced(matter_of(season(losses=losses), services=(SERVICE,)), SERVICE, garden, "metric")

    assert "Changed by more than chance: bench2: flow at reference pressure." in words_of(paper, "In short")
    rows = words_of(paper, "Zone bench2")
    assert "flow lost since the emitters' first days" in rows
    assert "p < 0.001\n10 and 10" in rows


def test_service_that_the_data_cannot_judge_is_refused_with_the_reason(garden: Installation) -> None:
    """A service two days before the end, and one without any catch test, give reasons and no verdict of change."""
    late = Service(END - pd.Timedelta(days=2), "R. Alder", "acid flush", "bench2")
    paper = serviced(matter_of(season(), services=(late,)), late, garden, "metric")
    said = words_of(paper, "In short")

    assert "Whether it changed anything cannot be told from the data" in said
    assert "38 days before" not in said
    assert "10 days before and 2 days after the service have this number; 3 are needed on each side" in said
    assert "there is no catch test of bench2 before or after it" in said


def test_catch_tests_tell_uniformity_before_and_after(garden: Installation) -> None:
    """Two catch tests give the statistical uniformity on both sides, its change and the chance of it."""
    rng = np.random.default_rng(2)
    tests = tuple(
        {
            "what": "catch test",
            "zone": "bench2",
            "person": "R. Alder",
            "time": (SERVICE.time + pd.Timedelta(days=day)).isoformat(),
            "flow_l_h": (2.0 * (1 + spread * rng.standard_normal(24))).tolist(),
        }
        for day, spread in ((-2, 0.2), (3, 0.04))
    )
    matter = matter_of(season(), services=(SERVICE,))
    paper = serviced(Matter(matter.results, FULL, (SERVICE,), entries=tests), SERVICE, garden, "metric")

    assert re.search(
        r"Statistical uniformity: [78]\d\.\d % before, 9\d\.\d % after, \+\d+\.\d points; p < 0\.001: more",
        words_of(paper, "In short"),
    )
    assert "24 emitters, mean" in words_of(paper, "How evenly the zones water")
