"""Uncertainty by the GUM, with every term kept apart by where it comes from.

A value carries signed contributions, one for each independent source of error, so that what two values
share (a meter, a dilution curve) cancels or adds as it does in the plant, and what dominates can be named.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

LARGEST_EXPONENT = math.log(sys.float_info.max)
"""e to more than this is beyond every floating point number."""

COVERAGE_FACTOR = 1.959963984540054
"""Half width of a 95 % interval in standard uncertainties, normal distribution. GUM (JCGM 100:2008) G.1.3."""


EACH_RUN = ", each run anew"
"""End of a budget's words for a term that is drawn anew in every run."""


class Source(NamedTuple):
    """One independent source of error.

    Attributes
    ----------
    name : str
        What it is, in words that a person reads in the budget.
    where : str
        The sensor or the stock that it belongs to; the same three are the same error.
    run : str
        The run, for an error that is drawn anew in every run and so averages away; else empty.
    """

    name: str
    where: str = ""
    run: str = ""

    @property
    def random(self) -> bool:
        """True where the error averages away over runs."""
        return bool(self.run)

    def label(self) -> str:
        """Return the words for a budget."""
        words = f"{self.name} ({self.where})" if self.where else self.name
        return words + EACH_RUN if self.run else words


@dataclass(frozen=True, slots=True)
class Uncertain:
    """A value with its contributions to uncertainty.

    Attributes
    ----------
    value : float
        The value; often the logarithm of a quantity, so that contributions are relative.
    terms : mapping of Source to float
        Signed standard contribution of each independent source. [as `value`]
    """

    value: float
    terms: Mapping[Source, float] = field(default_factory=dict)

    @property
    def sd(self) -> float:
        """Combined standard uncertainty. GUM eq. 10. [as `value`]"""
        return math.sqrt(sum(u * u for u in self.terms.values()))

    def part(self, *, random: bool) -> float:
        """Return the standard uncertainty of the random or of the systematic terms alone. [as `value`]

        Examples
        --------
        >>> x = Uncertain(0.0, {Source("gain", "m"): 0.03, Source("noise", run="1"): 0.04})
        >>> x.part(random=True), round(x.sd, 3)
        (0.04, 0.05)
        """
        return math.sqrt(sum(u * u for s, u in self.terms.items() if s.random == random))

    def budget(self) -> dict[str, float]:
        """Return each term's share of the variance, the largest first. [-]

        Examples
        --------
        >>> Uncertain(0.0, {Source("gain", "m"): 0.3, Source("noise"): 0.1}).budget()
        {'gain (m)': 0.9, 'noise': 0.1}
        """
        total = self.sd**2
        if total == 0:
            return {}
        shares: dict[str, float] = {}
        for source, u in self.terms.items():
            shares[source.label()] = shares.get(source.label(), 0.0) + u * u / total
        return dict(sorted(shares.items(), key=lambda item: -item[1]))


def rectangular(limit: float) -> float:
    """Return the standard uncertainty of an error known only by its limits.

    Parameters
    ----------
    limit : float
        Largest error either way.

    Returns
    -------
    float
        limit / sqrt(3).

    References
    ----------
    GUM (JCGM 100:2008) 4.3.7.

    Examples
    --------
    >>> round(100 * rectangular(0.02), 3)
    1.155
    """
    return abs(limit) / math.sqrt(3.0)


def linear(weights: Sequence[float], values: Sequence[Uncertain], *, constant: float = 0.0) -> Uncertain:
    """Return a weighted sum; contributions of a shared source are added with their signs.

    Parameters
    ----------
    weights : sequence of float
        One for each value. [-]
    values : sequence of Uncertain
        The values.
    constant : float
        Added to the sum.

    Returns
    -------
    Uncertain
        The sum.

    References
    ----------
    GUM (JCGM 100:2008) 5.2.2 and F.1.2.3: correlation by shared sources.

    Examples
    --------
    >>> gain = Source("gain", "main")
    >>> a, b = Uncertain(1.0, {gain: 0.01}), Uncertain(2.0, {gain: 0.01})
    >>> linear([1, -1], [a, b]).sd
    0.0
    """
    terms: dict[Source, float] = {}
    for weight, value in zip(weights, values, strict=True):
        for source, u in value.terms.items():
            terms[source] = terms.get(source, 0.0) + weight * u
    total = constant + sum(w * v.value for w, v in zip(weights, values, strict=True))
    return Uncertain(total, terms)


def covariance(values: Sequence[Uncertain]) -> np.ndarray:
    """Return the covariance matrix of values that may share sources; shape (n, n)."""
    sources = list({source for value in values for source in value.terms})
    signed = np.array([[value.terms.get(source, 0.0) for source in sources] for value in values])
    return np.asarray(signed @ signed.T)


def best_weights(values: Sequence[Uncertain]) -> list[float]:
    """Return the weights of the least uncertain unbiased mean of several values of one quantity.

    Parameters
    ----------
    values : sequence of Uncertain
        Values of the same quantity.

    Returns
    -------
    list of float
        Weights that sum to 1, none negative: a value whose best weight would be negative is left out,
        because a weight outside 0..1 trusts the stated correlation more than it deserves.

    References
    ----------
    Generalised least squares, w = C^-1 1 / (1' C^-1 1); Cox et al., Metrologia 43 (2006) S268, eq. 4.

    Examples
    --------
    >>> one, two = Source("gain", "a"), Source("gain", "b")
    >>> [round(w, 3) for w in best_weights([Uncertain(0, {one: 0.01}), Uncertain(0, {two: 0.02})])]
    [0.8, 0.2]
    """
    kept = list(range(len(values)))
    while True:
        matrix = covariance([values[i] for i in kept])
        tiny = 1e-12 * max(float(np.trace(matrix)), 1e-300)
        raw = np.linalg.solve(matrix + tiny * np.eye(len(kept)), np.ones(len(kept)))
        weights = raw / raw.sum()
        if (weights >= 0).all() or len(kept) == 1:
            break
        kept.pop(int(np.argmin(weights)))
    return [float(weights[kept.index(i)]) if i in kept else 0.0 for i in range(len(values))]


def combine(values: Sequence[Uncertain]) -> Uncertain:
    """Return the least uncertain mean of several values of one quantity; see `best_weights`."""
    return linear(best_weights(values), values)


def ratio_sd(a: float, u_a: float, b: float, u_b: float, *, correlation: float = 0.0) -> float:
    """Return the standard uncertainty of a / b.

    Parameters
    ----------
    a, u_a, b, u_b : float
        The two values and their standard uncertainties.
    correlation : float
        Correlation coefficient of the two. [-]

    Returns
    -------
    float
        Standard uncertainty of the quotient.

    References
    ----------
    GUM (JCGM 100:2008) 5.2.2, eq. 16, for a quotient.

    Examples
    --------
    >>> round(1000 * ratio_sd(4.9990, 0.0032, 0.019661, 0.0000095, correlation=-0.36))
    237
    """
    ra, rb = u_a / a, u_b / b
    return abs(a / b) * math.sqrt(ra * ra + rb * rb - 2.0 * correlation * ra * rb)


def interval_of_log(log_value: Uncertain) -> tuple[float, float, float]:
    """Return value, low and high of a quantity whose logarithm is given.

    The interval is symmetric in the logarithm, which is right where errors are relative. What is beyond every
    number is infinite.

    Examples
    --------
    >>> [round(x, 3) for x in interval_of_log(Uncertain(0.0, {Source("gain"): 0.1}))]
    [1.0, 0.822, 1.217]
    """
    half = COVERAGE_FACTOR * log_value.sd
    value, low, high = (_exp(log_value.value + k * half) for k in (0.0, -1.0, 1.0))
    return value, low, high


def _exp(exponent: float) -> float:
    """Return e to a power; infinite beyond the largest number."""
    return math.exp(exponent) if exponent < LARGEST_EXPONENT else math.inf


def standard_error(values: Iterable[float], *, blocks: int = 8) -> float:
    """Return the standard error of a mean whose neighbours may be alike, from block means.

    Parameters
    ----------
    values : iterable of float
        Consecutive readings.
    blocks : int
        Number of blocks; fewer where there are too few readings.

    Returns
    -------
    float
        Standard error of the mean; nan where there are fewer than 4 readings.

    References
    ----------
    Flyvbjerg and Petersen, J. Chem. Phys. 91 (1989) 461: blocking of correlated data.

    Examples
    --------
    >>> standard_error([1.0, 1.0, 1.0, 1.0])
    0.0
    """
    data = np.fromiter(values, float)
    if len(data) < 4:  # noqa: PLR2004 - two blocks of two are the least that show a spread
        return math.nan
    count = max(2, min(blocks, len(data) // 2))
    means = [float(part.mean()) for part in np.array_split(data, count)]
    return float(np.std(means, ddof=1) / math.sqrt(count))
