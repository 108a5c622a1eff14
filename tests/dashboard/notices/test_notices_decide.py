"""Who is told what, and when: one claim a test, and properties over random histories."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest

from dashboard.notices.log import Log
from tests.dashboard.notices.history import MINUTE, History, rules
from tests.support.notices import NOW, case


def test_a_stop_goes_at_once() -> None:
    """A stop waits neither to stand nor for others."""
    history = History(rules())

    (notice,) = history.at(NOW, case("backflow", "stop"))

    assert notice.kind == "stop"


def test_what_does_not_stand_long_enough_is_not_told() -> None:
    """A finding that comes and goes within its time makes no notice."""
    history = History(rules(gone="1 min"))

    history.minutes(9, case())
    history.minutes(60, case(told=False), since=NOW + 10 * MINUTE)

    assert history.sent == []


def test_a_gap_shorter_than_gone_does_not_begin_the_count_anew() -> None:
    """A finding that flickers has stood since it was first told."""
    history = History(rules(gone="5 min", group="0 s"))

    history.minutes(4, case())
    history.at(NOW + 5 * MINUTE, case(told=False))
    history.minutes(10, case(), since=NOW + 7 * MINUTE)

    assert history.sent[0][0] == NOW + 10 * MINUTE


def test_findings_near_in_time_come_in_one_notice() -> None:
    """Two findings within the group's time are told together, the graver first."""
    history = History(rules())
    history.minutes(2, case("emitter clogging", "watch"))
    (notice,) = history.minutes(
        20, case("emitter clogging", "watch"), case("leak", "act"), since=NOW + 3 * MINUTE
    )

    assert [entry.severity for entry in notice.entries] == ["act", "watch"]


def test_quiet_hours_hold_the_rest_and_never_a_stop() -> None:
    """At night only the stop comes; what stood comes when the quiet ends."""
    history = History(rules({"quiet": ["11:00", "13:00"]}))
    history.minutes(59, case("leak"), case("backflow", "stop"))
    night = [notice.kind for _, notice in history.sent]
    history.at(NOW + 60 * MINUTE, case("leak"), case("backflow", "stop"))

    assert night == ["stop"]
    assert history.sent[-1][1].entries[0].severity == "act"


def test_hours_of_a_rule_never_hold_a_stop() -> None:
    """A rule for the day tells a stop at night."""
    history = History(rules(hours=["06:00", "07:00"]))

    sent = history.minutes(120, case("leak"), case("backflow", "stop"))

    assert [notice.kind for notice in sent] == ["stop"]


def test_a_finding_that_becomes_worse_is_told_again_and_says_so() -> None:
    """From act to stop: told at once, though it was told and acknowledged before."""
    history = History(rules(group="0 s"))
    history.minutes(10, case("backflow", "act"))
    mild, grave = case("backflow", "act", acknowledged=True), case("backflow", "stop", acknowledged=True)
    history.at(NOW + 11 * MINUTE, mild)
    (notice,) = history.at(NOW + 12 * MINUTE, grave)

    assert (notice.kind, notice.entries[0].reason, notice.entries[0].count) == ("stop", "worse", 2)


def test_it_is_repeated_until_somebody_acknowledges() -> None:
    """Each repeat is marked; after the acknowledgement none comes."""
    history = History(rules(repeat="60 min", group="0 s"))
    history.minutes(150, case())
    history.minutes(300, case(acknowledged=True), since=NOW + 151 * MINUTE)

    assert [(e.reason, e.count) for e in history.entries] == [("new", 1), ("again", 2), ("again", 3)]


def test_a_repeat_waits_for_the_notice_before_it() -> None:
    """While the last notice could not be delivered, none is piled upon it."""
    history = History(rules(repeat="60 min", group="0 s"))
    (first,) = history.minutes(10, case())
    history.log = Log(history.log.began, history.log.tracks, history.log.told, {}, frozenset({first.id}))

    assert history.minutes(300, case(), since=NOW + 11 * MINUTE) == []


def test_the_end_is_told_where_the_rule_says_so() -> None:
    """Gone for long enough, it is told once that it is over."""
    history = History(rules(over=True, group="0 s"))
    history.minutes(10, case())
    history.minutes(120, case(told=False), since=NOW + 11 * MINUTE)

    assert [entry.reason for entry in history.entries] == ["new", "over"]
    assert history.sent[1][0] == NOW + 41 * MINUTE


def test_the_same_finding_after_its_end_is_new() -> None:
    """What comes again after it was over is told as new."""
    history = History(rules(group="0 s"))
    history.minutes(10, case())
    history.minutes(40, case(told=False), since=NOW + 11 * MINUTE)
    history.minutes(20, case(), since=NOW + 60 * MINUTE)

    assert [(e.reason, e.episode) for e in history.entries] == [("new", 1), ("new", 2)]


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        ({"zones": ["bench2"]}, 0),
        ({"zones": ["bench1"]}, 1),
        ({"kinds": ["leak"]}, 1),
        ({"severity": "stop"}, 0),
    ],
)
def test_a_rule_takes_what_it_names(rule: dict[str, Any], told: int) -> None:
    """Zone, kind and severity choose."""
    history = History(rules(**rule))

    assert len(history.minutes(20, case("leak", "act", zone="bench1"))) == told


def test_the_digest_comes_once_a_day_at_its_local_time_through_a_change_of_clocks() -> None:
    """London, two nights of clock changes: each local day has one summary, at seven by the wall."""
    london = ZoneInfo("Europe/London")
    for first in ("2026-03-28", "2026-10-24"):
        history = History(rules({"digest": "07:00"}), london)
        begin = pd.Timestamp(first, tz=london).tz_convert("UTC")
        history.log = Log(began=begin)
        for quarter in range(3 * 24 * 4):
            history.at(begin + quarter * 15 * MINUTE)

        walls = [time.tz_convert(london).strftime("%d %H:%M") for time, _ in history.sent]
        days = [pd.Timestamp(first) + pd.Timedelta(days=n) for n in range(3)]
        assert walls == [day.strftime("%d 07:00") for day in days]


def test_a_missed_digest_comes_late_and_only_once() -> None:
    """After three days without power there is one summary, not three."""
    history = History(rules({"digest": "07:00"}))

    history.at(NOW + pd.Timedelta(days=3))
    history.at(NOW + pd.Timedelta(days=3, minutes=1))

    assert [notice.day.isoformat() for _, notice in history.sent if notice.day] == ["2026-05-09"]
