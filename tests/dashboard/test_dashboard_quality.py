"""Flags on the page: counted by reason, provisional while the day is open, final once it is closed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from dash.development.base_component import Component

from analysis.quality.outcomes import Count, Outcome
from dashboard.analyst import Analyst
from dashboard.context import Context
from dashboard.feed import ArchiveFeed
from dashboard.layout import page_for
from dashboard.snapshot import Snapshot
from dashboard.watch import FLAGS_EVERY, Watch
from ingest import upkeep
from ingest.installation import Installation
from tests.dashboard import field

NOW = pd.Timestamp("2026-05-02T00:30:00Z")
DAY = pd.Timestamp("2026-05-01", tz="UTC")


def _said(component: Any) -> str:
    """Return every text of components, in order."""
    if isinstance(component, Component):
        return _said(getattr(component, "children", None))
    if isinstance(component, list | tuple):
        return " ".join(_said(part) for part in component)
    return "" if component is None else str(component)


def _page(installation: Installation, counts: tuple[Count, ...], path: str) -> str:
    page = page_for(Context(installation, Snapshot(NOW, flags=counts), "metric", NOW), path)
    assert page is not None
    return _said(page.body)


def _count(day: pd.Timestamp, outcome: Outcome, count: int, sensor: str = "feed_ec") -> Count:
    return Count(day, "final" if day == DAY else "provisional", sensor, outcome, count)


@pytest.mark.parametrize("path", ["/zone/bench1", "/head"])
def test_page_counts_flags_by_reason_and_says_what_can_still_change(
    installation: Installation, path: str
) -> None:
    """The open day is provisional and its last readings wait; the day before is final; each reason has its number."""
    today = DAY + pd.Timedelta(days=1)
    counts = (
        _count(DAY, Outcome.PASSED, 8600),
        _count(DAY, Outcome.SPIKE, 3),
        _count(DAY, Outcome.DRY, 37),
        _count(today, Outcome.PASSED, 178),
        _count(today, Outcome.WAITING, 2),
        _count(DAY, Outcome.PASSED, 8640, "source_ec"),
        _count(DAY, Outcome.PASSED, 8640, "bench2_valve"),
    )
    text = _page(installation, counts, path)

    assert "2026-05-02  provisional all 1 together 178 2 0 nothing" in text
    assert "2026-05-01  final all 2 together 17240 0 40 spike 3, dry cell 37" in text
    assert "2026-05-01  final feed ec 8600 0 40 spike 3, dry cell 37" in text
    assert "final source ec" not in text


def test_page_says_that_nothing_has_been_tested_yet(installation: Installation) -> None:
    """Before the first count the page says so, and shows no table of zeros."""
    assert "No reading of today or of the day before has been tested yet." in _page(
        installation, (), "/zone/bench1"
    )


@pytest.fixture
def archive(tmp_path: Path, installation: Installation) -> Path:
    """Write an hour before and half an hour after midnight, with one spike at the head's EC cell."""
    start, end = (NOW - pd.Timedelta("90min")).timestamp(), NOW.timestamp()
    frame = field.frame(start, end, field.usual_runs(end))
    ec = np.flatnonzero((frame["sensor"] == "feed_ec").to_numpy())
    frame.loc[frame.index[ec[len(ec) // 2]], "value"] += 5.0
    field.write(tmp_path, installation, frame, 1)
    return tmp_path


def test_watch_counts_the_archive_s_flags_and_finds_them_final_after_the_close(
    archive: Path, installation: Installation
) -> None:
    """Another process counts the same as this one, and counts anew once the day has its manifest."""
    analyst = Analyst(archive, installation)
    here, there = ArchiveFeed(archive, installation), ArchiveFeed(archive, installation, analyst)
    try:
        clock = [NOW]
        watch = Watch(there, clock=lambda: clock[0])
        watch.analyse()
        version = watch.snapshot.version
        before = watch.snapshot.flags
        assert before == here.flags(NOW - pd.Timedelta(days=1), NOW)
        upkeep.upkeep(archive, installation.site, everything=True, limit=10)
        watch.analyse()
        assert watch.snapshot.flags == before
        clock[0] += FLAGS_EVERY
        watch.analyse()
        after = watch.snapshot.flags

        assert watch.snapshot.version > version
        assert after == here.flags(NOW - pd.Timedelta(days=1), NOW)
    finally:
        analyst.end()
    assert {one.status for one in before} == {"provisional"}
    assert {one.status for one in after} == {"final"}
    assert [(c.sensor, c.count) for c in after if c.outcome == Outcome.SPIKE] == [("feed_ec", 1)]
    assert {one.outcome for one in before} > {one.outcome for one in after}
