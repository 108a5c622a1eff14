"""Two look-backs: losses, forecasts and slow faults over the season, runs and what is over for some days."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, cast

import pandas as pd
import pytest

from analysis.results import Estimate, Finding, Interval, Results, Run
from analysis.service import Service
from dashboard.lately import lately, of_late, season_start
from dashboard.watch import Pace, Watch
from tests.dashboard.test_dashboard_watch import Source

if TYPE_CHECKING:
    from dashboard.feed import Feed
    from ingest.installation import Installation

NOW = pd.Timestamp("2026-11-25T12:00:00Z")


def _ago(days: float) -> pd.Timestamp:
    return NOW - pd.Timedelta(days=days)


def _logged(days: float, kind: str = "commissioned", zone: str | None = None) -> Service:
    return Service(_ago(days), "A. Weller", kind, zone)


@pytest.mark.parametrize(
    ("log", "days_back"),
    [
        ((), 120),
        ((_logged(30),), 30),
        ((_logged(2),), 7),
        ((_logged(400),), 120),
        ((_logged(30), _logged(60)), 30),
        ((_logged(30, zone="bench1"), _logged(20, "acid flush")), 120),
    ],
)
def test_season_begins_with_the_system(log: tuple[Service, ...], days_back: int) -> None:
    """The season begins when the whole system was last accepted, within its bounds; a service does not shorten it."""
    assert season_start(log, NOW, days=7.0, season=120.0) == _ago(days_back).floor("D")


def _estimate(quantity: str, run: pd.Timestamp | None, period: Interval | None = None) -> Estimate:
    return Estimate(quantity, "bench1", run, 0.1, "1", 0.0, 0.2, "m", (), period=period)


def _finding(kind: str, end: pd.Timestamp) -> Finding:
    return Finding(kind, "bench1", None, _ago(100), end, "watch", None, None, "seen", (), "do")


def _season() -> Results:
    runs = tuple(Run("bench1", _ago(d), _ago(d - 0.02), 1.0, 1.0) for d in (100, 8, 6, 1))
    estimates = (
        *(_estimate("water volume", run.start) for run in runs),
        _estimate("emitter flow loss", None),
        _estimate("injection fraction", None, Interval(_ago(100), _ago(93))),
        _estimate("injection fraction", None, Interval(_ago(3), NOW)),
    )
    findings = (_finding("short flush", _ago(50)), _finding("emitter clogging", NOW))
    return Results("x", _ago(120), NOW, "0", runs, estimates, findings)


def test_runs_of_the_last_days_and_the_season_s_numbers_stay() -> None:
    """Old runs, their numbers, old weeks and findings that are over go; what is of the season stays."""
    found = lately(_season(), _ago(7))

    assert [run.start for run in found.runs] == [_ago(6), _ago(1)]
    assert [(e.quantity, e.run_start) for e in found.estimates] == [
        ("water volume", _ago(6)),
        ("water volume", _ago(1)),
        ("emitter flow loss", None),
        ("injection fraction", None),
    ]
    assert [f.kind for f in found.findings] == ["emitter clogging"]
    assert found.start == _ago(120)


@dataclass
class _Asked:
    """A feed that remembers what it was asked."""

    periods: list[tuple[pd.Timestamp, pd.Timestamp]] = field(default_factory=list)

    def analyse(self, start: pd.Timestamp, end: pd.Timestamp) -> Results:
        """Return nothing found."""
        self.periods.append((start, end))
        return Results("x", start, end, "0", (), (), ())


def test_whole_days_are_asked_for() -> None:
    """The season begins at midnight, so that its first day is the same at the next look."""
    feed = _Asked()
    for seconds in (0, 15):
        of_late(cast("Feed", feed), (), NOW + pd.Timedelta(seconds=seconds), days=7.0, season=120.0)

    assert {start for start, _ in feed.periods} == {pd.Timestamp("2026-07-28", tz="UTC")}


def test_last_days_are_shown_while_the_season_is_worked_out(installation: Installation) -> None:
    """The first look gives the last days, marked as not whole, then the season; later ones give the season at once."""
    seen: list[tuple[int, bool]] = []

    class Told(Source):
        def analyse(self, start: pd.Timestamp, end: pd.Timestamp) -> Results:
            results: Results = super().analyse(start, end)
            seen.append(((end - start).days, watch.snapshot.whole))
            return results

    watch = Watch(cast("Any", Told(installation)), Pace(ahead=True), clock=lambda: NOW)
    watch.analyse()
    watch.analyse()

    assert seen == [(7, True), (120, False), (120, True)]
    assert watch.snapshot.whole
