"""The share of emitter flow lost since they were new: level and rate at the last day, the onset not known.

One state-space model over the whole season: the loss, its rate, the level of new emitters, the temperature
coefficient and the day-to-day scatter are estimated together, so that weather teaches the coefficient and
every sound day before the onset teaches the level. When the loss began is not known: each day is tried as
the onset, beside a rate that wanders all the time and beside no loss at all, and what each says is weighted by how
likely it makes the season. A loss may begin with a rate alone, or with a step as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.baseline_line import CORRELATION

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Places = NDArray[np.int64]

LEVEL_WALK = 2e-8
"""Variance that the level gains in a day. [1/d] About what a sound meter's gain walks."""

CHANGE = 0.15
"""Share by which the rate of a loss changes in `CHANGE_DAYS`, a standard deviation. [-] No source: a judgement."""

CHANGE_DAYS = 30.0
"""Days of `CHANGE`. [d]"""

WANDER_WALK = 6e-9
"""The same for the one course whose rate wanders from the start. [1/d3] Found by trial on the same seasons."""

RATE = 0.003
"""Rate that a loss may begin with, a standard deviation. [1/d] No source: a tenth of the flow in a month."""

RESTORED = 0.1
"""What a service may give back, or a calibration may move, a standard deviation. [-] No source."""

STEP = 0.05
"""Loss that may come at once, a standard deviation. [-] No source."""

MOST_ONSETS = 90
"""Most days that are tried as the onset; longer seasons are tried at equal steps. No source."""

LEAST_LEFT = 0.05
"""Share of the flow below which the model's logarithm is not followed. [-]"""

TURNS = 3
"""Times that a day's value is taken in anew about what it has just said: after a service it may say much."""

LEVEL, SLOPE, NEW, WARM, SCATTER = range(5)
"""Places in the state: change of the flow [-], its rate [1/d], log flow of new emitters, temperature coefficient
[1/K], scatter of the day [-]."""


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of a season beside its flows.

    Attributes
    ----------
    warmth : ndarray
        Water temperature, shape (days,). [°C] A constant where nobody measures it.
    coefficient : tuple of float
        What is thought of the temperature coefficient beforehand: mean and standard deviation. [1/K]
    noise : float
        Variance of one day about its level, `CORRELATION` from day to day. [-]
    served, calibrated : ndarray of bool
        True on the first day after a service of the emitters, and after a calibration, shape (days,).
    """

    warmth: Array
    coefficient: tuple[float, float]
    noise: float
    served: NDArray[np.bool_]
    calibrated: NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class LossLine:
    """Where the flow of the emitters stands at the last day.

    Attributes
    ----------
    level, slope : float
        Change of the flow since they were new, a share [-], and its rate [1/d]; a loss is negative.
    covariance : ndarray
        Of level and slope, shape (2, 2).
    """

    level: float
    slope: float
    covariance: Array


def loss_line(values: Array, days: Array, known: Known) -> LossLine:
    """Estimate the change of the flow since the emitters were new, and its rate, at the last day.

    Parameters
    ----------
    values : ndarray
        Log flow coefficient, the first of new emitters, shape (days,); NaN is left out. [-]
    days : ndarray
        Time of each day's runs, ascending. [d]
    known : Known
        Temperatures, scatter and services.

    Returns
    -------
    LossLine
        Mean and covariance over the onsets, each weighted by its likelihood.

    References
    ----------
    Kalman filter: Harvey (1989), Forecasting, Structural Time Series Models and the Kalman Filter. Weights of models:
    Bar-Shalom, Li and Kirubarajan (2001), Estimation with Applications to Tracking and Navigation, section 11.6, from memory.

    Examples
    --------
    >>> days, never = np.arange(60.0), np.zeros(60, dtype=bool)
    >>> flow = 1.0 - 0.002 * np.clip(days - 30.0, 0.0, None)
    >>> known = Known(np.zeros(60), (0.0, 0.0005), 1e-6, never, never)
    >>> line = loss_line(np.log(flow), days, known)
    >>> round(line.level, 3), round(line.slope, 4)
    (-0.058, -0.002)
    """
    first = int(np.flatnonzero(np.isfinite(values))[0])
    served = np.flatnonzero(known.served[first + 1 :]) + first + 1
    begin = int(served[-1]) if served.size else first
    onsets, steps = _onsets(begin, days.size)
    state, covariance = _at_first(values[first], onsets.size, known)
    weight = np.zeros(onsets.size)
    warm = known.warmth - known.warmth[np.isfinite(values)].mean()
    for day in range(first, days.size):
        if day > first:
            state, covariance = _step(state, covariance, days[day] - days[day - 1], known.noise,
                                      _walk(state[:, SLOPE], onsets, day, begin))  # fmt: skip
        _disturb(state, covariance, onsets, day, begin, known)
        covariance[steps & (onsets == day), LEVEL, LEVEL] += STEP**2
        if np.isfinite(values[day]):
            weight += _update(state, covariance, values[day], warm[day])
    return _mixed(state, covariance, weight)


def _onsets(begin: int, end: int) -> tuple[Places, NDArray[np.bool_]]:
    """Return the days that are tried as onset, and which of them begin with a step.

    -1 stands for a rate that wanders all the time, `end` for no loss yet.
    """
    tried = np.unique(np.linspace(begin, end - 1, min(end - begin, MOST_ONSETS)).astype(np.int64))
    onsets = np.concatenate(([-1, end], tried, tried))
    return onsets, np.arange(onsets.size) >= 2 + tried.size


def _at_first(value: float, courses: int, known: Known) -> tuple[Array, Array]:
    """Return what is thought before the first day: emitters are new, and of their flow nothing is known."""
    mean, sd = known.coefficient
    state = np.tile([0.0, 0.0, value, mean, 0.0], (courses, 1))
    spread = np.diag([0.0, 0.0, 1.0, sd**2, known.noise])
    return state, np.tile(spread, (courses, 1, 1))


def rate_walk(slope: Array | float) -> Array:
    """Return the variance that a rate gains in a day, in proportion to its square. [1/d3]"""
    return np.asarray((CHANGE * np.asarray(slope)) ** 2 / CHANGE_DAYS)


def _walk(slope: Array, onsets: Places, day: int, begin: int) -> Array:
    """Return the variance that each course's rate gains in the day before `day`. [1/d3]"""
    if day <= begin:
        return np.full(onsets.size, WANDER_WALK)
    walk = np.where(onsets < day, rate_walk(slope), 0.0)
    walk[0] = WANDER_WALK
    return walk


def _step(state: Array, covariance: Array, dt: float, noise: float, walk: Array) -> tuple[Array, Array]:
    """Return states and covariances a while later."""
    keep = CORRELATION**dt
    step = np.diag([1.0, 1.0, 1.0, 1.0, keep])
    step[LEVEL, SLOPE] = dt
    state = state @ step.T
    covariance = step @ covariance @ step.T
    covariance[:, LEVEL, LEVEL] += LEVEL_WALK * dt + walk * dt**3 / 3.0
    covariance[:, LEVEL, SLOPE] += walk * dt**2 / 2.0
    covariance[:, SLOPE, LEVEL] += walk * dt**2 / 2.0
    covariance[:, SLOPE, SLOPE] += walk * dt
    covariance[:, SCATTER, SCATTER] += noise * (1.0 - keep**2)
    return state, covariance


def _disturb(state: Array, covariance: Array, onsets: Places, day: int, begin: int, known: Known) -> None:
    """Let a service change loss and rate, a calibration the level, and an onset the rate."""
    if known.calibrated[day]:
        covariance[:, NEW, NEW] += RESTORED**2
    if known.served[day]:
        covariance[:, LEVEL, LEVEL] += RESTORED**2
    if day == begin or known.served[day]:
        state[:, SLOPE] = 0.0
        covariance[:, SLOPE, :] = covariance[:, :, SLOPE] = 0.0
    begins = (onsets == day) | ((onsets == -1) & (day == begin))
    if known.served[day] and day < begin:
        begins[:] = True
    covariance[begins, SLOPE, SLOPE] += RATE**2


def _update(state: Array, covariance: Array, value: float, warmer: float) -> Array:
    """Take in one day's log flow; return the log likelihood that each course gave it."""
    seen = np.tile([0.0, 0.0, 1.0, warmer, 1.0], (state.shape[0], 1))
    before, said = state.copy(), np.zeros(state.shape[0])
    for turn in range(TURNS):
        left = np.maximum(1.0 + state[:, LEVEL], LEAST_LEFT)
        seen[:, LEVEL] = 1.0 / left
        gained = np.einsum("kij,kj->ki", covariance, seen)
        variance = (gained * seen).sum(axis=1)
        others = state[:, NEW] + warmer * state[:, WARM] + state[:, SCATTER]
        new = value - np.log(left) - others - (seen * (before - state)).sum(axis=1)
        if turn == 0:
            said = -0.5 * (np.log(variance) + new**2 / variance)
        state[:] = before + gained * (new / variance)[:, None]
    covariance -= gained[:, :, None] * gained[:, None, :] / variance[:, None, None]
    return said


def _mixed(state: Array, covariance: Array, weight: Array) -> LossLine:
    """Return mean and covariance over the courses."""
    share = np.exp(weight - weight.max())
    share /= share.sum()
    both = state[:, [LEVEL, SLOPE]]
    mean = share @ both
    apart = both - mean
    within = np.tensordot(share, covariance[:, :2, :2], axes=1)
    return LossLine(float(mean[0]), float(mean[1]), within + (apart * share[:, None]).T @ apart)
