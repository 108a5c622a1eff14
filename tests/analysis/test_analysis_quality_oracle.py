"""The quality tests agree with a reference library where both mean the same."""

from __future__ import annotations

import warnings
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.quality.checks import out_of_range, spikes

TIMES = pd.date_range("2026-05-01", periods=400, freq="10s", tz="UTC")


@pytest.fixture(scope="module")
def qartod() -> Any:
    """Return the reference library's tests."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from ioos_qc import qartod as module  # noqa: PLC0415 - its import warns

    return module


@pytest.mark.parametrize("seed", range(4))
def test_gross_range_is_the_reference_library_s(qartod: Any, seed: int) -> None:
    """Every reading that the library fails on its sensor span is flagged, and no other."""
    values = np.random.default_rng(seed).normal(100.0, 30.0, 400)
    theirs = np.asarray(qartod.gross_range_test(values, fail_span=[50.0, 150.0]))

    assert (out_of_range(pd.Series(values, TIMES), low=50.0, high=150.0).to_numpy() == (theirs == 4)).all()


@pytest.mark.parametrize("seed", range(4))
def test_planted_spike_is_flagged_by_both(qartod: Any, seed: int) -> None:
    """Each planted spike is flagged by both; the library also flags neighbours, this project does not."""
    rng = np.random.default_rng(seed)
    values = rng.normal(100.0, 0.5, 400)
    places = rng.choice(np.arange(10, 390, 12), 8, replace=False)
    values[places] += 20.0
    theirs = np.flatnonzero(
        np.asarray(qartod.spike_test(values, suspect_threshold=8.0, fail_threshold=9.0)) >= 3
    )
    ours = np.flatnonzero(spikes(pd.Series(values, TIMES), limit=8.0, longest_s=30.0).to_numpy())

    assert set(ours) == set(places)
    assert set(places) <= set(theirs)
    assert all(min(abs(places - t)) <= 1 for t in theirs)
