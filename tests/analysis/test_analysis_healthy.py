"""The benchmark of false alarms: silent on a sound system, and not deaf."""

from __future__ import annotations

import numpy as np

from benchmarks.healthy import year

DAYS = np.arange(0.0, 24.0, 2.0)


def test_sound_system_raises_nothing() -> None:
    """Twelve runs of a sound system, through every step and judge, leave no finding of any kind."""
    assert [f.kind for f in year(7001, DAYS)] == []


def test_weak_dose_is_found_in_the_same_readings() -> None:
    """The same system whose pump doses 60 % is told to be off its target, so silence is not deafness."""
    assert "injection off target" in {f.kind for f in year(7001, DAYS, dosed=0.6)}
