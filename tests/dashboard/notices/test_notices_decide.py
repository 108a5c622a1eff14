"""Who is told what, and when: one claim a test, and properties over random histories."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.cases import Case, Remark
from dashboard.notices.decide import Decision, decide
from dashboard.notices.log import Entry, Log, Notice, moved, noticed, rank
from dashboard.notices.settings import Notices
from tests.support.notices import NOW, case

UTC = ZoneInfo("UTC")
MINUTE = pd.Timedelta(minutes=1)


def rules(recipient: dict[str, Any] | None = None, gone: str = "30 min", **rule: Any) -> Notices:
    """Return settings with one recipient and one rule."""
    said = {"to": ["ana"], "severity": "watch", "stands": "10 min", "group": "5 min"} | rule
    return Notices.model_validate(
        {
            "mail": {"host": "localhost", "sender": "a@b.example"},
            "recipient": {"ana": {"mail": "ana@b.example"} | (recipient or {})},
            "rule": {"all": said},
            "gone": gone,
        }
    )


@dataclass
class History:
    """Notices as they come out while time goes by, with everything written down at once."""

    settings: Notices
    tz: ZoneInfo = UTC
    log: Log = field(default_factory=lambda: Log(began=NOW - pd.Timedelta(days=1)))
    sent: list[tuple[pd.Timestamp, Notice]] = field(default_factory=list)

    def at(self, now: pd.Timestamp, *cases: Case) -> list[Notice]:
        """Decide once and write it down."""
        decision = decide(cases, self.log, self.settings, self.tz, now)
        self.log = moved(self.log, decision.moves)
        for notice in decision.notices:
            self.log = noticed(self.log, notice)
            self.sent.append((now, notice))
        return list(decision.notices)

    def minutes(self, count: int, *cases: Case, since: pd.Timestamp = NOW) -> list[Notice]:
        """Decide once a minute, both ends included."""
        return [n for minute in range(count + 1) for n in self.at(since + minute * MINUTE, *cases)]

    @property
    def entries(self) -> list[Entry]:
        """Every entry that was sent."""
        return [entry for _, notice in self.sent for entry in notice.entries]


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


KINDS = ("leak", "backflow", "carry-over")
LEVELS = ("watch", "act", "stop")
STATES = st.sampled_from([*LEVELS, "absent", "past"])
MINUTES = st.lists(
    st.tuples(st.tuples(*(STATES for _ in KINDS)), st.tuples(*(st.booleans() for _ in KINDS))),
    min_size=1,
    max_size=40,
)
SETTINGS = st.builds(
    rules,
    st.sampled_from([None, {"quiet": ["11:00", "13:00"]}, {"quiet": ["12:10", "12:20"], "digest": "12:05"}]),
    st.sampled_from(["0 s", "2 min", "10 min"]),
    severity=st.sampled_from(LEVELS),
    stands=st.sampled_from(["0 s", "3 min", "10 min"]),
    group=st.sampled_from(["0 s", "2 min", "5 min"]),
    repeat=st.sampled_from([None, "1 min", "5 min"]),
    over=st.booleans(),
    hours=st.sampled_from([None, ("06:00", "07:00"), ("12:00", "12:15")]),
)


def told(kind: str, state: str, *, acknowledged: bool) -> list[Case]:
    """Return a case as a state of the random histories says; of backflow, past means cleared by a person."""
    if state == "absent":
        return []
    made = case(kind, "act" if state == "past" else state, told=state != "past", acknowledged=acknowledged)
    if state == "past" and kind == "backflow":
        made = Case(
            made.mark,
            made.finding,
            current=False,
            remarks=(Remark(made.mark, NOW, "Ana", "clear", "looked"),),
        )
    return [made]


def played(minutes: list[Any], config: Notices) -> tuple[History, list[list[Case]]]:
    """Return what comes out of a random history, and the cases of each minute."""
    history, seen = History(config), []
    for number, (states, acks) in enumerate(minutes):
        seen.append(
            [c for k, s, a in zip(KINDS, states, acks, strict=True) for c in told(k, s, acknowledged=a)]
        )
        history.at(NOW + number * MINUTE, *seen[-1])
    return history, seen


@given(MINUTES, SETTINGS)
def test_a_stop_is_never_delayed(minutes: list[Any], config: Notices) -> None:
    """Whenever a finding becomes stop, it is told in that very minute, whatever hours and rules say."""
    history, seen = played(minutes, config)

    for number, cases in enumerate(seen):
        now = NOW + number * MINUTE
        for one in cases:
            if one.state == "past" or one.finding.severity != "stop":
                continue
            told_by_now = [e for t, n in history.sent if t <= now for e in n.entries if e.mark == one.mark]
            assert any(e.severity == "stop" for e in told_by_now)


@given(MINUTES, SETTINGS)
def test_nothing_is_told_twice_unless_it_says_so(minutes: list[Any], config: Notices) -> None:
    """Of each episode there is one new, one worse a level, one over; everything else is marked as again."""
    history, _ = played(minutes, config)

    plain = [
        (e.mark, e.episode, e.reason, e.severity)
        for e in history.entries
        if e.reason not in ("again", "over")
    ]
    assert len(plain) == len(set(plain))
    ends = [(e.mark, e.episode) for e in history.entries if e.reason == "over"]
    assert len(ends) == len(set(ends))
    firsts = [(e.mark, e.episode) for e in history.entries if e.reason == "new"]
    assert len(firsts) == len(set(firsts))
    assert len({notice.id for _, notice in history.sent}) == len(history.sent)


@given(MINUTES, SETTINGS)
def test_what_is_acknowledged_is_not_repeated(minutes: list[Any], config: Notices) -> None:
    """In a minute in which a finding counts as acknowledged, no repeat of it goes out."""
    history, seen = played(minutes, config)

    for time, notice in history.sent:
        cases = {c.mark: c for c in seen[round((time - NOW) / MINUTE)]}
        assert all(cases[e.mark].state == "open" for e in notice.entries if e.reason == "again")


@given(MINUTES, st.sampled_from(["0 s", "3 min", "10 min"]), st.sampled_from(["0 s", "5 min"]))
def test_everything_that_stood_long_enough_is_told(minutes: list[Any], stands: str, group: str) -> None:
    """Told without a break for its time and the group's, unacknowledged and outside quiet hours, it was told."""
    config = rules(stands=stands, group=group, gone="0 s")
    history, seen = played(minutes, config)
    need = round((config.rule["all"].stands + config.rule["all"].group) / 60)

    for kind in KINDS:
        run = 0
        for number, cases in enumerate(seen):
            mine = [c for c in cases if c.finding.kind == kind and c.state == "open"]
            run = run + 1 if mine else 0
            if run > need:
                now = NOW + number * MINUTE
                assert any(e.mark == mine[0].mark for t, n in history.sent if t <= now for e in n.entries)


@given(MINUTES, SETTINGS)
@settings(max_examples=50)
def test_the_same_question_answered_and_written_down_gives_nothing(
    minutes: list[Any], config: Notices
) -> None:
    """Asked again in the same minute, after its answer was written down, it decides nothing."""
    history, seen = played(minutes, config)
    now = NOW + (len(seen) - 1) * MINUTE

    assert decide(seen[-1], history.log, config, UTC, now) == Decision()


def test_ranks_go_from_mild_to_grave() -> None:
    """Watch is less than act, act less than stop."""
    assert [rank(level) for level in LEVELS] == [0, 1, 2]
