"""A record's verdicts follow from the intervals, and no word or number stands in it without its data."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

from analysis.results import FINDING_KINDS
from dashboard.paper.press import html
from dashboard.paper.record import record
from dashboard.paper.record_words import summary
from dashboard.paper.verdicts import held, verdict
from ingest.installation import Installation
from tests.dashboard.seasons.planted import (
    DAYS,
    FULL,
    SILENT,
    START,
    finding_of,
    matter_of,
    plain,
    season,
)

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")


def test_summary_has_no_number_that_the_data_do_not_give(garden: Installation) -> None:
    """Every number of the zones' sentences is taken back from the runs and estimates, to its last printed digit."""
    results = season(0.0097)
    (first, *_) = summary(results, FULL, garden, "metric")
    whole = {e.quantity: e for e in results.estimates if e.run_start is None and e.zone == "bench1"}
    fraction, grams = whole["injection fraction"], whole["nutrient dose per area"]
    runs = [r for r in results.runs if r.zone == "bench1"]
    f = [float(x or 0.0) for x in (fraction.value, fraction.low, fraction.high)]
    g = [float(x or 0.0) / len(runs) for x in (grams.value, grams.low, grams.high)]
    expected = [
        *(1, 1 / f[0], 1, 1 / f[2], 1, 1 / f[1], 1, 100, 5),
        *(100 * (x / 0.01 - 1) for x in f),
        5,
        *g,
        *(0.4, 10),
        *(100 * (x / 0.4 - 1) for x in g),
        10,
        *(len(runs), sum(r.injection is not None for r in runs), sum(r.volume_l or 0.0 for r in runs)),
    ]
    printed = NUMBER.findall(plain(first).removeprefix("bench1:").replace("+", ""))

    assert len(printed) == len(expected)
    for text, value in zip(printed, expected, strict=True):
        digits = len(text.partition(".")[2])
        assert float(text) == pytest.approx(value, abs=0.5 * 10.0**-digits + 1e-9), (text, value, first)


@pytest.mark.parametrize(
    ("share", "word"), [(0.0097, "right"), (0.0088, "too low"), (0.0112, "too high"), (0.0095, "not sure")]
)
def test_verdict_is_the_intervals(garden: Installation, share: float, word: str) -> None:
    """The verdict follows from interval and tolerance alone."""
    assert verdict(held(season(share), "bench1", garden)[:1]) == word


def test_mean_does_not_hide_runs_that_missed(garden: Installation) -> None:
    """Where the mean is right but a tenth of the runs lie wholly outside, the verdict and a count say so."""
    results = season()
    weak = {r.start for r in results.runs if r.zone == "bench1"} & {
        START + pd.Timedelta(days=d, hours=5) for d in range(8, 12)
    }
    low = [
        replace(e, value=0.008, low=0.0079, high=0.0081)
        if (e.quantity, e.zone) == ("injection fraction", "bench1") and e.run_start in weak
        else e
        for e in results.estimates
    ]
    said = plain(summary(replace(results, estimates=tuple(low)), (), garden, "metric")[0])

    assert said.startswith("bench1: the dose was right on the whole, but not in every run.")
    assert "In 4 of 40 runs the run's own whole interval lies outside." in said


def test_no_number_gives_no_verdict(garden: Installation) -> None:
    """With every estimate refused the dose is not known, the reason is told, and no number appears."""
    said = plain(summary(season(known=slice(0, 0)), (), garden, "metric")[0])

    assert said.startswith(
        "bench1: whether the dose was right is not known. Mean ratio could not be told: " + SILENT
    )
    assert "1:1" not in said


def test_findings_of_every_kind_are_told(garden: Installation) -> None:
    """Each kind stands in the summary, in the table with its evidence, and with a first step."""
    found = tuple(
        finding_of(kind, "act", "bench1", f"evidence {n}", f"advice {n}.", days=(n % DAYS, n % DAYS + 1))
        for n, kind in enumerate(FINDING_KINDS)
    )
    page = plain(html(record(matter_of(season(findings=found)), garden, "metric")))

    for n, kind in enumerate(FINDING_KINDS):
        assert page.count(f"evidence {n}<") == 1
        assert f"Act: {kind}" in page
        assert page.count(f"advice {n}.") >= 1
