"""How many runs it takes to show a dose equivalent within x %."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from scipy import stats
from scipy.integrate import quad

from analysis.equivalence.tests import ALPHA

if TYPE_CHECKING:
    from collections.abc import Callable

POWER = 0.80
"""Chance of showing equivalence where there is no difference. [-] Usual in experiment planning."""

MOST_RUNS = 100_000
"""More runs are not planned."""


class NeverEnoughError(ValueError):
    """Raised when no number of runs can show what is asked, because a shared error alone exceeds the bound."""


def runs_needed(
    sd: float,
    *,
    within: float,
    groups: Literal[1, 2] = 2,
    difference: float = 0.0,
    shared_sd: float = 0.0,
    alpha: float = ALPHA,
    power: float = POWER,
) -> int:
    """Return how many runs, of each treatment, show a dose equivalent within x %.

    Parameters
    ----------
    sd : float
        Relative standard deviation from run to run. [-]
    within : float
        Largest ratio that still counts as the same, minus 1. [-]
    groups : {1, 2}
        2 for two treatments, 1 for a treatment against its target.
    difference : float
        True relative difference that must still be shown to be within. [-]
    shared_sd : float
        Relative standard uncertainty that all runs share; 0 for two treatments through the same meters. [-]
    alpha, power : float
        Size of each one-sided test; chance of showing it. [-]

    Returns
    -------
    int
        Runs of each treatment, at least 2.

    Raises
    ------
    NeverEnoughError
        If the shared uncertainty or the difference leaves no room within the bound.

    References
    ----------
    Exact power of two one-sided tests: Phillips, J. Pharmacokinet. Biopharm. 18 (1990) 137.

    Examples
    --------
    >>> runs_needed(0.03, within=0.05)
    8
    """
    bound, shift = math.log1p(within), math.log1p(difference)
    if shared_sd > 0.0:
        bound -= float(stats.norm.ppf(1.0 - alpha)) * shared_sd
    if abs(shift) >= bound:
        msg = (
            f"a shared uncertainty of {shared_sd:.1%} and a difference of {difference:.1%} leave nothing of "
            f"the bound of {within:.1%}: no number of runs is enough; better meters or a wider bound are"
        )
        raise NeverEnoughError(msg)
    found = _least(
        lambda runs: tost_power(runs, sd, bound=bound, shift=shift, groups=groups, alpha=alpha) >= power
    )
    if found is None:
        msg = f"more than {MOST_RUNS} runs would be needed"
        raise NeverEnoughError(msg)
    return found


def tost_power(
    runs: int, sd: float, *, bound: float, shift: float = 0.0, groups: int = 2, alpha: float = ALPHA
) -> float:
    """Return the chance that two one-sided tests show equivalence.

    Parameters
    ----------
    runs : int
        Runs of each group, at least 2.
    sd : float
        Standard deviation of single runs; as `bound`.
    bound, shift : float
        Bound of equivalence either way, and the true difference. On the log scale.
    groups : int
        2 for two treatments, 1 for one against its target.
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    float
        Power, by integrating over the distribution of the estimated standard deviation. [-]

    References
    ----------
    Phillips (1990), as `runs_needed`: normal difference given the estimated standard deviation.

    Examples
    --------
    >>> 0.79 < tost_power(8, 0.03, bound=math.log(1.05)) < 0.95
    True
    """
    degrees = groups * (runs - 1)
    error = sd * math.sqrt(groups / runs)
    quantile = float(stats.t.ppf(1.0 - alpha, degrees))
    widest = bound / (quantile * error)  # a larger estimated standard deviation cannot show equivalence

    def shown(share: float) -> float:
        room = (bound - quantile * error * share) / error
        return float(
            (stats.norm.cdf(room - shift / error) - stats.norm.cdf(-room - shift / error))
            * stats.chi.pdf(share * math.sqrt(degrees), degrees)
            * math.sqrt(degrees)
        )

    spread = 8.0 / math.sqrt(2.0 * degrees)
    top = min(widest, 1.0 + spread)
    bottom = max(0.0, 1.0 - spread)
    return float(quad(shown, min(bottom, top), top, limit=200)[0])


def runs_to_settle(
    difference: float,
    sd: float,
    *,
    within: float,
    groups: Literal[1, 2] = 1,
    shared_sd: float = 0.0,
    alpha: float = ALPHA,
    power: float = POWER,
) -> int:
    """Return how many runs settle a comparison either way, where the difference is what was seen so far.

    Parameters
    ----------
    difference : float
        Logarithm of the ratio that was seen. [-]
    sd : float
        Relative standard deviation from run to run. [-]
    within : float
        Largest ratio that still counts as the same, minus 1. [-]
    groups : {1, 2}
        2 for two treatments, 1 for a treatment against its target.
    shared_sd : float
        Relative standard uncertainty that all runs share. [-]
    alpha, power : float
        Size of each one-sided test; chance of a verdict. [-]

    Returns
    -------
    int
        Runs of each treatment, at least 2: the fewer of those that show it equivalent and those that show it
        different.

    Raises
    ------
    NeverEnoughError
        If what all runs share leaves room for neither verdict.

    References
    ----------
    Equivalent: `runs_needed`. Different: the t-test's power by its normal approximation, with the t quantile of
    the runs planned; held to simulation by a test.

    Examples
    --------
    >>> runs_to_settle(0.0, 0.03, within=0.05), runs_to_settle(0.2, 0.03, within=0.05)
    (5, 3)
    """
    try:
        same: int | None = runs_needed(
            sd,
            within=within,
            groups=groups,
            difference=math.expm1(abs(difference)),
            shared_sd=shared_sd,
            alpha=alpha,
            power=power,
        )
    except NeverEnoughError:
        same = None
    chance = float(stats.norm.ppf(power))

    def shown(runs: int) -> bool:
        error = sd * math.sqrt(groups / runs)
        quantile = float(stats.t.ppf(1.0 - alpha / 2.0, groups * (runs - 1)))
        return abs(difference) >= quantile * math.hypot(error, shared_sd) + chance * error

    other = _least(shown)
    found = [runs for runs in (same, other) if runs is not None]
    if not found:
        msg = (
            f"a difference of {math.expm1(difference):+.1%} and a shared uncertainty of {shared_sd:.1%} against a "
            f"bound of {within:.1%}: no number of runs is enough; better meters or a wider bound are"
        )
        raise NeverEnoughError(msg)
    return min(found)


def _least(shown: Callable[[int], bool]) -> int | None:
    """Return the least number of runs, from 2 on, for which something holds that more runs only help."""
    low, high = 1, 2
    while not shown(high):
        low, high = high, high * 2
        if high > MOST_RUNS:
            return None
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if shown(middle) else (middle, high)
    return high
