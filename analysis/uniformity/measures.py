"""How evenly a zone waters: the measures of a catch test, and the limits of confidence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    Array = NDArray[np.float64]

FEWEST = 4
"""Catches that a lowest quarter needs. [-]"""

ENOUGH = 18
"""Catches that a test should have. [-] Bralts and Kesner, as in UF/IFAS AE193."""

LEVEL = 0.95
"""Coverage of the confidence limits. [-]"""

EXTREME_SIXTH = 1.4988
"""Mean distance of the highest or lowest sixth of a normal population from its mean. [standard deviations]
Computed: density of the normal law at its fifth sixth, divided by 1/6."""


def checked(flows: ArrayLike) -> Array:
    """Return flows as an array, or say why they are no catch test.

    Raises
    ------
    ValueError
        If there are too few, or one is negative or no number.
    """
    values = np.asarray(flows, float)
    if values.ndim != 1 or values.size < FEWEST:
        msg = f"{values.size} catches; at least {FEWEST} are needed, and {ENOUGH} should be taken"
        raise ValueError(msg)
    if not np.all(np.isfinite(values)) or np.any(values < 0) or values.sum() <= 0:
        msg = "catches must be numbers that are not negative, not all zero"
        raise ValueError(msg)
    return values


def _mean_of_extreme(values: Array, share: float) -> float:
    """Return the mean of the lowest share of sorted values; the last one counts in part where it must."""
    wanted = share * values.size
    whole = int(wanted)
    weights = np.zeros(values.size)
    weights[:whole] = 1.0
    if whole < values.size:
        weights[whole] = wanted - whole
    return float(weights @ values / wanted)


def low_quarter(flows: ArrayLike) -> float:
    """Return the distribution uniformity of the low quarter. [%]

    Parameters
    ----------
    flows : array_like
        Catches or flows of emitters, not negative; shape (n,). [any]

    Returns
    -------
    float
        100 times mean of the lowest quarter over the mean; where n is no multiple of 4, the emitter on the
        border counts in part. [%]

    Raises
    ------
    ValueError
        If there are too few catches, or one is negative.

    References
    ----------
    Burt, C.M. et al. (1997). Irrigation performance measures. J. Irrig. Drain. Eng. 123(6):423-442 (from memory).

    Examples
    --------
    >>> low_quarter([1.0, 2.0, 2.0, 3.0])
    50.0
    """
    values = checked(flows)
    return 100.0 * _mean_of_extreme(np.sort(values), 0.25) / float(values.mean())


def christiansen(flows: ArrayLike) -> float:
    """Return Christiansen's uniformity coefficient. [%]

    Parameters
    ----------
    flows : array_like
        As for `low_quarter`.

    Returns
    -------
    float
        100 (1 - mean absolute deviation / mean). [%]

    References
    ----------
    Christiansen, J.E. (1942). Irrigation by sprinkling. Univ. California Bulletin 670 (from memory).

    Examples
    --------
    >>> christiansen([1.0, 2.0, 2.0, 3.0])
    75.0
    """
    values = checked(flows)
    return float(100.0 * (1.0 - np.mean(np.abs(values - values.mean())) / values.mean()))


def variation(flows: ArrayLike, *, divisor: str = "n - 1") -> float:
    """Return the coefficient of variation. [-]

    Parameters
    ----------
    flows : array_like
        As for `low_quarter`.
    divisor : {"n - 1", "n"}
        Of the variance.

    Returns
    -------
    float
        Standard deviation over mean. [-]

    Examples
    --------
    >>> round(variation([1.0, 2.0, 2.0, 3.0]), 4)
    0.4082
    """
    values = checked(flows)
    return float(np.std(values, ddof=1 if divisor == "n - 1" else 0) / values.mean())


def statistical_uniformity(flows: ArrayLike) -> float:
    """Return the statistical uniformity Us. [%]

    Parameters
    ----------
    flows : array_like
        As for `low_quarter`.

    Returns
    -------
    float
        100 (1 - CV), divisor n - 1. [%]

    References
    ----------
    Bralts, V.F., Kesner, C.D. (1983). Drip irrigation field uniformity estimation. Trans. ASAE
    26(5):1369-1374 (from memory).

    Examples
    --------
    >>> round(statistical_uniformity([1.0, 2.0, 2.0, 3.0]), 2)
    59.18
    """
    return 100.0 * (1.0 - variation(flows))


def variation_limits(cv: float, count: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Return confidence limits of a coefficient of variation. [-]

    Parameters
    ----------
    cv : float
        Coefficient of variation of the sample. [-]
    count : int
        Size of the sample.
    level : float
        Coverage. [-]

    Returns
    -------
    low, high : float
        Limits; the high one infinite where the sample is too small for one. [-]

    References
    ----------
    Vangel, M.G. (1996). Confidence intervals for a normal coefficient of variation. The American
    Statistician 50(1):21-26, modified McKay interval (from memory).

    Notes
    -----
    For normal populations with a coefficient of variation up to about 0.33.

    Examples
    --------
    >>> [round(limit, 3) for limit in variation_limits(0.12, 16)]
    [0.088, 0.187]
    """
    freedom = count - 1
    low_u = stats.chi2.ppf((1 + level) / 2, freedom)
    high_u = stats.chi2.ppf((1 - level) / 2, freedom)

    def bound(u: float) -> float:
        inner = ((u + 2.0) / count - 1.0) * cv**2 + u / freedom
        return float(cv / np.sqrt(inner)) if inner > 0 else float("inf")

    return bound(float(low_u)), bound(float(high_u))


def absolute_emission_uniformity(flows: ArrayLike) -> float:
    """Return the absolute emission uniformity, which counts over-watering too. [%]

    Parameters
    ----------
    flows : array_like
        As for `low_quarter`.

    Returns
    -------
    float
        50 (low quarter / mean + mean / high eighth). [%]

    References
    ----------
    Keller, J., Karmeli, D. (1975). Trickle irrigation design. Rain Bird, Glendora (from memory).

    Examples
    --------
    >>> absolute_emission_uniformity([2.0, 2.0, 2.0, 2.0])
    100.0
    """
    values = np.sort(checked(flows))
    mean, high = float(values.mean()), _mean_of_extreme(values[::-1], 0.125)
    return 50.0 * (_mean_of_extreme(values, 0.25) / mean + mean / high)


def from_fill_times(seconds: ArrayLike) -> float:
    """Return the statistical uniformity by the quick test: fill times of one cup, extremes only. [%]

    Parameters
    ----------
    seconds : array_like
        Times to fill the same volume; 18 or more. [s]

    Returns
    -------
    float
        Us from the sums of the highest and the lowest sixth. [%]

    References
    ----------
    Bralts and Kesner (1983), the nomograph's method as told in UF/IFAS AE193; the factor is computed for a
    normal population.

    Examples
    --------
    >>> round(from_fill_times([60.0] * 18), 1)
    100.0
    """
    times = np.sort(checked(seconds))
    low, high = _mean_of_extreme(times, 1.0 / 6.0), _mean_of_extreme(times[::-1], 1.0 / 6.0)
    return float(100.0 * (1.0 - (high - low) / (high + low) / EXTREME_SIXTH))
