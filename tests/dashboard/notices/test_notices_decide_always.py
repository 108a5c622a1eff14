"""What holds for every history and every rule: no stop is delayed, and nothing is told twice without saying so."""

from __future__ import annotations

from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from dashboard.cases import Case, Remark
from dashboard.notices.decide import Decision, decide
from dashboard.notices.log import rank
from dashboard.notices.settings import Notices
from tests.dashboard.notices.history import MINUTE, UTC, History, rules
from tests.support.notices import NOW, case

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
