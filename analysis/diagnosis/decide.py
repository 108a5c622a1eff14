"""Is something wrong, and what: likelihood ratios against drift, and the odds of each cause.

Whether something changed is decided by the largest likelihood ratio over the faults' signatures, against
a covariance that holds noise and drift. What it is, is decided by the probability of each cause given the
shift: one fault, two faults, or none that is known. Sizes are unknown beforehand, within a scale.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2

from analysis.diagnosis.fitting import fitted, gauss

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.diagnosis.faults import Fault
    from analysis.diagnosis.fitting import Fit

Array = NDArray[np.float64]

ALARM = 17.0
"""Likelihood ratio above which something has changed. [twice the log] Set so that scatter alone raises
about one alarm in a hundred zone-years: see `benchmarks/faults.py`."""

CLEAR = 9.0
"""Ratio below which an alarm ends. [twice the log] Hysteresis, no source."""

TWO_AT_ONCE = 0.1
"""Odds of a second fault beside a first. [-] A judgement, no source."""

PARSIMONY = 12.0
"""Gain in twice the log likelihood that a second fault must bring before it speaks against a single one.
[-] No source: two faults whose sizes happen to look like one are rare."""

APART = 2.0
"""Gain in twice the log likelihood over every explanation without a fault, before the fault is named. [-]
No name rests on priors alone: likelihoods 2.7 to 1, no source."""

UNKNOWN = 0.02
"""Odds that a change has a cause that is not listed. [-] A judgement, no source."""

UNKNOWN_SIZE = 6.0
"""How far an unlisted cause may move the relations, in standard deviations of noise and drift. [-]"""

SURE = 0.85
"""Probability from which a cause is named. [-] Set so that few names are wrong; see the benchmark."""

UNFIT = 1e-5
"""Odds of noise and drift alone below which even the likeliest explanation does not fit, and nothing is named. [-]
No source: seen once in hundreds of invented pairs at a hundred times as much."""

POSSIBLE = 0.02
"""Probability from which a cause is listed as possible. [-] No source."""

ABSENT = 1e6
"""Variance that takes a relation out of the decision."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What one day's shift says.

    Attributes
    ----------
    probability : ndarray
        Of each fault being present, alone or with another; shape (faults,).
    size : ndarray
        Of each fault under the likeliest explanation that holds it; shape (faults,). [as the fault]
    deviation : ndarray
        Standard uncertainty of `size`.
    unknown : float
        Probability that it is none of them.
    named : tuple of int
        Faults that are sure.
    possible : tuple of int
        Faults that may be, the likeliest first.
    case : int
        Which of the cases the likeliest explanation belongs to.
    misfit : float
        Squared distance of the shift from the likeliest explanation. [standard deviations]
    """

    probability: Array
    size: Array
    deviation: Array
    unknown: float
    named: tuple[int, ...]
    possible: tuple[int, ...]
    case: int
    misfit: float


@dataclass(frozen=True, slots=True)
class Case:
    """One way in which a change may have gone.

    Attributes
    ----------
    shift, covariance : ndarray
        Shapes (relations,) and (relations, relations).
    fit : float
        How well the days follow this way, whatever the fault. [log likelihood]
    odds : ndarray
        How often each fault goes this way, shape (faults,). [log]
    """

    shift: Array
    covariance: Array
    fit: float
    odds: Array


def masked(shift: Array, covariance: Array, ready: NDArray[np.bool_]) -> tuple[Array, Array]:
    """Return shift and covariance with relations that say nothing taken out.

    Parameters
    ----------
    shift, covariance, ready : ndarray
        Shapes (days, relations), (days, relations, relations), (days, relations).

    Returns
    -------
    tuple of ndarray
        The same shapes; absent relations have shift nought, no correlation and a huge variance.
    """
    z = np.where(ready, np.nan_to_num(shift), 0.0)
    c = covariance * ready[:, :, None] * ready[:, None, :]
    c = c + np.eye(z.shape[1]) * np.where(ready, 0.0, ABSENT)[:, None, :]
    return z, c


def ratios(shift: Array, covariance: Array, faults: Sequence[Fault]) -> tuple[Array, Array]:
    """Return how much likelier each fault makes the shift than drift and noise alone.

    Parameters
    ----------
    shift, covariance : ndarray
        As `masked` gives them.
    faults : sequence of Fault
        The faults.

    Returns
    -------
    tuple of ndarray
        Twice the log likelihood ratio and the fitted size; shape (days, faults).
    """
    inverse = np.linalg.inv(covariance)
    signatures = np.stack([f.signature for f in faults], axis=1)
    weighted = inverse @ signatures
    top = np.einsum("dr,drf->df", shift, weighted)
    below = np.einsum("rf,drf->df", signatures, weighted)
    one_sided = np.array([f.one_sided for f in faults])
    top = np.where(one_sided, np.maximum(top, 0.0), top)
    below = np.maximum(below, 1e-30)
    return top**2 / below, top / below


Outside = Callable[[tuple[int, ...], Array, Array], float]
"""Log odds that other zones add to some faults, given their sizes and the covariance of these."""


def verdict(cases: Sequence[Case], faults: Sequence[Fault], outside: Outside | None = None) -> Verdict:
    """Weigh the causes of a change.

    Parameters
    ----------
    cases : sequence of Case
        Ways in which it may have gone.
    faults : sequence of Fault
        What may be wrong.
    outside : callable, optional
        What other zones add to the log odds of some faults.

    Returns
    -------
    Verdict
        Probabilities and sizes.
    """
    n = len(faults)
    sets: list[tuple[int, ...]] = [(i,) for i in range(n)]
    sets += [pair for pair in combinations(range(n), 2) if _may_meet(faults[pair[0]], faults[pair[1]])]
    logs, fits, scores = [], [], []
    for case in cases:
        for members in sets:
            fit = fitted(case.shift, case.covariance, [faults[i] for i in members])
            prior = sum(np.log(faults[i].prior) for i in members) + np.log(TWO_AT_ONCE) * (len(members) - 1)
            more = case.fit + float(case.odds[list(members)].mean())
            more += 0.0 if outside is None else outside(members, fit.size, fit.covariance)
            logs.append(fit.evidence + prior + more)
            scores.append(2.0 * (fit.likelihood + more) - PARSIMONY * (len(members) - 1))
            fits.append(fit)
    blanks = [gauss(c.shift, c.covariance * (1.0 + UNKNOWN_SIZE**2)) + c.fit for c in cases]
    logs += [blank + np.log(UNKNOWN / len(cases)) for blank in blanks]
    weights = np.exp(np.array(logs) - np.max(logs))
    weights /= weights.sum()
    every = sets * len(cases)
    told = _summed(every, fits, weights, _lead(every, scores, n), len(cases))
    measured = int((np.diag(cases[told.case].covariance) < ABSENT).sum())
    strange = chi2.sf(told.misfit, max(measured - 1, 1)) < UNFIT
    return replace(told, named=()) if strange else told


def _lead(sets: list[tuple[int, ...]], scores: list[float], n: int) -> Array:
    """Return by how much the best explanation with a fault beats the best without it. [twice the log]"""
    score = np.array(scores)
    holds = np.array([[i in members for i in range(n)] for members in sets])
    with_it = np.where(holds, score[:, None], -np.inf).max(axis=0)
    without = np.where(~holds, score[:, None], -np.inf).max(axis=0)
    return np.asarray(with_it - np.maximum(without, -1e9))


def _may_meet(first: Fault, second: Fault) -> bool:
    """Return whether two faults can be told as a pair: not one kind twice at one place."""
    return not (first.kind == second.kind and first.sensor == second.sensor)


def _summed(sets: list[tuple[int, ...]], fits: list[Fit], weights: Array, lead: Array, cases: int) -> Verdict:
    """Add the explanations up to one probability and one size a fault."""
    n = lead.size
    probability, size, deviation, best = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    for members, fit, weight in zip(sets, fits, weights, strict=False):
        for place, i in enumerate(members):
            probability[i] += weight
            if weight > best[i]:
                best[i], size[i] = weight, fit.size[place]
                deviation[i] = np.sqrt(fit.covariance[place, place])
    named = tuple(int(i) for i in np.flatnonzero((probability >= SURE) & (lead >= APART)))
    order = np.argsort(-probability)
    possible = tuple(int(i) for i in order if probability[i] >= POSSIBLE)
    unknown = float(weights[len(sets) :].sum())
    likeliest = int(weights[: len(sets)].argmax())
    case, misfit = likeliest * cases // len(sets), fits[likeliest].misfit
    return Verdict(probability, size, deviation, unknown, named, possible, case, misfit)
