"""The watch goes on whatever happens, and never makes a page wait."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

import pandas as pd
import pytest

from analysis.quality.outcomes import Count, Outcome
from analysis.results import Results
from dashboard.watch import Pace, Watch
from ingest.installation import Installation
from ingest.series import Series

NOW = pd.Timestamp("2026-11-25T12:00:00Z")
ONE = pd.DataFrame({"time": [NOW], "sensor": ["feed_ec"], "value": [2.0], "quality": [1], "received": [NOW]})


def until(condition: Callable[[], bool], deadline_s: float = 10.0) -> bool:
    """Wait for a condition, no longer than the deadline."""
    end = time.monotonic() + deadline_s
    while not condition() and time.monotonic() < end:
        threading.Event().wait(0.01)
    return condition()


class Source:
    """A feed that can be broken and mended."""

    def __init__(self, installation: Installation) -> None:
        self.installation = installation
        self.broken = False
        self.hold = threading.Event()
        self.hold.set()
        self.analyses = 0

    def read(self, sensors: Sequence[str], start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
        """Return nothing."""
        del sensors, start, end
        return ONE.iloc[:0]

    def series(self, sensors: Sequence[str], start: int, end: int) -> dict[str, Series]:
        """Return nothing."""
        del sensors, start, end
        return {}

    def latest(self) -> pd.DataFrame:
        """Return one reading, or break."""
        if self.broken:
            msg = "the disk is gone"
            raise OSError(msg)
        return ONE

    def analyse(self, start: pd.Timestamp, end: pd.Timestamp) -> Results:
        """Return empty results, once allowed."""
        self.hold.wait(10)
        self.analyses += 1
        return Results("x", start, end, "0", (), (), ())

    def flags(self, start: pd.Timestamp, end: pd.Timestamp) -> tuple[Count, ...]:
        """Return one reading that waits for the next ones, of the day in which the period ends."""
        assert end - start == pd.Timedelta(days=1)
        return (Count(end.floor("D"), "provisional", "feed_ec", Outcome.WAITING, 1),)


@pytest.fixture
def source(installation: Installation) -> Source:
    """Return a feed in good order."""
    return Source(installation)


def test_watch_tells_a_problem_and_clears_it(source: Source, caplog: pytest.LogCaptureFixture) -> None:
    """An archive that cannot be read is told on the page and in the log, and forgotten once it can be read."""
    watch = Watch(source, Pace(look_s=0.01, analyse_s=0.01))
    source.broken = True
    watch.start()

    assert until(lambda: watch.snapshot.problems.get("look") == "the disk is gone")
    assert "the disk is gone" in caplog.text
    source.broken = False
    assert until(lambda: not watch.snapshot.problems)
    watch.stop()


def test_watch_looks_on_while_an_analysis_takes_its_time(source: Source) -> None:
    """Readings go on being taken in while the analysis is at work."""
    source.hold.clear()
    watch = Watch(source, Pace(look_s=0.01, analyse_s=0.01))
    watch.start()

    assert until(lambda: watch.snapshot.sensors != {})
    assert watch.snapshot.results is None
    source.hold.set()
    assert until(lambda: watch.snapshot.results is not None)
    watch.stop()


def test_watch_counts_only_changes(source: Source) -> None:
    """The pulse moves with a change of a sensor, not with every look."""
    watch = Watch(source, clock=lambda: NOW)
    watch.look()
    first = watch.snapshot.live
    watch.look()

    assert watch.snapshot.live == first
    assert first > 0


def test_watch_ends_both_threads(source: Source) -> None:
    """After the stop, no thread of the watch is left."""
    before = threading.active_count()
    watch = Watch(source, Pace(look_s=0.01, analyse_s=0.01))
    watch.start()
    watch.stop()

    assert threading.active_count() == before
