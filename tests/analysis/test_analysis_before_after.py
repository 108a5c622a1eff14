"""A service's effect is told where it is there, is chance where it is not, and refused where days are lacking."""

from __future__ import annotations

from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

from analysis.before_after import BeforeAfter, compare
from analysis.results import Estimate

START = pd.Timestamp("2026-04-01T06:00Z")
SERVICE = START + pd.Timedelta(days=20)
UTC = ZoneInfo("UTC")


def _estimates(values: np.ndarray) -> list[Estimate]:
    """Return one estimate a day."""
    return [
        Estimate(
            "flow", "a", START + pd.Timedelta(days=day), float(v), "L/h", float(v) - 1, float(v) + 1, "m", ()
        )
        for day, v in enumerate(values)
    ]


def _noise(rng: np.random.Generator, days: int) -> np.ndarray:
    """Return unit-variance noise with the day-to-day correlation that the test allows for."""
    white = rng.standard_normal(days)
    for i in range(1, days):
        white[i] = 0.3 * white[i - 1] + np.sqrt(1 - 0.3**2) * white[i]
    return white


def test_planted_step_is_told_and_its_interval_covers() -> None:
    """In 200 seasons a step of 3 standard deviations is nearly always told, and its interval holds it in 95 % or so."""
    rng = np.random.default_rng(1)
    found = [
        compare("flow", _estimates(800 + 4 * _noise(rng, 40) + 12 * (np.arange(40) >= 20)), SERVICE, UTC)
        for _ in range(200)
    ]
    covered = [one.change is not None and one.change[1] <= 12 <= one.change[2] for one in found]

    assert np.mean([one.changed for one in found]) > 0.95
    assert 0.90 < np.mean(covered) < 0.99


def test_clean_seasons_are_told_as_chance() -> None:
    """Without an effect no more than 8 of 100 seasons are told as changed, where 5 are meant."""
    rng = np.random.default_rng(2)
    found = [compare("flow", _estimates(800 + 4 * _noise(rng, 40)), SERVICE, UTC).changed for _ in range(300)]

    assert np.mean(found) < 0.08


@pytest.mark.parametrize(
    ("days", "since", "said"),
    [
        (22, None, "10 days before and 2 days after"),
        (40, 19, "1 days before and 10 days after"),
        (0, None, "no run before"),
    ],
)
def test_too_few_days_are_refused(days: int, since: int | None, said: str) -> None:
    """Fewer than three days on a side, also where another service ends what can be compared, give the reason."""
    first = None if since is None else START + pd.Timedelta(days=since)
    one = compare("flow", _estimates(800 + np.arange(float(days))), SERVICE, UTC, since=first)

    assert one.p is None
    assert said in one.reason


def test_values_that_do_not_scatter_are_refused() -> None:
    """Chance cannot be judged by values that are all the same."""
    one = compare("flow", _estimates(np.full(40, 800.0)), SERVICE, UTC)

    assert isinstance(one, BeforeAfter)
    assert "do not scatter" in one.reason
