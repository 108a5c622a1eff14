"""The record tells what its numbers tell, and its evidence names every byte that was changed."""

from __future__ import annotations

import pandas as pd
import pytest

from analysis.commissioning.example import garden
from analysis.results import Estimate, Finding, Interval, Results, Run
from dashboard.cases import Book, Seen, cases
from dashboard.paper.completeness import Completeness
from dashboard.paper.press import html
from dashboard.paper.record import Matter, record
from dashboard.paper.record_words import summary

START = pd.Timestamp("2026-04-01", tz="UTC")
END = pd.Timestamp("2026-05-01", tz="UTC")


def _estimate(
    quantity: str, value: float, unit: str, run: pd.Timestamp | None, half: float = 0.015
) -> Estimate:
    """Return an estimate of bench1 with an interval of some share."""
    method = "mean of 30 runs in the whole period" if run is None else "totals of two meters"
    low, high = value * (1 - half), value * (1 + half)
    return Estimate(quantity, "bench1", run, value, unit, low, high, method, ("flow", "ec"))


def _results(fraction: float = 0.0101) -> Results:
    """Return a month with one run a day; its mean fraction is known to 1.5 %."""
    starts = [START + pd.Timedelta(days=d, hours=6) for d in range(30)]
    runs = [
        Run(
            "bench1", s, s + pd.Timedelta(minutes=40), 560.0, 840.0, Interval(s, s + pd.Timedelta(minutes=20))
        )
        for s in starts
    ]
    estimates = [_estimate("injection fraction", fraction, "1", s) for s in starts]
    refusal = Estimate(
        "clear-out time",
        "bench1",
        starts[0],
        None,
        "s",
        None,
        None,
        "EC",
        (),
        "refused",
        "no EC cell at the far end",
    )
    finding = Finding(
        "short flush",
        "bench1",
        None,
        starts[3],
        starts[3],
        "act",
        2.0,
        "min",
        "water ran 2 min",
        ("schedule",),
        "Run on.",
    )
    return Results(
        "Hollin Row",
        START,
        END,
        "tricklebook 0",
        tuple(runs),
        (*estimates, refusal, _estimate("injection fraction", fraction, "1", None)),
        (finding,),
    )


def _matter(results: Results | None = None) -> Matter:
    """Return what a record is made from."""
    told = results or _results()
    return Matter(
        told,
        (Completeness("flow", 100, 2, 200), Completeness("ec", 5, 0, None)),
        cases=tuple(cases(told.findings, Book())),
        client="A <b>",
    )


def _plain(words: str) -> str:
    """Return words with plain blanks."""
    return words.replace("\N{NO-BREAK SPACE}", " ").replace("\N{NARROW NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("fraction", "said"),
    [
        (0.0101, "the whole interval within 5 %"),
        (0.0105, "the interval reaches over the edge of 5 %"),
        (0.0120, "the whole interval more than 5 % off"),
    ],
)
def test_summary_says_what_the_interval_allows(fraction: float, said: str) -> None:
    """Inside, across and outside the tolerance are three different sentences."""
    first = _plain(summary(_results(fraction), (), garden(), "metric")[0])

    assert said in first
    assert "30 runs, 30 with stock" in first


def test_record_tells_refusals_findings_and_gaps() -> None:
    """What was not told, what was found and which sensor was silent all stand in the record."""
    page = _plain(html(record(_matter(), garden(), "metric")))

    for words in (
        "no EC cell at the far end",
        "water ran 2 min",
        "flow (50 %)",
        "nothing is noted; first: Run on.",
    ):
        assert words in page
    assert "A &lt;b&gt;" in page


def test_us_record_shows_gallons() -> None:
    """16 800 L are 4 438 gal."""
    page = html(record(_matter(), garden(), "us"))

    assert "4\N{NARROW NO-BREAK SPACE}438.1\N{NO-BREAK SPACE}gal" in page


def test_empty_period_is_told() -> None:
    """A period without runs says so, without a number."""
    nothing = Results("Hollin Row", START, END, "tricklebook 0", (), (), ())
    page = html(record(Matter(nothing, ()), garden(), "metric"))

    assert "bench1: no run was seen." in page
    assert "No finding is told for this period." in page


def test_finding_that_readings_took_back_is_told_as_that() -> None:
    """What the pages told while readings were missing stands in the record, is no task, and counts apart."""
    outage = Finding(
        "sensor silent",
        None,
        None,
        START,
        START + pd.Timedelta("2D"),
        "act",
        1.0,
        "s",
        "all sent nothing",
        (),
        "Look.",
    )
    told = _results()
    book = Book({"m": Seen("m", outage)})
    page = _plain(html(record(Matter(told, (), cases=tuple(cases(told.findings, book))), garden(), "metric")))

    assert "Told at the time, and not any more with all readings at hand: all sent nothing" in page
    assert "1 finding: Act: short flush." in page
    assert "1 told at the time is not told any more." in page
    assert "Look." not in page


def test_stopped_ingester_stays_a_finding() -> None:
    """What is told by who watches the watching is over, and no analysis of readings can take it back."""
    told = _results()
    stop = Finding(
        "ingest stopped", None, None, START, START, "act", None, None, "no sign of life", (), "Start it."
    )
    book = Book({"m": Seen("m", stop)})
    page = _plain(html(record(Matter(told, (), cases=tuple(cases(told.findings, book))), garden(), "metric")))

    assert "2 findings: Act: ingest stopped; Act: short flush." in page
    assert "not told any more" not in page
