"""A catch test as a whole: every measure, what makes a zone uneven, and what changed since the last test."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, stats

from analysis.hydraulics.emitters import at_reference_pressure
from analysis.uniformity.classes import eu_class, us_class
from analysis.uniformity.measures import (
    ENOUGH,
    LEVEL,
    absolute_emission_uniformity,
    checked,
    christiansen,
    low_quarter,
    variation,
    variation_limits,
)

if TYPE_CHECKING:
    from numpy.typing import ArrayLike


@dataclass(frozen=True, slots=True)
class Uniformity:
    """The measures of one catch test.

    Attributes
    ----------
    count : int
        Catches.
    mean : float
        Mean flow. [as given]
    low_quarter : float
        DU_lq: mean of the lowest quarter over the mean. [%]
    christiansen : float
        CU. [%]
    variation : float
        Coefficient of variation, divisor n - 1. [-]
    statistical : float
        Us = 100 (1 - CV). [%]
    statistical_limits : tuple of float
        Its 95 % confidence limits. [%]
    absolute_emission : float
        Absolute emission uniformity. [%]
    us_class, eu_class : str
        Classes of Us, and of DU_lq taken as emission uniformity.
    missed : float
        Largest share of plugged emitters that a test of this size misses once in twenty. [-]
    warning : str or None
        Why the sample is too small, where it is.
    """

    count: int
    mean: float
    low_quarter: float
    christiansen: float
    variation: float
    statistical: float
    statistical_limits: tuple[float, float]
    absolute_emission: float
    us_class: str
    eu_class: str
    missed: float
    warning: str | None


def uniformity(flows: ArrayLike) -> Uniformity:
    """Return every measure of a catch test.

    Parameters
    ----------
    flows : array_like
        Catches or flows of emitters, not negative; shape (n,). [any]

    Returns
    -------
    Uniformity
        Measures, limits, classes, and a warning where the sample is too small.

    Raises
    ------
    ValueError
        If there are too few catches, or one is negative.

    References
    ----------
    Small random samples miss plugged emitters: Camp, C.R., Sadler, E.J., Busscher, W.J. (1997). Trans. ASAE.

    Examples
    --------
    >>> uniformity([2.0] * 20).us_class
    'excellent'
    """
    values = checked(flows)
    cv, lowest = variation(values), low_quarter(values)
    low, high = variation_limits(cv, values.size)
    missed = 1.0 - (1.0 - LEVEL) ** (1.0 / values.size)
    return Uniformity(
        count=values.size,
        mean=float(values.mean()),
        low_quarter=lowest,
        christiansen=christiansen(values),
        variation=cv,
        statistical=100.0 * (1.0 - cv),
        statistical_limits=(100.0 * (1.0 - high), 100.0 * (1.0 - low)),
        absolute_emission=absolute_emission_uniformity(values),
        us_class=us_class(100.0 * (1.0 - cv)),
        eu_class=eu_class(lowest),
        missed=missed,
        warning=_warning(values.size, missed),
    )


def _warning(count: int, missed: float) -> str | None:
    """Return why a sample is too small, or None."""
    if count >= ENOUGH:
        return None
    return (
        f"{count} catches are few: plugged emitters up to {100 * missed:.0f} % of all are missed once in "
        f"twenty tests of this size; take {ENOUGH} or more"
    )


@dataclass(frozen=True, slots=True)
class Causes:
    """What makes a zone uneven.

    Attributes
    ----------
    pressure, emitters : float
        Coefficients of variation from pressure, and from emitters at one pressure. [-]
    pressure_quarter, emitter_quarter : float
        DU_lq that each alone would leave. [%]
    pressure_share : float
        Part of the variance that pressure explains. [-]
    """

    pressure: float
    emitters: float
    pressure_quarter: float
    emitter_quarter: float
    pressure_share: float


def causes(flows: ArrayLike, pressures: ArrayLike, *, exponent: float) -> Causes:
    """Return how much of the unevenness is pressure's, and how much the emitters'.

    Parameters
    ----------
    flows, pressures : array_like
        Catches, and the pressure at each of these emitters; shape (n,). [any], [kPa]
    exponent : float
        Exponent of the emitters. [-]

    Returns
    -------
    Causes
        Flow brought to the mean pressure shows the emitters; pressure to the exponent shows the pressure.

    Raises
    ------
    ValueError
        If the two have different lengths, or a pressure is not above zero.

    References
    ----------
    Burt, C.M. (2004). Rapid field evaluation of drip and microspray distribution uniformity. Irrig. Drain.
    Syst. 18:275-297: pressure and other causes told apart.

    Examples
    --------
    >>> p = np.array([80.0, 90.0, 100.0, 110.0])
    >>> split = causes(2.0 * (p / 100.0) ** 0.5, p, exponent=0.5)
    >>> round(split.pressure_share, 3), round(split.emitters, 6)
    (1.0, 0.0)
    """
    values, p = checked(flows), np.asarray(pressures, float)
    if p.shape != values.shape or not np.all(p > 0):
        msg = f"{p.size} pressures for {values.size} catches; one above zero is needed for each"
        raise ValueError(msg)
    alone = at_reference_pressure(values, p, reference=float(p.mean()), exponent=exponent)
    driven = p**exponent
    own, forced = variation(alone), variation(driven)
    total = own**2 + forced**2
    return Causes(forced, own, low_quarter(driven), low_quarter(alone), forced**2 / total if total else 0.0)


@dataclass(frozen=True, slots=True)
class Change:
    """How one catch test differs from an earlier one.

    Attributes
    ----------
    mean : float
        Change of the mean flow. [-]
    mean_p : float
        Chance of so large a change by sampling alone, two-sided. [-]
    statistical : float
        Change of Us. [percentage points]
    variation_p : float
        Chance of so large a change of variation by sampling alone, two-sided. [-]
    """

    mean: float
    mean_p: float
    statistical: float
    variation_p: float


def change(earlier: ArrayLike, later: ArrayLike) -> Change:
    """Compare two catch tests of one zone.

    Parameters
    ----------
    earlier, later : array_like
        Catches in one unit, at the same pressure or brought to it; shapes (n,), (m,). [any]

    Returns
    -------
    Change
        Of mean and uniformity, with the chance of each by sampling alone.

    References
    ----------
    Welch, B.L. (1947), Biometrika 34:28-35 (means); ratio of variances of the logarithms' first order, F test.

    Examples
    --------
    >>> found = change([2.0, 2.1, 1.9, 2.0], [1.8, 1.9, 1.7, 1.8])
    >>> round(found.mean, 2), found.mean_p < 0.05
    (-0.1, True)
    """
    first, second = checked(earlier), checked(later)
    one, two = variation(first), variation(second)
    ratio = (two / one) ** 2 if one > 0 else np.inf
    tail = stats.f.sf(ratio, second.size - 1, first.size - 1)
    return Change(
        mean=float(second.mean() / first.mean() - 1.0),
        mean_p=float(stats.ttest_ind(first, second, equal_var=False).pvalue),
        statistical=100.0 * (one - two),
        variation_p=float(2.0 * min(tail, 1.0 - tail)),
    )


def sample_size(cv: float, error: float, *, level: float = LEVEL) -> int:
    """Return how many catches tell the mean flow to a relative error.

    Parameters
    ----------
    cv : float
        Coefficient of variation expected. [-]
    error : float
        Relative error of the mean. [-]
    level : float
        Coverage. [-]

    Returns
    -------
    int
        Catches.

    References
    ----------
    Student's t interval of a mean.

    Examples
    --------
    >>> sample_size(0.1, 0.05)
    18
    """

    def miss(n: float) -> float:
        return float(stats.t.ppf((1 + level) / 2, n - 1) * cv / np.sqrt(n) - error)

    if miss(2.0) <= 0:
        return 2
    return int(np.ceil(optimize.brentq(miss, 2.0, 1e7)))
