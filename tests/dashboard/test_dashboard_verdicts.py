"""What a zone's dose is judged by: the estimate over the longest time, told by its period and not by its words."""

from __future__ import annotations

import pandas as pd

from analysis.results import Estimate, Interval, Results
from dashboard.paper.verdicts import of_period

START = pd.Timestamp("2026-04-06", tz="UTC")
END = START + pd.Timedelta(days=14)


def _mean(value: float, period: Interval | None, words: str) -> Estimate:
    return Estimate("injection fraction", "bench1", None, value, "1", value, value, words, (), period=period)


def _chosen(*estimates: Estimate) -> float | None:
    results = Results("Quillfen", START, END, "0", (), estimates, ())
    found = of_period(results, "bench1", "injection fraction")
    return None if found is None else found.value


def test_longest_time_counts_whatever_the_words_say() -> None:
    """Of two weeks and the whole period the period's estimate is taken, also where no word of it says so."""
    middle = START + pd.Timedelta(days=7)
    weeks = (_mean(0.01, Interval(START, middle), "a"), _mean(0.02, Interval(middle, END), "b"))

    assert _chosen(*weeks, _mean(0.015, Interval(START, END), "c")) == 0.015
    assert _chosen(_mean(0.015, None, "over everything"), *weeks) == 0.015


def test_one_week_speaks_for_a_period_within_it() -> None:
    """Where there is an estimate of one week alone, it is taken."""
    assert _chosen(_mean(0.01, Interval(START, START + pd.Timedelta(days=3)), "a")) == 0.01
    assert _chosen() is None
