"""Equivalence of doses: verdicts, the size and power of the test by simulation, the runs needed."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from analysis.equivalence.runs import NeverEnoughError, runs_needed, runs_to_settle, tost_power
from analysis.equivalence.tests import on_target, same_dose, tost


def test_verdicts_are_three() -> None:
    """A small sure difference is equivalent, a large sure one different, an unsure one undecided."""
    verdicts = [
        tost(difference, error, 30, lower=-0.05, upper=0.05).verdict
        for difference, error in ((0.0, 0.01), (0.2, 0.01), (0.0, 0.05), (0.03, 0.008))
    ]

    assert verdicts == ["equivalent", "different", "undecided", "equivalent"]


def test_verdict_equivalent_is_the_same_as_the_interval_within_the_bounds() -> None:
    """The two one-sided tests say equivalent exactly where the 90 % interval lies within the bounds."""
    rng = np.random.default_rng(5)
    for difference, error in zip(rng.normal(0, 0.03, 200), rng.uniform(0.003, 0.04, 200), strict=True):
        result = tost(float(difference), float(error), 12, lower=-0.05, upper=0.05)

        assert (result.verdict == "equivalent") == (result.low > -0.05 and result.high < 0.05)


def test_false_equivalence_at_the_bound_is_five_percent() -> None:
    """Treatments that differ by exactly the bound are called equivalent in 5 % of the trials."""
    rng = np.random.default_rng(7)
    wrong = 0
    for _ in range(1500):
        one = np.exp(rng.normal(0.0, 0.03, 12))
        other = np.exp(rng.normal(math.log(1.05), 0.03, 12))
        wrong += same_dose(one.tolist(), other.tolist(), within=0.05).verdict == "equivalent"

    assert wrong / 1500 == pytest.approx(0.05, abs=0.017)


@pytest.mark.parametrize(("sd", "within"), [(0.03, 0.05), (0.05, 0.05), (0.02, 0.10), (0.10, 0.05)])
def test_runs_needed_give_the_power_promised(sd: float, within: float) -> None:
    """By simulation the planned runs show equivalence in 80 % of the trials, one run fewer in less."""
    runs = runs_needed(sd, within=within)
    rng = np.random.default_rng(9)
    trials = 20_000
    means = rng.normal(0.0, sd * math.sqrt(2.0 / runs), trials)
    spreads = sd * np.sqrt(stats.chi2.rvs(2 * (runs - 1), size=trials, random_state=rng) / (2 * (runs - 1)))
    half = stats.t.ppf(0.95, 2 * (runs - 1)) * spreads * math.sqrt(2.0 / runs)
    shown = float(np.mean((means - half > -math.log1p(within)) & (means + half < math.log1p(within))))

    assert shown == pytest.approx(tost_power(runs, sd, bound=math.log1p(within)), abs=0.01)
    assert shown > 0.79
    assert runs == 2 or tost_power(runs - 1, sd, bound=math.log1p(within)) < 0.80


def test_more_scatter_needs_more_runs_and_a_wider_bound_fewer() -> None:
    """The plan rises with scatter and with a difference to allow for, and falls with the bound."""
    base = runs_needed(0.04, within=0.05)

    assert runs_needed(0.06, within=0.05) > base > runs_needed(0.04, within=0.08)
    assert runs_needed(0.04, within=0.05, difference=0.02) > base
    assert runs_needed(0.04, within=0.05, groups=1) < base


def test_shared_error_beyond_the_bound_is_never_enough() -> None:
    """Meters of 4 % cannot show a target within 5 %, however many runs, and the message says so."""
    with pytest.raises(NeverEnoughError, match="no number of runs is enough"):
        runs_needed(0.01, within=0.05, groups=1, shared_sd=0.04)


def test_shared_error_does_not_average_away_in_the_test() -> None:
    """A thousand runs on target within 5 % stay undecided with a shared error of 4 %."""
    doses = np.exp(np.random.default_rng(2).normal(0.0, 0.01, 1000)).tolist()

    assert on_target(doses, 1.0, within=0.05).verdict == "equivalent"
    assert on_target(doses, 1.0, within=0.05, shared_sd=0.04).verdict == "undecided"


def test_wrong_calls_are_told() -> None:
    """Too few runs, doses of zero, doses all alike and bounds out of order are refused with their reason."""
    with pytest.raises(ValueError, match="at least two runs"):
        same_dose([1.0], [1.0, 1.1], within=0.05)
    with pytest.raises(ValueError, match="above 0"):
        same_dose([1.0, 0.0], [1.0, 1.1], within=0.05)
    with pytest.raises(ValueError, match="alike"):
        same_dose([1.0, 1.0], [1.0, 1.0], within=0.05)
    with pytest.raises(ValueError, match="not below"):
        tost(0.0, 0.1, 10, lower=0.1, upper=-0.1)
    with pytest.raises(ValueError, match="standard error"):
        tost(0.0, 0.0, 10, lower=-0.1, upper=0.1)


@pytest.mark.parametrize(
    ("difference", "sd", "shared"),
    [(0.01, 0.03, 0.0), (0.08, 0.06, 0.0), (0.02, 0.05, 0.012), (0.15, 0.2, 0.03)],
)
def test_runs_to_settle_settle_in_four_of_five_trials(difference: float, sd: float, shared: float) -> None:
    """By simulation the planned runs bring a verdict, of either kind, in 80 % of the trials or more."""
    runs = runs_to_settle(difference, sd, within=0.10, shared_sd=shared)
    rng = np.random.default_rng(31)
    settled = [
        on_target(
            np.exp(rng.normal(difference, sd, runs)).tolist(), 1.0, within=0.10, shared_sd=shared
        ).verdict
        != "undecided"
        for _ in range(600)
    ]

    assert np.mean(settled) > 0.76
    assert runs < 400


def test_what_more_runs_cannot_settle_is_told() -> None:
    """A difference half way to the bound, with a shared error of the same size, needs other meters, not more runs."""
    with pytest.raises(NeverEnoughError, match="no number of runs is enough"):
        runs_to_settle(0.05, 0.01, within=0.10, shared_sd=0.04)
