"""Treatments are zones: whether two zones got the same dose, and whether one got its target, run by run."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.equivalence.tests import ALPHA, Equivalence, on_target, same_dose
from analysis.uncertainty import COVERAGE_FACTOR, EACH_RUN

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Estimate

QUANTITY = "nutrient dose per area"


def doses_of(estimates: Sequence[Estimate], zone: str, nutrient: str) -> list[Estimate]:
    """Return one areal dose a run of one zone, refusals left out, by time.

    Parameters
    ----------
    estimates : sequence of Estimate
        What an analysis estimated.
    zone, nutrient : str
        The treatment and what it got.

    Returns
    -------
    list of Estimate
        The first dose of each run; where ways disagree that is the first way's.
    """
    firsts: dict[object, Estimate] = {}
    for e in estimates:
        if (e.quantity, e.zone, e.nutrient, e.status) == (
            QUANTITY,
            zone,
            nutrient,
            "ok",
        ) and e.run_start is not None:
            firsts.setdefault(e.run_start, e)
    return sorted(firsts.values(), key=lambda e: str(e.run_start))


def zones_alike(
    estimates: Sequence[Estimate],
    zones: tuple[str, str],
    nutrient: str,
    *,
    within: float,
    alpha: float = ALPHA,
) -> Equivalence:
    """Test whether two zones got the same mean dose of a nutrient a run.

    Parameters
    ----------
    estimates : sequence of Estimate
        What an analysis estimated.
    zones : tuple of str
        The two treatments, fed through the same meters, so that their gains cancel.
    nutrient : str
        For example ``"N"``.
    within : float
        Largest ratio that still counts as the same, minus 1. [-]
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    Equivalence
        Of the logarithm of the first zone's dose over the second's.

    Raises
    ------
    ValueError
        As `analysis.equivalence.tests.same_dose`.

    References
    ----------
    As `analysis.equivalence.tests.same_dose`.
    """
    one, other = ([e.value or 0.0 for e in doses_of(estimates, zone, nutrient)] for zone in zones)
    return same_dose(one, other, within=within, alpha=alpha)


def zone_on_target(
    estimates: Sequence[Estimate],
    zone: str,
    nutrient: str,
    target: float,
    *,
    within: float,
    alpha: float = ALPHA,
) -> Equivalence:
    """Test whether a zone's mean dose a run is its target, what all runs share kept in the standard error.

    Parameters
    ----------
    estimates : sequence of Estimate
        What an analysis estimated.
    zone, nutrient : str
        The treatment and what it got.
    target : float
        Dose wanted a run. [g/m2]
    within : float
        Largest ratio to the target that still counts as on it, minus 1. [-]
    alpha : float
        Size of each one-sided test. [-]

    Returns
    -------
    Equivalence
        Of the logarithm of dose over target.

    Raises
    ------
    ValueError
        As `analysis.equivalence.tests.on_target`.

    References
    ----------
    As `analysis.equivalence.tests.on_target`.
    """
    found = doses_of(estimates, zone, nutrient)
    shared = [shared_sd(e) for e in found]
    mean = sum(shared) / len(shared) if shared else 0.0
    values = [e.value or 0.0 for e in found]
    return on_target(values, target, within=within, shared_sd=mean, alpha=alpha)


def shared_sd(estimate: Estimate) -> float:
    """Return the relative standard uncertainty that an estimate shares with other runs, by its budget. [-]

    Examples
    --------
    >>> from analysis.results import Estimate
    >>> dose = Estimate(QUANTITY, "a", None, 1.0, "g/m2", 1 / 1.04, 1.04, "", (), budget={"meter gain (m)": 0.25})
    >>> round(100 * shared_sd(dose), 2)
    1.0
    """
    if not estimate.value or not estimate.low or not estimate.high:
        return 0.0
    sd = math.log(estimate.high / estimate.low) / (2.0 * COVERAGE_FACTOR)
    budget = estimate.budget or {"not told": 1.0}
    return sd * math.sqrt(sum(share for label, share in budget.items() if not label.endswith(EACH_RUN)))
