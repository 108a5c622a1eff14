"""The controller's runs: never two at once, one soon after a start, the planted faults where they belong."""

from __future__ import annotations

from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from sample_data.schedule import (
    DAY_S,
    SESSION_S,
    SHORT_FLUSH_S,
    Scenario,
    irrigations,
    open_share,
    session,
)
from tests.sample_data.conftest import ANCHOR

LONDON = ZoneInfo("Europe/London")
ZONES = ("bench1", "bench2", "border")


@pytest.mark.parametrize("anchor", range(ANCHOR, ANCHOR + DAY_S, 5 * 3600 + 411))
def test_a_run_begins_soon_after_any_start(anchor: int) -> None:
    """Whatever the time of day, a run begins within a minute, and each zone has run within 2.5 hours."""
    runs = irrigations(Scenario(1, 3, (session(anchor),)), LONDON, anchor + 60)

    assert anchor <= runs[-1].start <= anchor + 60
    for zone in ZONES:
        assert any(run.zone == zone and anchor - 9000 < run.end <= anchor for run in runs)


def test_runs_never_overlap() -> None:
    """Through two sessions, a change of the clocks and weeks between, water runs to one zone at a time."""
    autumn = 1_792_000_000  # 2026-10-14; British clocks change on 2026-10-25
    again = autumn + 2 * SESSION_S + 7000
    scenario = Scenario(1, 3, (session(autumn), session(again, not_before=again)))
    runs = irrigations(scenario, LONDON, autumn + 20 * DAY_S)

    assert all(one.end <= other.start for one, other in pairwise(runs))
    assert len(runs) > 200


def test_later_sessions_leave_the_past_alone() -> None:
    """What was already sent stays as it was when the demo is started again."""
    again = ANCHOR + SESSION_S + 600
    before = irrigations(Scenario(1, 3, (session(ANCHOR),)), LONDON, again)
    after = irrigations(Scenario(1, 3, (session(ANCHOR), session(again, not_before=again))), LONDON, again)

    assert after == before


def test_faults_are_planted_once_each() -> None:
    """Three days hold one run without stock, one with too little, and one with too short a flush."""
    runs = irrigations(Scenario(1, 3, (session(ANCHOR),)), LONDON, ANCHOR)
    planted = {run.planted: run for run in runs if run.planted}

    assert sorted(planted) == ["no injection", "short flush", "weak injection"]
    assert planted["no injection"].strength == 0.0
    assert planted["short flush"].flush == SHORT_FLUSH_S


def test_only_bench2_clogs_and_not_without_end() -> None:
    """Clogging starts on the second day, in one zone, and stops at its limit."""
    scenario = Scenario(1, 3, (session(ANCHOR),))
    origin = scenario.origin(LONDON)

    assert open_share(scenario, LONDON, "bench2", origin + DAY_S) == 1.0
    assert open_share(scenario, LONDON, "bench2", origin + 2 * DAY_S) == pytest.approx(0.985)
    assert open_share(scenario, LONDON, "bench2", origin + 200 * DAY_S) == 0.75
    assert open_share(scenario, LONDON, "bench1", origin + 200 * DAY_S) == 1.0
