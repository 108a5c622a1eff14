"""Both ends of an injection from one slow cell: a first-order answer fitted to its two edges."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import least_squares

from analysis.injection.totals import seconds, usual_step

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.results import Interval

    Array = NDArray[np.float64]

SHARPEST = 0.5
"""Least standard uncertainty of an edge told by EC: the front is not a perfect step. [s] No source."""

FEWEST = 4
"""Readings around an edge that its fit needs. [-]"""

Edge = tuple[float, float]
"""An instant and its standard uncertainty. [s since 1970], [s]"""


def fit_edges(
    series: pd.Series, injection: Interval, lag: tuple[float, float], scatter: float
) -> tuple[Edge, Edge] | None:
    """Fit a first-order answer to both edges of a step, the response time common to both.

    Base and plateau are the medians of the readings just before and after each edge.
    """
    times, values = seconds(pd.DatetimeIndex(series.index)), series.to_numpy(float)
    step = usual_step(times)
    reach = 6.0 * lag[1] + 2.0 * step
    guesses = injection.start.timestamp(), injection.end.timestamp()
    if guesses[1] - guesses[0] < 2.0 * reach:
        return None
    parts = [_edge_part(times, values, guess, reach, step) for guess in guesses]
    if parts[0] is None or parts[1] is None:
        return None
    (t1, y1, a1, b1), (t2, y2, a2, b2) = parts[0], parts[1]
    middle = float(np.clip((lag[0] + lag[1]) / 2.0, 0.5, None))
    begin = np.array([_half(t1, y1) - 0.7 * middle, _half(t2, y2) - 0.7 * middle, middle])
    origin = begin[:2].copy()
    sigma = max(scatter, 1e-3 * abs(b1 - a1), 1e-9)

    def rest(p: Array) -> Array:
        one = a1 + (b1 - a1) * _answer(t1 - origin[0] - p[0], p[2]) - y1
        two = a2 + (b2 - a2) * _answer(t2 - origin[1] - p[1], p[2]) - y2
        return np.concatenate((one, two)) / sigma

    low = np.array([-2.0 * reach, -2.0 * reach, max(lag[0], 0.1)])
    high = np.array([2.0 * reach, 2.0 * reach, max(lag[1], 0.2)])
    best = least_squares(rest, np.array([0.0, 0.0, middle]), bounds=(low, high), x_scale=(1.0, 1.0, 1.0))
    return _fitted_edges(best.x, np.asarray(best.jac), float(2.0 * best.cost), origin, step)


def _fitted_edges(x: Array, jacobian: Array, chi2: float, origin: Array, step: float) -> tuple[Edge, Edge]:
    """Return the edges of a fit with uncertainties that grow where the fit is poor."""
    free = max(jacobian.shape[0] - x.size, 1)
    spread = np.linalg.pinv(jacobian.T @ jacobian) * max(chi2 / free, 1.0)
    u = np.minimum(np.sqrt(np.diag(spread)[:2]), step)
    u = np.hypot(u, SHARPEST)
    return (float(origin[0] + x[0]), float(u[0])), (float(origin[1] + x[1]), float(u[1]))


def _answer(after: Array, lag: float) -> Array:
    """Return a first-order answer to a unit step, `after` seconds later. [-]"""
    return np.asarray(np.where(after > 0, -np.expm1(-np.maximum(after, 0.0) / lag), 0.0))


def _edge_part(
    times: Array, values: Array, guess: float, reach: float, step: float
) -> tuple[Array, Array, float, float] | None:
    """Return readings around an edge, with the levels before and after it."""
    near = (times > guess - reach) & (times < guess + reach)
    before = (times > guess - 3.0 * reach) & (times < guess - reach + 2.0 * step)
    after = (times > guess + reach - 2.0 * step) & (times < guess + 3.0 * reach)
    if near.sum() < FEWEST or before.sum() < 2 or after.sum() < 2:  # noqa: PLR2004 - a level
        return None
    return times[near], values[near], float(np.median(values[before])), float(np.median(values[after]))


def _half(times: Array, values: Array) -> float:
    """Return when values first pass the middle between their ends. [s]"""
    middle = (values[0] + values[-1]) / 2.0
    passed = (values > middle) != (values[0] > middle)
    return float(times[int(np.argmax(passed))]) if passed.any() else float(times.mean())
