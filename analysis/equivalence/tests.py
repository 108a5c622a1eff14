"""Are two treatments, or a treatment and its target, the same dose within x %? The test."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from collections.abc import Sequence

ALPHA = 0.05
"""Chance of calling a difference at the bound equivalent. [-] Usual in equivalence testing."""

Verdict = Literal["equivalent", "different", "undecided"]


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests of a difference against bounds.

    Attributes
    ----------
    verdict : {"equivalent", "different", "undecided"}
        Equivalent where the interval of level 1 - 2 alpha lies within the bounds; different where the one of
        level 1 - alpha excludes zero; undecided otherwise. Both at once (a difference that is there and too
        small to matter) is equivalent.
    difference, standard_error : float
        As the values.
    degrees : float
        Degrees of freedom. [-]
    t_lower, t_upper : float
        Test statistics against the lower and the upper bound. [-]
    p : float
        The larger of the two one-sided p-values. [-]
    low, high : float
        Interval of level 1 - 2 alpha. As the values.
    """

    verdict: Verdict
    difference: float
    standard_error: float
    degrees: float
    t_lower: float
    t_upper: float
    p: float
    low: float
    high: float


def tost(
    difference: float,
    standard_error: float,
    degrees: float,
    *,
    lower: float,
    upper: float,
    alpha: float = ALPHA,
) -> Equivalence:
    """Test a difference against two bounds.

    Parameters
    ----------
    difference, standard_error : float
        Estimated difference and its standard error.
    degrees : float
        Degrees of freedom of the standard error; infinite where it is known. [-]
    lower, upper : float
        Bounds of equivalence, lower below upper.
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    Equivalence
        Verdict and what it rests on.

    Raises
    ------
    ValueError
        If the bounds are not in order or the standard error is not above zero.

    References
    ----------
    Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657, doi:10.1007/BF01068419.

    Examples
    --------
    >>> result = tost(0.03, 0.131882, 182, lower=-0.429116, upper=0.429116)
    >>> round(result.t_lower, 3), round(result.t_upper, 3), result.verdict
    (3.481, -3.026, 'equivalent')
    """
    if not lower < upper:
        msg = f"the lower bound {lower} is not below the upper bound {upper}"
        raise ValueError(msg)
    if not standard_error > 0:
        msg = f"the standard error must be above 0, not {standard_error}"
        raise ValueError(msg)
    t_lower, t_upper = ((difference - bound) / standard_error for bound in (lower, upper))
    p = max(float(stats.t.sf(t_lower, degrees)), float(stats.t.cdf(t_upper, degrees)))
    half = float(stats.t.ppf(1.0 - alpha, degrees)) * standard_error
    differs = abs(difference) > float(stats.t.ppf(1.0 - alpha / 2.0, degrees)) * standard_error
    verdict: Verdict = "equivalent" if p < alpha else "different" if differs else "undecided"
    return Equivalence(
        verdict,
        difference,
        standard_error,
        degrees,
        t_lower,
        t_upper,
        p,
        difference - half,
        difference + half,
    )


def tost_from_summaries(
    one: tuple[float, float, int], other: tuple[float, float, int], *, bound: float, alpha: float = ALPHA
) -> Equivalence:
    """Test two groups given by mean, standard deviation and number, equal variances.

    Parameters
    ----------
    one, other : tuple of float, float, int
        Mean, standard deviation, number of values.
    bound : float
        Bound of equivalence in pooled standard deviations (Cohen's d), both ways. [-]
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    Equivalence
        Verdict and what it rests on.

    References
    ----------
    Lakens, Soc. Psychol. Personal. Sci. 8 (2017) 355, doi:10.1177/1948550617697177.

    Examples
    --------
    >>> round(tost_from_summaries((5.25, 0.95, 95), (5.22, 0.83, 89), bound=0.48).p, 5)
    0.00142
    """
    (m1, s1, n1), (m2, s2, n2) = one, other
    degrees = n1 + n2 - 2
    pooled = math.sqrt(((n1 - 1) * s1**2 + (n2 - 1) * s2**2) / degrees)
    error = pooled * math.sqrt(1.0 / n1 + 1.0 / n2)
    return tost(m1 - m2, error, degrees, lower=-bound * pooled, upper=bound * pooled, alpha=alpha)


def same_dose(
    doses: Sequence[float], others: Sequence[float], *, within: float, alpha: float = ALPHA
) -> Equivalence:
    """Test whether two treatments got the same mean dose, as a ratio.

    Parameters
    ----------
    doses, others : sequence of float
        One dose a run of each treatment, above 0, at least two each; the same meters for both, so that
        their gains cancel.
    within : float
        Largest ratio that still counts as the same, minus 1: 0.05 means 1/1.05 to 1.05. [-]
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    Equivalence
        Of the logarithms: exp of difference, low and high is the ratio of the geometric means.

    Raises
    ------
    ValueError
        If a treatment has fewer than two doses, a dose is not above 0, or all doses of both are alike.

    Notes
    -----
    Welch's form: the treatments may scatter differently. Runs must be independent of each other.

    References
    ----------
    Schuirmann (1987), as `tost`; ratio of means on the log scale: Chow and Liu, Design and Analysis of
    Bioavailability and Bioequivalence Studies, 3rd ed. (2008), ch. 4; degrees of freedom Welch, Biometrika 34
    (1947) 28.

    Examples
    --------
    >>> same_dose([1.00, 1.01, 0.99, 1.00], [1.01, 1.00, 1.02, 1.01], within=0.05).verdict
    'equivalent'
    """
    logs = [_logs(doses), _logs(others)]
    means, variances = ([float(f(x)) for x in logs] for f in (np.mean, _variance_of_mean))
    total = sum(variances)
    if total == 0:
        msg = "all doses are alike to the last digit, so their scatter is not known"
        raise ValueError(msg)
    degrees = total**2 / sum(v**2 / (len(x) - 1) for v, x in zip(variances, logs, strict=True))
    bound = math.log1p(within)
    return tost(means[0] - means[1], math.sqrt(total), degrees, lower=-bound, upper=bound, alpha=alpha)


def on_target(
    doses: Sequence[float], target: float, *, within: float, shared_sd: float = 0.0, alpha: float = ALPHA
) -> Equivalence:
    """Test whether a treatment got its target dose.

    Parameters
    ----------
    doses : sequence of float
        One dose a run, above 0, at least two.
    target : float
        The dose wanted, above 0.
    within : float
        Largest ratio to the target that still counts as on it, minus 1. [-]
    shared_sd : float
        Relative standard uncertainty that all runs share: meter gains, stock strength. It does not average
        away. [-]
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    Equivalence
        Of the logarithm of dose over target.

    Raises
    ------
    ValueError
        As `same_dose`.

    References
    ----------
    As `same_dose`; effective degrees of freedom: GUM (JCGM 100:2008) eq. G.2b.

    Examples
    --------
    >>> on_target([1.00, 1.01, 0.99, 1.00], 1.0, within=0.05).verdict
    'equivalent'
    >>> on_target([1.00, 1.01, 0.99, 1.00], 1.0, within=0.05, shared_sd=0.04).verdict
    'undecided'
    """
    logs = _logs(doses)
    own, shared = _variance_of_mean(logs), shared_sd**2
    if own + shared == 0:
        msg = "all doses are alike to the last digit, so their scatter is not known"
        raise ValueError(msg)
    degrees = math.inf if own == 0 else (own + shared) ** 2 / (own**2 / (len(logs) - 1))
    bound = math.log1p(within)
    difference = float(np.mean(logs)) - math.log(target)
    return tost(difference, math.sqrt(own + shared), degrees, lower=-bound, upper=bound, alpha=alpha)


def _logs(doses: Sequence[float]) -> np.ndarray:
    """Return the logarithms of doses, checked."""
    values = np.asarray(doses, float)
    if len(values) < 2:  # noqa: PLR2004 - scatter takes two
        msg = f"a treatment needs at least two runs, not {len(values)}"
        raise ValueError(msg)
    if not (values > 0).all():
        msg = "every dose must be above 0"
        raise ValueError(msg)
    return np.asarray(np.log(values))


def _variance_of_mean(logs: np.ndarray) -> float:
    """Return the variance of a mean."""
    return float(np.var(logs, ddof=1) / len(logs))
