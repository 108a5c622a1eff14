"""The first day of an archive: before its first reading nobody logged, so no sensor was silent."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from dashboard.feed import ArchiveFeed
from ingest.installation import Installation
from tests.dashboard import field

NOON = pd.Timestamp("2026-11-25T12:00:00Z")


def test_hours_before_the_first_reading_are_no_silence(installation: Installation, tmp_path: Path) -> None:
    """An archive that begins at noon tells of no silent sensor, though its first day began at midnight."""
    end = NOON + pd.Timedelta(hours=2)
    readings = field.frame(NOON.timestamp(), end.timestamp(), [(NOON.timestamp() + 1800, "bench1")])
    field.write(tmp_path, installation, readings, 1)
    feed = ArchiveFeed(tmp_path, installation)

    results = feed.analyse(end - pd.Timedelta(days=7), end)

    assert results.start == NOON
    assert [f.evidence for f in results.findings if f.kind == "sensor silent"] == []
    assert [r.zone for r in results.runs] == ["bench1"]


def test_sensor_that_falls_silent_on_the_first_day_is_told(
    installation: Installation, tmp_path: Path
) -> None:
    """A sensor that stops an hour after the archive began is told as silent from then on."""
    end = NOON + pd.Timedelta(hours=2)
    readings = field.frame(NOON.timestamp(), end.timestamp(), [])
    stopped = (readings["sensor"] == "feed_ec") & (readings["time"] > NOON + pd.Timedelta(hours=1))
    field.write(tmp_path, installation, readings[~stopped], 1)

    results = ArchiveFeed(tmp_path, installation).analyse(NOON - pd.Timedelta(days=7), end)

    silent = [f for f in results.findings if f.kind == "sensor silent"]
    assert [f.sensor for f in silent] == ["feed_ec"]
    assert abs(silent[0].start - (NOON + pd.Timedelta(hours=1))) < pd.Timedelta(minutes=1)
