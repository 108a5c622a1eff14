"""The clear-out time from the rise of the far curve, where the run ended before the far point was clean.

A linear, steady system answers an injection of constant strength and length D with c(u) = F(u) - F(u - D),
F being its answer to a step; hence F(u) = c(u) + F(u - D), from the readings alone. The far point is clear
when F(u + D) - F(u) has fallen to the level. A strength that changes adds a memory term: c(u) = s(0) F(u) +
int s'(w) F(u - w) dw - s(D) F(u - D).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import isotonic_regression

from analysis.clearout.times import ClearOut, NotCarriedError, falling_crossing

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.clearout.times import FarShare

    Array = NDArray[np.float64]

FEWEST = 6
"""Readings that a rise needs, and that its top needs. [-] No source."""

MISSING_TAIL = 0.3
"""Largest part of the threshold that may still be missing from the rise when the run ends. [-] Beyond it
the answer would rest on a guess of the tail."""

TOP = 0.97
"""Share of its largest value above which the rise counts as at its top. [-] No source."""

LATE = 0.5
"""Part of the time before the run's end in which the top is looked for. [-] No source."""

TAIL_PER_DRIFT = 1.5
"""What a tail still brings, per what it brought between two thirds of the top. [-] Computed for tails that
fall with the second to third power of time, seen from two to three travel times."""

LEAST_TAIL = 0.001
"""What a tail may still bring when no drift is seen at the top. [-] Computed: a tenth of the water laminar
leaves 0.003 at three travel times, everything else less."""

FLAT = 0.002
"""Changes of strength within an injection below which it counts as constant. [-] No source."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer of the pipes to a step.

    Attributes
    ----------
    seconds : ndarray
        Even grid from the start of the injection. [s]
    rise : ndarray
        F on it, as it came out of the readings: noisy, and not scaled. [-]
    """

    seconds: Array
    rise: Array


def step_answer(far: FarShare) -> Answer:
    """Return the answer of the pipes to a step, by superposition of the readings.

    Parameters
    ----------
    far : FarShare
        What the far point saw.

    Returns
    -------
    Answer
        As noisy as the readings.

    Raises
    ------
    NotCarriedError
        If there are too few readings after the start of the injection.

    References
    ----------
    Danckwerts, P.V. (1953). Continuous flow systems. Chem. Eng. Sci. 2(1):1-13 (the F curve).

    Examples
    --------
    >>> from analysis.clearout.times import FarShare
    >>> t = np.arange(0.0, 100.0, 10.0)
    >>> step_answer(FarShare(t, np.where(t < 50, 1.0, 0.0), 50.0)).rise.tolist()
    [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0]
    """
    clock = far.seconds if far.passed is None else far.passed
    length = injection_passed(far)
    inside = clock >= 0
    if inside.sum() < FEWEST:
        msg = "too few readings at the far point after the injection began"
        raise NotCarriedError(msg)
    step = float(np.median(np.diff(far.seconds[inside])))
    grid = np.arange(0.0, float(clock[-1]) + 0.5 * step, step)
    rise = np.interp(grid, clock, far.share)
    if np.ptp(far.level) < FLAT:
        for i in range(int(np.searchsorted(grid, length)), grid.size):
            rise[i] += np.interp(grid[i] - length, grid[:i], rise[:i]) if grid[i] > length else rise[0]
        return Answer(grid, rise)
    return Answer(grid, _unwound(grid, rise, far.level, length))


def injection_passed(far: FarShare) -> float:
    """Return the injection's length on the clock that runs with the flow. [s]"""
    if far.passed is None:
        return far.injection_s
    return float(np.interp(far.injection_s, far.seconds, far.passed))


def _unwound(grid: Array, seen: Array, level: Array, length: float) -> Array:
    """Return F where the strength changed during the injection, its memory taken off step by step."""
    rise, area, step = np.zeros_like(seen), np.zeros_like(seen), float(grid[1] - grid[0])
    for i in range(grid.size):
        past = slice(0, max(i, 1))
        known = _memory(float(grid[i]), grid[past], rise[past], area[past], level, length)
        rise[i] = (seen[i] - known) / level[0]
        area[i] = area[i - 1] + 0.5 * step * (rise[i] + rise[i - 1]) if i else 0.0
    return rise


def _memory(u: float, grid: Array, rise: Array, area: Array, level: Array, length: float) -> float:
    """Return int s'(w) F(u - w) dw - s(D) F(u - D), from F up to now and its integral."""
    knots = np.linspace(0.0, length, level.size)
    slopes = np.diff(level) / np.diff(knots)
    back = np.interp(np.maximum(u - knots, 0.0), grid, area)
    if u > grid[-1]:
        back += np.where(u - knots > grid[-1], (u - knots - grid[-1]) * rise[-1], 0.0)
    gone = level[-1] * float(np.interp(u - length, grid, rise, left=0.0))
    return float(np.sum(slopes * (back[:-1] - back[1:])) - gone)


def superposed(far: FarShare, level: float) -> ClearOut:
    """Return the clear-out time from the rise.

    Parameters
    ----------
    far : FarShare
        What the far point saw.
    level : float
        Share of the step that counts as clear. [-]

    Returns
    -------
    ClearOut
        From the end of the injection to the level.

    Raises
    ------
    NotCarriedError
        If the rise did not come near enough to its top while water flowed.

    Examples
    --------
    >>> from analysis.clearout.times import FarShare
    >>> t = np.arange(0.0, 2000.0, 5.0)
    >>> share = np.clip(1.0 - np.exp(-t / 100.0), 0.0, 1.0)
    >>> round(superposed(FarShare(t, share, 2000.0, step_u=0.003), 0.05).seconds, -1)
    300.0
    """
    answer = step_answer(far)
    trend = isotonic_regression(answer.rise).x
    top, top_u = _top(answer, trend, far.step_u)
    missing = 1.0 - float(trend[-1]) / top
    if missing > MISSING_TAIL * level:
        msg = (
            f"plateau not reached: when the water stopped, {100 * missing:.2g} % of the rise at the far "
            f"point was still to come, too much to tell {100 * level:.3g} %"
        )
        raise NotCarriedError(msg)
    left = _left(answer.seconds, answer.rise / top, 1.0 - max(missing, 0.0), far)
    try:
        crossing = falling_crossing(answer.seconds, left, level)
    except ValueError as error:
        msg = f"plateau not reached: the rise at the far point does not tell {100 * level:.3g} % of it"
        raise NotCarriedError(msg) from error
    terms = {
        "noise": crossing.seconds_u,
        "step": top_u / crossing.slope,
        "base": far.base_u / crossing.slope,
        "flow": far.pace_u * crossing.seconds,
        "unseen tail": max(missing, 0.0) / crossing.slope / float(np.sqrt(12.0)),
    }
    curve = answer.seconds, isotonic_regression(left, increasing=False).x
    return ClearOut(crossing.seconds, "superposed", crossing.slope, terms, curve)


def _top(answer: Answer, trend: Array, step_u: float | None) -> tuple[float, float]:
    """Return what the rise leads to, and its relative standard uncertainty.

    Two witnesses: the step as known at the head (1, with `step_u`), and the rise's own top with what a
    tail may still bring. They are weighed by their uncertainties.
    """
    ways = [] if step_u is None else [(1.0, step_u)]
    late = answer.seconds >= LATE * answer.seconds[-1]
    top = np.flatnonzero(late & (trend > TOP * float(trend[-1])))
    if top.size >= FEWEST:
        thirds = [float(part.mean()) for part in np.array_split(answer.rise[top], 3)]
        scatter = float(np.std(answer.rise[top] - trend[top])) * float(np.sqrt(3.0 / top.size))
        drift = max(thirds[2] - thirds[1], 0.0)
        tail = TAIL_PER_DRIFT * drift + LEAST_TAIL
        ways.append((thirds[2] + tail, float(np.hypot(tail, scatter * np.hypot(1.0, TAIL_PER_DRIFT)))))
    if not ways:
        msg = "plateau not reached: the far point did not level off while water flowed"
        raise NotCarriedError(msg)
    weights = np.array([u**-2 for _, u in ways])
    return float(weights @ np.array([v for v, _ in ways]) / weights.sum()), float(weights.sum() ** -0.5)


def _left(grid: Array, rise: Array, last: float, far: FarShare) -> Array:
    """Return what is left at each time after the end of the injection, had the water run on. [-]

    Beyond the readings the rise is taken half way between its last value and its top.
    """
    length, beyond = injection_passed(far), (1.0 + last) / 2.0
    if np.ptp(far.level) < FLAT:
        return np.asarray(np.interp(grid + length, grid, rise, right=beyond) - rise)
    step = float(grid[1] - grid[0])
    longer = np.arange(0.0, grid[-1] + length + step, step)
    whole = np.interp(longer, grid, rise, right=beyond)
    area = np.concatenate(([0.0], np.cumsum(0.5 * step * (whole[1:] + whole[:-1]))))
    seen = [
        far.level[0] * float(np.interp(u + length, longer, whole))
        + _memory(float(u + length), longer, whole, area, far.level, length)
        for u in grid
    ]
    return np.asarray(seen)
