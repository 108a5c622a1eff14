"""The process that sends, against real servers: killed at every place, its servers killed and started again."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest

from analysis import ledger
from dashboard.notices.outbox import FILE, replay
from ingest.failpoints import NOTICE_PLACES
from tests.support.ingester import until
from tests.support.notice_servers import HookServer, MailServer
from tests.support.notices import Garden, Listener

if TYPE_CHECKING:
    from tests.support.broker import Broker

DEADLINE_S = 60.0
"""How long anything may take before a test fails. [s]"""


def deliveries(garden: Garden) -> list[Any]:
    """Return every message that the file knows, and how far it has come."""
    return list(replay(ledger.rows(garden.archive / FILE))[1].values())


def all_delivered(garden: Garden, count: int = 4) -> bool:
    """Return whether a number of messages were written down, and all are delivered."""
    known = deliveries(garden)
    return len(known) >= count and all(d.state == "delivered" for d in known)


def once_or_marked(taken: list[tuple[str, bool]]) -> bool:
    """Return whether of each message (identifier, marked) all copies but one are marked as repeated."""
    copies = Counter(name for name, _ in taken)
    unmarked = Counter(name for name, marked in taken if not marked)
    return all(
        (unmarked[name] <= 1 and copies[name] - unmarked[name] == copies[name] - 1) or copies[name] == 1
        for name in copies
    )


def mails(server: MailServer) -> list[tuple[str, bool]]:
    """Return identifier of each mail that came, and whether it is marked as a possible repeat."""
    return [(str(m["Message-ID"]), str(m["Subject"]).startswith("Repeat?")) for m in server.taken]


def posts(server: HookServer) -> list[tuple[str, bool]]:
    """Return identifier of each message that came, and whether it is marked as a possible repeat."""
    return [(p.headers["webhook-id"], p.content["repeated"]) for p in server.taken]


@pytest.mark.slow
@pytest.mark.parametrize("spot", NOTICE_PLACES)
def test_killed_at_a_place_each_notice_arrives_once_or_is_marked(
    garden: Garden, mail_server: MailServer, hook_server: HookServer, broker: Broker, spot: str
) -> None:
    """Killed where it hurts and started again, every notice arrives, and a second copy says that it is one."""
    garden.write()
    listener = Listener(broker)
    killed = garden.run(f"{spot}:1:kill")
    assert killed.wait(DEADLINE_S) == -9, garden.log()

    process = garden.run()
    until(lambda: all_delivered(garden), f"every message; log:\n{garden.log()}", DEADLINE_S)
    until(lambda: len(listener.cards()) == 3, "every card", DEADLINE_S)
    garden.end(process)
    listener.stop()

    assert len({name for name, _ in mails(mail_server)}) == len({name for name, _ in posts(hook_server)}) == 2
    assert once_or_marked(mails(mail_server)), mails(mail_server)
    assert once_or_marked(posts(hook_server)), posts(hook_server)
    for shown in listener.cards().values():
        assert [card["repeated"] for card in shown[1:]] == [True] * (len(shown) - 1)
    assert garden.end(process) == 0
