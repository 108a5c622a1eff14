"""Trends and changes in a series of numbers: rank test, robust slope, control charts.

Everything here works on plain arrays in time order and knows nothing of irrigation.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.stats import kendalltau, norm, theilslopes

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

EXACT_UP_TO = 10
"""Number of values up to which the exact distribution is used where there are no ties. [-] Gilbert (1987)."""


@dataclass(frozen=True, slots=True)
class MannKendall:
    """Result of a Mann-Kendall test.

    Attributes
    ----------
    s : int
        Pairs that rise minus pairs that fall.
    variance : float
        Variance of `s` without trend, ties allowed for.
    z : float
        Standardised `s`, continuity corrected.
    p : float
        Two-sided probability of as much without trend.
    """

    s: int
    variance: float
    z: float
    p: float


def mann_kendall(values: ArrayLike) -> MannKendall:
    """Test for a monotone trend by ranks.

    Parameters
    ----------
    values : array_like
        Equally or unequally spaced values in time order; NaN is left out.

    Returns
    -------
    MannKendall
        With an exact probability up to `EXACT_UP_TO` values without ties, else by the normal law.

    Raises
    ------
    ValueError
        If there are fewer than three values.

    References
    ----------
    US EPA QA/G-9S (EPA/240/B-06/003, 2006), section 4.3.4; Gilbert (1987), chapter 16.

    Examples
    --------
    >>> test = mann_kendall([10, 10, 10, 5, 10, 20, 18, 17, 15, 24, 15])
    >>> test.s, round(test.variance, 2), round(test.z, 3)
    (22, 155.33, 1.685)
    """
    x = np.asarray(values, dtype=float)
    x = x[np.isfinite(x)]
    n = x.size
    if n < 3:  # noqa: PLR2004 - two values have no trend to test
        msg = f"expected at least 3 values, got {n}"
        raise ValueError(msg)
    signs = np.sign(x[None, :] - x[:, None])
    s = int(np.triu(signs, 1).sum())
    _, ties = np.unique(x, return_counts=True)
    variance = (n * (n - 1) * (2 * n + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())) / 18.0
    z = 0.0 if s == 0 or variance == 0 else (s - np.sign(s)) / np.sqrt(variance)
    if n <= EXACT_UP_TO and ties.max() == 1:
        p = float(kendalltau(np.arange(n), x, method="exact").pvalue)
    else:
        p = float(2.0 * norm.sf(abs(z)))
    return MannKendall(s, float(variance), float(z), p)


def theil_sen(values: ArrayLike, times: ArrayLike | None = None) -> tuple[float, float, float, float]:
    """Return the median of all pairwise slopes.

    Parameters
    ----------
    values : array_like
        Values; NaN is left out.
    times : array_like, optional
        Their times; 0, 1, 2, ... where left out.

    Returns
    -------
    tuple of float
        Slope, its 95 % interval's ends, and the intercept: median value minus slope times median time.

    References
    ----------
    Sen (1968), J. Am. Stat. Assoc. 63:1379; Gilbert (1987), pp. 217-218.

    Examples
    --------
    >>> slope, low, high, intercept = theil_sen([1, 2, 3, 4, 5, 16, 7], [1, 2, 3, 4, 5, 6, 7])
    >>> slope, intercept
    (1.0, 0.0)
    """
    y = np.asarray(values, dtype=float)
    t = np.arange(y.size, dtype=float) if times is None else np.asarray(times, dtype=float)
    keep = np.isfinite(y) & np.isfinite(t)
    fit = theilslopes(y[keep], t[keep], alpha=0.95)
    return float(fit.slope), float(fit.low_slope), float(fit.high_slope), float(fit.intercept)


def cusum(values: ArrayLike, *, target: float, slack: float) -> tuple[Array, Array]:
    """Return the upper and lower tabular cumulative sums.

    Parameters
    ----------
    values : array_like
        Values in time order.
    target : float
        Value when all is well. [as `values`]
    slack : float
        Deviation that is not counted, usually half the shift that matters. [as `values`]

    Returns
    -------
    tuple of ndarray
        Sums of what exceeds the target by more than the slack, upwards and downwards; both positive.

    References
    ----------
    Page (1954), Biometrika 41:100; NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3.

    Examples
    --------
    >>> up, down = cusum([102.0, 94.8, 98.3], target=99.0, slack=1.0)
    >>> up.round(1).tolist(), down.round(1).tolist()
    ([2.0, 0.0, 0.0], [0.0, 3.2, 2.9])
    """
    x = np.asarray(values, dtype=float) - target
    up, down = np.zeros(x.size), np.zeros(x.size)
    high = low = 0.0
    for i, deviation in enumerate(x):
        high = max(0.0, high + deviation - slack)
        low = max(0.0, low - deviation - slack)
        up[i], down[i] = high, low
    return up, down


def ewma(values: ArrayLike, *, weight: float, start: float = 0.0) -> Array:
    """Return the exponentially weighted moving average.

    Parameters
    ----------
    values : array_like
        Values in time order.
    weight : float
        Weight of the newest value, above 0 and up to 1. [-]
    start : float
        Average before the first value. [as `values`]

    Returns
    -------
    ndarray
        One average a value.

    References
    ----------
    Roberts (1959), Technometrics 1:239; NIST/SEMATECH e-Handbook, 6.3.2.4.

    Examples
    --------
    >>> ewma([1.0, 1.0], weight=0.5).tolist()
    [0.5, 0.75]
    """
    out = np.empty(np.size(values))
    level = start
    for i, value in enumerate(np.asarray(values, dtype=float)):
        level += weight * (value - level)
        out[i] = level
    return out
