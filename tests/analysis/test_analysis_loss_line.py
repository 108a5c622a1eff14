"""The loss of emitter flow at the last day: planted ramps, steps, flushes and calibrations, weather, and no loss."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.diagnosis.loss_line import Known, LossLine, loss_line
from benchmarks.seasons import correlated

DAYS = np.arange(90.0)
NEVER = np.zeros(90, dtype=bool)
NOISE, PRIOR = 0.003, 0.0005
Z = 1.96


def _line(
    seed: int, flow: np.ndarray, *, moved: float = 0.0, served: int = 0, calibrated: int = 0
) -> LossLine:
    """Return the line through a season of flows with scatter, and weather that moves them by a coefficient."""
    rng = np.random.default_rng(seed)
    warmth = 15.0 + 6.0 * np.sin(DAYS / 40.0) + correlated(rng, (90,), 0.7)
    noise = NOISE * correlated(rng, (90,), 0.3)
    at = [NEVER.copy(), NEVER.copy()]
    for flags, day in zip(at, (served, calibrated), strict=True):
        flags[day] = day > 0
    values = 6.0 + np.log(flow) + moved * (warmth - 15.0) + noise
    return loss_line(values, DAYS, Known(warmth, (0.0, PRIOR), NOISE**2, at[0], at[1]))


def _ramp(onset: float, rate: float) -> np.ndarray:
    return 1.0 - rate * np.clip(DAYS - onset, 0.0, None)


def _within(line: LossLine, level: float, width: float = Z) -> bool:
    return abs(line.level - level) <= width * float(np.sqrt(line.covariance[0, 0]))


def test_intervals_of_planted_losses_hold_them_as_often_as_they_say() -> None:
    """Of 120 ramps with a coefficient that nobody was told, the 95 % intervals hold level and rate in 90 % and more."""
    levels, rates = [], []
    for seed in range(120):
        rng = np.random.default_rng(1000 + seed)
        rate, onset = rng.uniform(0.02, 0.2) / 45.0, rng.uniform(28.0, 45.0)
        line = _line(seed, _ramp(onset, rate), moved=rng.normal(0.0, PRIOR))
        levels.append(_within(line, -rate * (89.0 - onset)))
        rates.append(abs(line.slope + rate) <= Z * np.sqrt(line.covariance[1, 1]))

    assert np.mean(levels) >= 0.90
    assert np.mean(rates) >= 0.90


def test_sound_emitters_lose_nothing_beyond_the_interval() -> None:
    """Of 60 sound seasons, whose weather moves the flow, level and rate lie within 95 % intervals in 90 % and more."""
    rng = np.random.default_rng(2)
    lines = [_line(seed, np.ones(90), moved=rng.normal(0.0, PRIOR)) for seed in range(60)]

    assert np.mean([_within(line, 0.0) for line in lines]) >= 0.90
    assert np.mean([abs(line.slope) <= Z * np.sqrt(line.covariance[1, 1]) for line in lines]) >= 0.90


def test_a_step_is_a_loss_that_does_not_go_on() -> None:
    """Eight percent that went in one day are a loss of eight percent, at a rate of nothing."""
    line = _line(3, np.where(DAYS >= 50.0, 0.92, 1.0))

    assert line.level == pytest.approx(-0.08, abs=0.004)
    assert abs(line.slope) < 3.0e-4


def test_a_flush_gives_back_and_what_was_lost_since_new_stays_known() -> None:
    """After a flush on day 60 that gave back two thirds, the level is what is still lost."""
    flow = np.where(DAYS < 60.0, _ramp(30.0, 0.004), 0.96)
    line = _line(4, flow, served=60)

    assert line.level == pytest.approx(-0.04, abs=0.004)
    assert abs(line.slope) < 4.0e-4


def test_a_calibration_is_no_loss() -> None:
    """A meter that shows four percent less from its calibration on leaves the level where it was."""
    told = _line(5, np.where(DAYS >= 60.0, 0.96, 1.0), calibrated=60)
    silent = _line(5, np.where(DAYS >= 60.0, 0.96, 1.0))

    assert told.level == pytest.approx(0.0, abs=0.006)
    assert silent.level == pytest.approx(-0.04, abs=0.004)


def test_a_clean_ramp_is_met_to_the_last_digit_that_matters() -> None:
    """Without scatter, level and rate are the planted ones within 0.05 points and 0.002 points a day."""
    values = np.log(_ramp(40.5, 0.002))
    line = loss_line(values, DAYS, Known(np.zeros(90), (0.0, PRIOR), 1.0e-8, NEVER, NEVER))

    assert line.level == pytest.approx(-0.002 * 48.5, abs=5.0e-4)
    assert line.slope == pytest.approx(-0.002, abs=2.0e-5)
