"""On and off is told from noisy, patchy signals, and windows cover a period once."""

from __future__ import annotations

from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd
import pytest

from analysis.runs.slices import between, place
from analysis.runs.stretches import gated, stretches, switched
from analysis.runs.windows import walk
from tests.support.plain import MIDNIGHT, day, series


def _seconds(found: list[tuple[pd.Timestamp, pd.Timestamp, bool]]) -> list[tuple[float, float, bool]]:
    """Return stretches as seconds after midnight."""
    return [((a - MIDNIGHT).total_seconds(), (b - MIDNIGHT).total_seconds(), c) for a, b, c in found]


def _signal(text: str) -> pd.Series:
    """Return a signal, one reading in 10 s, from a drawing: # is on."""
    return series([c == "#" for c in text]).astype(bool)


def test_noise_at_the_level_does_not_flicker() -> None:
    """A signal that wanders about the level stays on until it falls below half of it."""
    values = 100.0 + np.random.default_rng(1).normal(0, 10, 500)

    state = switched(series(np.concatenate((np.zeros(5), [150.0], values, np.zeros(5)))), on=100.0)

    assert int(state.astype(int).diff().abs().sum()) == 2


def test_level_must_be_positive() -> None:
    """A level of 0 would call rest on."""
    with pytest.raises(ValueError, match="level"):
        switched(series([1.0]), on=0.0)


def test_edges_lie_half_way() -> None:
    """Start and end lie half way between the readings that differ, so that durations are unbiased."""
    assert _seconds(stretches(_signal("..####.."), interval_s=10, hold_s=0, shortest_s=0)) == [(15, 55, True)]


def test_reported_changes_are_exact() -> None:
    """A sensor that reports changes only gives its instants exactly."""
    times = pd.DatetimeIndex([MIDNIGHT, MIDNIGHT + pd.Timedelta("100s"), MIDNIGHT + pd.Timedelta("4000s")])
    valve = pd.Series([False, True, False], times)

    assert _seconds(stretches(valve, interval_s=None, hold_s=30, shortest_s=20)) == [(100, 4000, True)]


@pytest.mark.parametrize(("hold", "count"), [(20.0, 2), (40.0, 1)])
def test_pause_is_held_or_not(hold: float, count: int) -> None:
    """A pause up to the hold does not end a stretch, a longer one does."""
    assert len(stretches(_signal(".####...####."), interval_s=10, hold_s=hold, shortest_s=0)) == count


def test_short_stretch_is_noise() -> None:
    """A stretch shorter than the shortest is dropped."""
    assert _seconds(stretches(_signal(".#....######."), interval_s=10, hold_s=20, shortest_s=30)) == [
        (55, 115, True)
    ]


def test_still_on_is_incomplete() -> None:
    """A stretch that is on at the last reading says that it is not complete, however short."""
    assert _seconds(stretches(_signal("....#"), interval_s=10, hold_s=20, shortest_s=60)) == [(35, 40, False)]


def test_on_from_the_first_reading() -> None:
    """A stretch that is on at the first reading starts there."""
    assert _seconds(stretches(_signal("###.."), interval_s=10, hold_s=20, shortest_s=0)) == [(0, 25, True)]


@pytest.mark.parametrize(("hole_s", "count"), [(300, 1), (900, 2)])
def test_hole_is_bridged_only_while_short(hole_s: int, count: int) -> None:
    """On before and after a hole is one stretch up to ten minutes; a longer hole ends it at the last reading."""
    times = pd.DatetimeIndex(day()[:50].append(day()[50:100] + pd.Timedelta(seconds=hole_s)))
    found = stretches(pd.Series(data=True, index=times), interval_s=10, hold_s=30, shortest_s=20)

    assert len(found) == count
    assert found[-1][1] == times[-1]
    if count == 2:
        assert found[0][1] == times[49]


def test_nothing_on_is_nothing() -> None:
    """A signal that is never on has no stretch."""
    assert stretches(_signal("....."), interval_s=10, hold_s=20, shortest_s=0) == []


def test_gate_keeps_its_state_between_readings() -> None:
    """A valve that reports now and then gates a flow that is read every 10 s."""
    gate = pd.Series([True, False], pd.DatetimeIndex([day()[3], day()[6]]))

    assert gated(_signal("##########"), gate).tolist() == [False] * 3 + [True] * 3 + [False] * 4


@pytest.mark.parametrize("last", ["in", "out"])
def test_between_takes_the_ends_as_told(last: Literal["in", "out"]) -> None:
    """The first instant is included; the last one where asked for, whatever the resolution of the instants."""
    readings = series(np.arange(10.0))
    start, end = day()[2].as_unit("ns"), day()[5].as_unit("ns")

    assert (
        between(readings, start, end, last=last).tolist() == [2.0, 3.0, 4.0, 5.0][: 4 if last == "in" else 3]
    )


def test_place_of_an_instant_between_readings() -> None:
    """An instant finer than the times' resolution finds its place."""
    assert place(day()[:5], day()[2] + pd.Timedelta("1ns")) in (2, 3)


@pytest.mark.parametrize("hours", [0.5, 6.0, 24.0, 24.0 * 400])
def test_walk_covers_the_period_once(hours: float) -> None:
    """Stretches meet without overlap, cover the period, and are at most a day."""
    start = MIDNIGHT + pd.Timedelta("17h")
    end = start + pd.Timedelta(hours=hours)

    found = list(walk(start, end))

    assert (found[0].start, found[-1].end) == (start, end)
    assert all(a.end == b.start for a, b in pairwise(found))
    assert all(s.end - s.start <= pd.Timedelta("1D") and s.read_to <= end for s in found)


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        (pd.Timestamp("2026-05-01"), MIDNIGHT, "time zone"),
        (MIDNIGHT + pd.Timedelta("1h"), MIDNIGHT, "back to"),
    ],
)
def test_walk_refuses_what_is_no_period(start: pd.Timestamp, end: pd.Timestamp, words: str) -> None:
    """A period without a time zone, or one that runs backwards, is a caller's mistake."""
    with pytest.raises(ValueError, match=words):
        list(walk(start, end))
