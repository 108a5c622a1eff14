"""What is told while runs go on is what stays once they are over."""

from __future__ import annotations

import pandas as pd
import pytest

from benchmarks.passing import demo, early


@pytest.mark.slow
def test_nothing_is_told_early_and_taken_back() -> None:
    """Minute by minute through a round of three zones no finding is told that goes, and no interval that is left."""
    installation, known = demo(0)
    start = pd.Timestamp("2026-05-27 04:30", tz="UTC")
    said = early(installation, known[known["time"].between(start, start + pd.Timedelta("3h"))], 60.0)

    assert said.looked > 100
    assert said.compared > 1000
    assert (dict(said.findings), dict(said.estimates)) == ({}, {})
