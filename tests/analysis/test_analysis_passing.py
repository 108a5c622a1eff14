"""What is told while runs go on is what stays once they are over."""

from __future__ import annotations

import pandas as pd
import pytest

from analysis.pipeline import analyse
from benchmarks.passing import demo, early, plain


def _sent(known: pd.DataFrame, sensor: str, every: str) -> pd.DataFrame:
    """Return readings of which one sensor keeps its own for a message now and then."""
    late = known.copy()
    mine = (late["sensor"] == sensor).to_numpy()
    moments = late.loc[mine, "time"].dt.ceil(every) + pd.Timedelta("20s")
    late.loc[mine, "received"] = moments.astype("datetime64[us, UTC]")
    return late


@pytest.mark.slow
@pytest.mark.parametrize("sensor", ["flow", "stock", "feed", "pressure"])
def test_device_that_sends_every_quarter_of_an_hour_raises_nothing(sensor: str) -> None:
    """A device that keeps its readings for a message is neither silent, nor wrong beside those that come at once."""
    installation, known = plain(0)
    start = known["time"].min()
    late = _sent(known[known["time"] < start + pd.Timedelta("9h")], sensor, "15min")

    said = early(installation, late, 240.0)

    assert said.looked > 30
    assert (dict(said.findings), dict(said.estimates)) == ({}, {})


def test_device_that_sends_seldom_is_told_once_its_message_is_missing() -> None:
    """Silent from five minutes and one and a half of its usual times on; one that sends at once, from five minutes."""
    installation, known = plain(0)
    last = known["time"].min() + pd.Timedelta("4h")
    told = {}
    for sensor, after in (("flow", 26), ("flow", 29), ("stock", 4), ("stock", 6)):
        late = _sent(known, "flow", "15min")
        kept = late[(late["sensor"] != sensor) | (late["time"] < last)]
        now = last + pd.Timedelta(minutes=after)
        said = analyse(installation, kept[kept["received"] <= now], last.floor("D"), now).findings
        told[sensor, after] = [f.sensor for f in said if f.kind == "sensor silent"]

    assert told == {("flow", 26): [], ("flow", 29): ["flow"], ("stock", 4): [], ("stock", 6): ["stock"]}


@pytest.mark.slow
def test_nothing_is_told_early_and_taken_back() -> None:
    """Minute by minute through a round of three zones no finding is told that goes, and no interval that is left."""
    installation, known = demo(0)
    start = pd.Timestamp("2026-05-27 04:30", tz="UTC")
    said = early(installation, known[known["time"].between(start, start + pd.Timedelta("3h"))], 90.0)

    assert said.looked > 60
    assert said.compared > 500
    assert (dict(said.findings), dict(said.estimates)) == ({}, {})
