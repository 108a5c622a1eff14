"""One comparison of a trial: its verdict, what it rests on, and how many more runs would settle it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

from analysis.equivalence.runs import NeverEnoughError, runs_to_settle
from analysis.equivalence.tests import ALPHA, Equivalence, tost

if TYPE_CHECKING:
    from collections.abc import Sequence

TARGET = "target"
"""What a treatment is compared with where it is not another treatment."""

LEVEL = 1.0 - 2.0 * ALPHA
"""Level of the interval that decides equivalence. [-]"""


@dataclass(frozen=True, slots=True)
class Comparison:
    """One treatment, or one plot of it, held against its target or against another treatment.

    Attributes
    ----------
    treatment, against : str
        The treatment, and `TARGET` or the other treatment's name.
    plot : str or None
        The plot; None for the mean of the treatment's plots.
    quantity, nutrient : str, str or None
        What is compared, as in `PlotDose`.
    margin : float or None
        Largest deviation that still counts as the same. [-]
    verdict : {"equivalent", "different", "undecided", "refused"}
        As `Equivalence`; refused where it cannot be tested.
    words : str
        The verdict in a sentence, or the reason for the refusal.
    runs : int
        Runs of zones that the treatment's mean rests on.
    left_out : int
        Runs of these zones without a dose: refused, or without stock.
    ratio, low, high : float or None
        Ratio of the geometric means, and its interval of level 1 - 2 alpha. [-]
    p : float or None
        The larger of the two one-sided p-values. [-]
    shared_sd, scatter_sd : float or None
        Relative standard uncertainty that does not average away, and the standard error from the scatter of
        runs, of the logarithm of the ratio. [-]
    more_runs : int or None
        Runs of each zone beyond these that would settle an undecided one; None where it is settled, refused,
        or no number would.
    """

    treatment: str
    against: str
    plot: str | None
    quantity: str
    nutrient: str | None
    margin: float | None
    verdict: Literal["equivalent", "different", "undecided", "refused"]
    words: str
    runs: int = 0
    left_out: int = 0
    ratio: float | None = None
    low: float | None = None
    high: float | None = None
    p: float | None = None
    shared_sd: float | None = None
    scatter_sd: float | None = None
    more_runs: int | None = None


@dataclass(frozen=True, slots=True)
class Plan:
    """What more runs would bring.

    Attributes
    ----------
    single : float
        Standard deviation that one more run of every zone brings. [-]
    least : int
        Runs of the zone with the fewest.
    sides : {1, 2}
        1 against a target, 2 between two treatments.
    """

    single: float
    least: int
    sides: Literal[1, 2]


def tested(
    asked: Comparison,
    difference: float,
    own: Sequence[tuple[float, int]],
    shared: float,
    plan: Plan,
) -> Comparison:
    """Return a comparison with its verdict.

    Parameters
    ----------
    asked : Comparison
        What is asked.
    difference : float
        Logarithm of the ratio. [-]
    own : sequence of (float, int)
        Independent parts of the variance of `difference`, and their degrees of freedom. [-]
    shared : float
        Relative standard uncertainty that does not average away. [-]
    plan : Plan
        What more runs would bring.

    Returns
    -------
    Comparison
        With verdict and words.

    References
    ----------
    Schuirmann (1987) as `analysis.equivalence.tests.tost`; degrees of freedom: GUM (JCGM 100:2008) eq. G.2b.

    Examples
    --------
    >>> asked = Comparison("a", TARGET, None, "nutrient dose per area", "N", 0.10, "refused", "")
    >>> tested(asked, 0.01, [(0.0001, 9)], 0.01, Plan(0.03, 10, 1)).verdict
    'equivalent'
    """
    scatter = sum(variance for variance, _ in own)
    if asked.margin is None:
        words = f"no margin is stated; add it to [treatment.{asked.treatment}], or name one with --margin"
        return replace(asked, words=words, ratio=math.exp(difference))
    if scatter + shared**2 <= 0.0:
        return replace(asked, words="all doses are alike to the last digit, so their scatter is not known")
    freedom = sum(variance**2 / degrees for variance, degrees in own)
    degrees = math.inf if freedom == 0.0 else (scatter + shared**2) ** 2 / freedom
    bound = math.log1p(asked.margin)
    result = tost(difference, math.sqrt(scatter + shared**2), degrees, lower=-bound, upper=bound)
    more, plea = _more(result, plan, shared, asked.margin)
    return replace(
        asked,
        verdict=result.verdict,
        words=_words(asked, result) + plea,
        ratio=math.exp(difference),
        low=math.exp(result.low),
        high=math.exp(result.high),
        p=result.p,
        shared_sd=shared,
        scatter_sd=math.sqrt(scatter),
        more_runs=more,
    )


def _more(result: Equivalence, plan: Plan, shared: float, margin: float) -> tuple[int | None, str]:
    """Return how many more runs would settle it, and the words for that."""
    if result.verdict != "undecided":
        return None, ""
    try:
        needed = runs_to_settle(
            result.difference, plan.single, within=margin, groups=plan.sides, shared_sd=shared
        )
    except NeverEnoughError:
        return (
            None,
            "; no number of runs would settle it: what all runs share is too uncertain for this margin",
        )
    more = max(1, needed - plan.least)
    return (
        more,
        f"; {more} more {'run' if more == 1 else 'runs'} of each zone would settle it in four of five trials",
    )


def _words(asked: Comparison, result: Equivalence) -> str:
    """Return the verdict in a sentence."""
    seen, low, high = (_percent(log) for log in (result.difference, result.low, result.high))
    than = "its target" if asked.against == TARGET else f"treatment {asked.against}"
    spread = f"against {than}: {seen} ({100 * LEVEL:.0f} %: {low} to {high})"
    bound = math.log1p(asked.margin or 0.0)
    margin = f"the margin of {100.0 * (asked.margin or 0.0):.3g} %"
    if result.verdict == "equivalent":
        return f"{spread}, within {margin}"
    if result.low > bound or result.high < -bound:
        return f"{spread}, outside {margin}"
    if result.verdict == "different":
        return f"{spread}, a difference that is there, and not shown to be within {margin}"
    return f"{spread}, neither shown within {margin} nor shown to differ"


def _percent(log: float) -> str:
    """Return a ratio's logarithm as a deviation in per cent."""
    return f"{round(100.0 * math.expm1(log), 1) + 0.0:+.1f} %"
