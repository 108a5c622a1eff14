"""The clear-out time from a fitted residence-time curve, only where the curve passes a test of fit.

Used where neither the fall nor the whole rise was seen. A family of curves that is not the pipes' own can
follow the seen part and be far off in the unseen tail; so every family must pass the test, those that pass
must agree, and what they differ by stands in the interval.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats
from scipy.optimize import least_squares

from analysis.clearout.superpose import FLAT, injection_passed
from analysis.clearout.times import ClearOut, NotCarriedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from analysis.clearout.times import FarShare

    Array = NDArray[np.float64]

FEWEST = 20
"""Readings after the start of the injection that a fit needs. [-] No source."""

LEAST_RISE = 0.5
"""Share of the step that the far point must have reached. [-] Below it the mean travel time itself is a guess."""

DOUBT = 0.01
"""Chance at which a family that is right fails the test of fit. [-] Common practice, no source."""

LATE = 0.2
"""Last part of the readings whose mean must be met: it is nearest to the tail. [-] No source."""

LATE_MISS = 0.005
"""Largest mean miss over that part. [-] A tenth of the usual threshold; no source."""

LARGEST_SPREAD = 0.05
"""Largest relative difference of the clear-out times of the families that pass. [-] No source."""

BANDS = 12
"""Bands in which residuals are averaged for the test, so that single readings' noise does not hide a
misfit of the whole. [-] No source."""


def _inverse_gaussian(t: Array, mean: float, spread: float) -> Array:
    return np.asarray(stats.invgauss.cdf(t, spread**2, scale=mean / spread**2))


def _gamma(t: Array, mean: float, spread: float) -> Array:
    return np.asarray(stats.gamma.cdf(t, spread**-2, scale=mean * spread**2))


def _lognormal(t: Array, mean: float, spread: float) -> Array:
    width = np.sqrt(np.log1p(spread**2))
    return np.asarray(stats.lognorm.cdf(t, width, scale=mean * np.exp(-(width**2) / 2.0)))


CURVE_STEP = 40
"""Every so many points of a fitted curve are kept, to be drawn: 500 to five travel times. [-]"""

FAMILIES: dict[str, Callable[[Array, float, float], Array]] = {
    "inverse Gaussian": _inverse_gaussian,
    "gamma": _gamma,
    "lognormal": _lognormal,
}
"""Families of residence-time curves, by mean [s] and relative standard deviation [-]."""


def fitted(far: FarShare, level: float, *, noise: float) -> ClearOut:
    """Return the clear-out time from the families of curves that fit.

    Parameters
    ----------
    far : FarShare
        What the far point saw; its step must be known at the head.
    level : float
        Share of the step that counts as clear. [-]
    noise : float
        Standard deviation of single readings, as a share of the step. [-]

    Returns
    -------
    ClearOut
        From the end of the injection.

    Raises
    ------
    NotCarriedError
        If too little was seen, no family fits, or those that fit disagree.

    References
    ----------
    Levenspiel, O., Chemical Reaction Engineering, 3rd ed., ch. 13 (dispersion), 14 (tanks in series).
    """
    clock = far.seconds if far.passed is None else far.passed
    seen = clock > 0
    if far.step_u is None or np.ptp(far.level) >= FLAT or seen.sum() < FEWEST:
        msg = "plateau not reached, and no cell at the head tells the step that the far point would reach"
        raise NotCarriedError(msg)
    if float(far.share[seen].max()) < LEAST_RISE:
        msg = "plateau not reached: the far point had not risen half way when the water stopped"
        raise NotCarriedError(msg)
    length = injection_passed(far)
    passing = {
        name: one
        for name, family in FAMILIES.items()
        if (one := _fit(family, clock[seen], far.share[seen], length, level, noise)) is not None
    }
    if not passing:
        msg = "plateau not reached, and no residence-time curve follows the far point closely enough"
        raise NotCarriedError(msg)
    answers = np.array([seconds for seconds, _, _ in passing.values()])
    middle = float(answers.mean())
    if np.ptp(answers) > LARGEST_SPREAD * middle:
        msg = "plateau not reached, and the residence-time curves that fit disagree on the tail"
        raise NotCarriedError(msg)
    slope = float(np.mean([s for _, s, _ in passing.values()]))
    terms = {
        "choice of curve": LARGEST_SPREAD * middle / float(np.sqrt(12.0)),
        "step": far.step_u / slope,
        "base": far.base_u / slope,
        "flow": far.pace_u * middle,
    }
    curve = next(iter(passing.values()))[2]
    return ClearOut(middle, "fitted " + " and ".join(passing), slope, terms, curve)


def _fit(
    family: Callable[[Array, float, float], Array],
    t: Array,
    share: Array,
    length: float,
    level: float,
    noise: float,
) -> tuple[float, float, tuple[Array, Array]] | None:
    """Return when a fitted family is clear, how steeply it falls there, and its curve; None where it does not fit."""

    def model(p: Array) -> Array:
        mean, spread = float(np.exp(p[0])), float(np.exp(p[1]))
        return family(t, mean, spread) - family(t - length, mean, spread)

    middle = float(t[int(np.argmax(share > 0.5 * share.max()))])
    start = np.log([max(middle, 1.0), 0.1])

    def miss(p: Array) -> Array:
        return model(p) - share

    best = least_squares(miss, start, loss="soft_l1", f_scale=max(3.0 * noise, 1e-3))
    rest = share - model(best.x)
    if not _fits(rest, noise):
        return None
    mean, spread = float(np.exp(best.x[0])), float(np.exp(best.x[1]))
    grid = np.linspace(0.0, 5.0 * mean, 20001)
    left = family(grid + length, mean, spread) - family(grid, mean, spread)
    above = int(np.flatnonzero(left > level)[-1])
    slope = float((left[above] - left[above + 1]) / (grid[1] - grid[0]))
    return float(grid[above]), slope, (grid[::CURVE_STEP], left[::CURVE_STEP])


def _fits(rest: Array, noise: float) -> bool:
    """Return True where banded residuals are no larger than noise makes them, and the late ones are small."""
    bands = np.array_split(rest, min(BANDS, max(rest.size // 4, 2)))
    sigma = max(noise, 1e-4)
    chi2 = sum(float(band.mean()) ** 2 * band.size / sigma**2 for band in bands)
    late = float(np.mean(rest[-max(int(LATE * rest.size), 1) :]))
    limit = float(stats.chi2.ppf(1.0 - DOUBT, max(len(bands) - 2, 1)))
    return chi2 < limit and abs(late) < LATE_MISS
