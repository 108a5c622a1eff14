"""Open findings at a real broker: shown, taken away, shown again after the broker lost them; last will."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator

import pytest

from dashboard.notices.board import Board, Card
from ingest.address import Address
from ingest.packets import V311
from tests.support.broker import Broker, free_port
from tests.support.ingester import until
from tests.support.notices import Listener

BASE = "tricklebook/state/notices/bench"
WAIT_S = 20.0

Start = Callable[[], Board]


@pytest.fixture
def start_board(broker: Broker) -> Iterator[Start]:
    """Start boards that share what they know to have shown, as the outbox does."""
    shown: set[str] = set()
    boards: list[Board] = []

    def before(key: str) -> bool:
        known = key in shown
        shown.add(key)
        return known

    def start() -> Board:
        address = Address(broker.host, broker.port, f"board-{len(boards)}", (), level=V311, keepalive_s=5)
        board = Board(address, BASE, before)
        board.start()
        boards.append(board)
        return board

    yield start
    for board in boards:
        board.stop()


@pytest.fixture
def listener(broker: Broker) -> Iterator[Listener]:
    """Hears everything."""
    made = Listener(broker)
    yield made
    made.stop()


def card(mark: str, level: str = "act") -> dict[str, Card]:
    """Return one card."""
    return {mark: Card(f"{mark}/1/{level}/open", {"id": mark, "severity": level})}


def retained(broker: Broker) -> dict[str, object]:
    """Return what the broker keeps, as one who comes new sees it."""
    late = Listener(broker)
    until(lambda: any(topic.endswith("/status") for topic, _, _ in late.heard), "the status", WAIT_S)
    late.stop()
    return {
        topic.removeprefix(BASE + "/"): json.loads(payload) for topic, payload, kept in late.heard if kept
    }


def test_an_open_finding_is_kept_and_taken_away_when_it_is_over(
    broker: Broker, start_board: Start, listener: Listener
) -> None:
    """One retained message each; an empty one takes it from the broker."""
    board = start_board()
    board.show(card("a") | card("b"))
    until(lambda: set(listener.cards()) == {"a", "b"}, "both cards", WAIT_S)
    board.show(card("b"))
    until(lambda: set(listener.cards()) == {"b"}, "one card taken away", WAIT_S)

    kept = retained(broker)

    assert set(kept) == {"finding/b", "status"}
    assert kept["status"] == {"state": "watching"}
    assert listener.cards()["b"][0]["repeated"] is False


def test_what_changes_is_shown_anew_and_what_does_not_is_left_alone(
    start_board: Start, listener: Listener
) -> None:
    """A graver severity is a new card; the same card is not sent twice."""
    board = start_board()
    for cards in (card("a"), card("a"), card("a", "stop")):
        board.show(cards)
        key = cards["a"].key

        def has_come(key: str = key) -> bool:
            return any(one["key"] == key for one in listener.cards().get("a", []))

        until(has_come, key, WAIT_S)

    assert [one["severity"] for one in listener.cards()["a"]] == ["act", "stop"]


def test_one_that_comes_after_finds_what_is_there_and_clears_what_is_over(
    broker: Broker, start_board: Start, listener: Listener
) -> None:
    """A new process sends nothing that the broker has already, and takes away what ended meanwhile."""
    first = start_board()
    first.show(card("a") | card("b"))
    until(lambda: set(listener.cards()) == {"a", "b"}, "both cards", WAIT_S)
    first.stop()
    second = start_board()
    second.show(card("b"))
    until(lambda: set(listener.cards()) == {"b"}, "the stale card taken away", WAIT_S)

    assert len(listener.cards()["b"]) == 1
    assert set(retained(broker)) == {"finding/b", "status"}


def test_a_broker_that_lost_everything_is_told_again_and_that_it_is_a_repeat(
    broker: Broker, start_board: Start
) -> None:
    """Killed without a memory and started again, it has the card again, marked as repeated."""
    board = start_board()
    board.show(card("a"))
    until(lambda: "finding/a" in retained(broker), "the card", WAIT_S)
    broker.kill()
    until(lambda: not board.connected, "the loss is noticed", WAIT_S)
    broker.start()
    until(lambda: board.connected, "the connection", WAIT_S)
    until(lambda: "finding/a" in retained(broker), "the card again", WAIT_S)

    shown = retained(broker)["finding/a"]
    assert isinstance(shown, dict)
    assert shown["repeated"] is True


def test_signs_of_life_and_the_good_bye(broker: Broker, start_board: Start, listener: Listener) -> None:
    """The heartbeat is kept for who comes late; an end on purpose is told as such."""
    board = start_board()
    until(lambda: board.connected, "the connection", WAIT_S)
    board.beat({"well": True})
    until(lambda: any(topic.endswith("/heartbeat") for topic, _, _ in listener.heard), "the sign", WAIT_S)
    board.stop()

    kept = retained(broker)
    assert kept["heartbeat"] == {"well": True}
    assert kept["status"] == {"state": "ended"}


def test_a_trial_says_what_the_broker_says(broker: Broker) -> None:
    """One message, acknowledged; where nobody listens, the reason."""
    good = Board(Address(broker.host, broker.port, "trial", (), level=V311), BASE, lambda _: True)
    bad = Board(Address("127.0.0.1", free_port(), "trial", (), level=V311), BASE, lambda _: True)

    assert good.try_out({"test": True}, WAIT_S) == ""
    assert "no way to the broker" in bad.try_out({"test": True}, 2.0)
