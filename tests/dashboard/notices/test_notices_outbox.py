"""The outbox: what survives a crash, a torn line and a full disk, and what is tried when."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from analysis import ledger
from dashboard.notices.deliveries import Answer, Delivery, Message, due, wait
from dashboard.notices.log import Entry, Moved, Notice
from dashboard.notices.outbox import FILE, Outbox
from tests.support.notices import NOW

SECOND = pd.Timedelta(seconds=1)
YES, NO = Answer(arrived=True, said="250 ok"), Answer(arrived=False, said="451 no")
UNSURE = Answer(arrived=False, said="the connection broke", sure=False)


def notice(number: int = 1, kind: Any = "group") -> tuple[Notice, list[Message]]:
    """Return a notice and the message that carries it."""
    made = Notice(f"n{number}", "ana", kind, NOW + number * SECOND, (Entry("m", 1, "new", "act"),))
    said = ("subject", "text", {"a": 1})
    return made, [Message(f"n{number}.mail", made.id, "ana", kind, "mail", "ana@b.example", made.time, *said)]


def states(outbox: Outbox) -> dict[str, str]:
    """Return each message's state."""
    return {d.message.id: d.state for d in outbox.deliveries()}


def test_what_is_written_is_known_after_a_restart(tmp_path: Path) -> None:
    """Moves, notices and how far each message has come are the same after reading the file."""
    first = Outbox(tmp_path, NOW)
    made, messages = notice()
    first.queue(made, messages)
    first.move([Moved("m", "told", NOW, 1, "act")])
    first.attempt(messages[0], NOW)
    first.ended(messages[0], NO, NOW)

    second = Outbox(tmp_path, NOW + 60 * SECOND)

    assert second.log == first.log
    assert second.deliveries() == first.deliveries()
    assert second.log.waiting == {"n1"}
    assert second.log.began == NOW


def test_an_attempt_without_an_end_leaves_a_doubt_and_is_due_at_once(tmp_path: Path) -> None:
    """After a crash within an attempt the next one is marked with the time of the first."""
    first = Outbox(tmp_path, NOW)
    made, (message,) = notice()
    first.queue(made, [message])
    first.attempt(message, NOW + 7 * SECOND)

    (again,) = Outbox(tmp_path, NOW + 60 * SECOND).due("mail", NOW + 60 * SECOND)

    assert (again.doubt, again.tries) == (NOW + 7 * SECOND, 1)


def test_a_torn_last_line_is_as_if_it_had_not_been_written(tmp_path: Path) -> None:
    """Cut anywhere in its last line, the file is read, and the next line stands whole."""
    made, (message,) = notice()
    whole = Outbox(tmp_path, NOW)
    whole.queue(made, [message])
    before = (tmp_path / FILE).read_bytes()
    whole.attempt(message, NOW)
    after = (tmp_path / FILE).read_bytes()
    for cut in range(len(before), len(after) - 1):
        (tmp_path / FILE).write_bytes(after[:cut])
        torn = Outbox(tmp_path, NOW)
        assert states(torn) == {"n1.mail": "queued"}
        torn.attempt(message, NOW)
        assert [row["what"] for row in ledger.rows(tmp_path / FILE)] == ["began", "notice", "attempting"]


def test_a_file_that_takes_nothing_does_not_silence(tmp_path: Path) -> None:
    """The message goes out all the same, the problem is told, and the lines follow when there is room."""
    outbox = Outbox(tmp_path, NOW)
    made, (message,) = notice()
    (tmp_path / FILE).rename(tmp_path / "kept")
    (tmp_path / FILE).mkdir()
    outbox.queue(made, [message])
    (one,) = outbox.due("mail", NOW)
    assert one.message == message
    assert "cannot be written" in outbox.problem
    (tmp_path / FILE).rmdir()
    (tmp_path / "kept").rename(tmp_path / FILE)
    outbox.attempt(message, NOW)
    outbox.ended(message, YES, NOW)

    assert outbox.problem == ""
    assert states(Outbox(tmp_path, NOW)) == {"n1.mail": "delivered"}


def test_only_what_may_have_arrived_is_in_doubt(tmp_path: Path) -> None:
    """A sure failure leaves none; an unsure one does, with the time of its attempt."""
    outbox = Outbox(tmp_path, NOW)
    for number, answer in ((1, NO), (2, UNSURE)):
        made, (message,) = notice(number)
        outbox.queue(made, [message])
        outbox.attempt(message, NOW + 5 * SECOND)
        outbox.ended(message, answer, NOW + 9 * SECOND)

    assert [d.doubt for d in outbox.deliveries()] == [None, NOW + 5 * SECOND]


def test_waits_grow_and_a_stop_waits_least() -> None:
    """From a quarter of a minute to an hour; a stop is tried every five minutes at the latest."""
    assert [wait("group", tries) / SECOND for tries in (1, 2, 3, 20)] == [15, 30, 60, 3600]
    assert wait("stop", 20) == pd.Timedelta(minutes=5)


def test_stops_go_first_and_a_success_opens_the_way() -> None:
    """Due are the queued, stops first; what failed is due after its wait, or when the way has opened."""

    def one(number: int, kind: str, state: Any, last: pd.Timestamp, tries: int = 0) -> Delivery:
        message = notice(number, kind)[1][0]
        return Delivery(message, state, tries, last)

    failed, fresh, stop = (
        one(1, "group", "failed", NOW, 9),
        one(2, "group", "queued", NOW),
        one(3, "stop", "queued", NOW),
    )
    soon = NOW + 60 * SECOND

    assert due([failed, fresh, stop], "mail", soon) == [stop, fresh]
    assert due([failed], "mail", NOW + pd.Timedelta(hours=1)) == [failed]
    assert failed in due([failed, one(4, "group", "delivered", soon)], "mail", soon)
    assert due([fresh], "webhook x", soon) == []


def test_what_fails_for_days_is_given_up_except_a_stop(tmp_path: Path) -> None:
    """A group notice is given up after three days and says so; a stop never."""
    outbox = Outbox(tmp_path, NOW)
    for number, kind in ((1, "group"), (2, "stop")):
        made, (message,) = notice(number, kind)
        outbox.queue(made, [message])
        outbox.attempt(message, NOW)
        outbox.ended(message, NO, NOW)

    later = outbox.due("mail", NOW + pd.Timedelta(days=4))

    assert states(outbox) == {"n1.mail": "given up", "n2.mail": "failed"}
    assert [d.message.kind for d in later] == ["stop"]


def test_a_line_of_another_time_is_left_alone(tmp_path: Path) -> None:
    """A line that says nothing known, from a newer program, harms nothing."""
    Outbox(tmp_path, NOW)
    ledger.append(tmp_path / FILE, {"what": "something new", "time": NOW.isoformat()})

    assert Outbox(tmp_path, NOW).log.began == NOW
