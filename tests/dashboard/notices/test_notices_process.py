"""The process that sends, against real servers: killed at every place, its servers killed and started again."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from typing import TYPE_CHECKING, Any

import pytest

from analysis import ledger
from dashboard.notices.outbox import FILE, replay
from dashboard.notices.state import read_state
from dashboard.watch import utc_now
from ingest.failpoints import NOTICE_PLACES
from tests.support.ingester import ROOT, until
from tests.support.notice_servers import PASSWORD, SWALLOW, HookServer, MailServer
from tests.support.notices import SECRET, Garden, Listener

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
    unmarked = Counter(name for name, marked in taken if not marked)
    return all(count == 1 for count in unmarked.values())


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
    until(lambda: len(listener.cards()) >= 2, "every card", DEADLINE_S)
    garden.end(process)
    listener.stop()

    known = {d.message.id for d in deliveries(garden) if d.state == "delivered"}
    assert {name.strip("<").partition(".brackendale")[0] for name, _ in mails(mail_server)} | {
        name for name, _ in posts(hook_server)
    } >= known
    assert once_or_marked(mails(mail_server)), mails(mail_server)
    assert once_or_marked(posts(hook_server)), posts(hook_server)
    for shown in listener.cards().values():
        assert [card["repeated"] for card in shown[1:]] == [True] * (len(shown) - 1)
    assert garden.end(process) == 0


@pytest.mark.slow
def test_servers_that_die_and_come_back_get_everything(
    garden: Garden, mail_server: MailServer, hook_server: HookServer, broker: Broker
) -> None:
    """Servers down, breaking off, and back: all arrives, repeats say so, a lost broker is told again, the will speaks."""
    garden.write(more='\n[heartbeat]\nevery = "1 s"\nwebhook = "office"\n')
    mail_server.stop()
    broker.kill()
    hook_server.manner = SWALLOW
    process = garden.run()
    until(lambda: sum(d.tries > 0 for d in deliveries(garden)) >= 4, "every message tried", DEADLINE_S)
    hook_server.stop()
    hook_server.manner = "accept"
    for server in (mail_server, hook_server, broker):
        server.start()
    listener = Listener(broker)
    until(lambda: all_delivered(garden), f"every message; log:\n{garden.log()}", DEADLINE_S)
    until(lambda: len(listener.cards()) >= 2, "every card", DEADLINE_S)
    until(lambda: any(t.endswith("/heartbeat") for t, _, _ in listener.heard), "a sign of life", DEADLINE_S)
    running = read_state(garden.archive, "brackendale-test-beds", utc_now())
    garden.end(process, 9)
    until(lambda: b'{"state": "lost"}' in [p for _, p, _ in listener.heard], "the last will", DEADLINE_S)
    listener.stop()

    notices = [p for p in hook_server.taken if p.content["type"] != "tricklebook.heartbeat"]
    copies = [(p.headers["webhook-id"], p.content["repeated"]) for p in notices]
    assert {name for name, _ in copies} == {
        d.message.id for d in deliveries(garden) if "webhook" in d.message.id
    }
    assert once_or_marked(copies), copies
    assert any(marked for _, marked in copies)
    assert sorted(mails(mail_server)) == sorted({*mails(mail_server)})
    assert not any(marked for _, marked in mails(mail_server))
    assert running.running is True
    assert {c.channel: c.problem for c in running.channels} == {"mail": "", "webhook office": "", "mqtt": ""}
    assert any(p.content["type"] == "tricklebook.heartbeat" for p in hook_server.taken)
    assert PASSWORD not in garden.log()
    assert SECRET not in garden.log()


@pytest.mark.slow
def test_the_mail_of_a_backflow_says_first_what_to_do(garden: Garden, mail_server: MailServer) -> None:
    """The stop comes by itself and begins with what to do now; a second process for the archive is refused."""
    garden.write()
    process = garden.run()
    until(lambda: all_delivered(garden), f"every message; log:\n{garden.log()}", DEADLINE_S)
    other = garden.run()
    assert other.wait(DEADLINE_S) == 2
    garden.end(process)

    by_subject = {str(m["Subject"]): m for m in mail_server.taken}
    stop = by_subject["STOP: backflow, head · Brackendale Test Beds"]
    text = stop.get_content().replace("\r\n", "\n")
    assert text.startswith("NOW: stop the injection and shut the supply to the system.\nDo not drink")
    assert text.index("licensed backflow tester") < text.index("STOP: backflow, head, sensor head_flow")
    assert "as your local code asks" in text
    assert stop["Importance"] == "high"
    assert "ACT: preventer test due, head · Brackendale Test Beds" in by_subject
    assert "notices run for this archive already; two would tell everything twice" in garden.log()


@pytest.mark.slow
def test_the_state_is_told_in_the_terminal(garden: Garden) -> None:
    """Of each way what was delivered last and what waits; before anything ran, that too."""
    garden.write()
    where = [*garden.files[:2], "--archive", str(garden.archive)]
    command = [sys.executable, "-m", "tricklebook", "notices", "state", *where]
    before = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    process = garden.run()
    until(lambda: all_delivered(garden), f"every message; log:\n{garden.log()}", DEADLINE_S)
    garden.end(process)
    after = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout

    assert before.startswith("notices: never ran here\n")
    assert after.startswith("notices: NOT running\n")
    assert "\nmail: last delivered today " in after
    assert "\nwebhook office: last delivered today " in after
    assert "waiting 0, given up 0" in after


def trial(garden: Garden, *options: str, **secrets: str) -> subprocess.CompletedProcess[str]:
    """Run ``tricklebook notices test``."""
    command = [sys.executable, "-m", "tricklebook", "notices", "test", *garden.files, *options]
    environment = garden.environment() | secrets
    return subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.slow
def test_a_trial_sends_one_real_message_by_each_way(
    garden: Garden, mail_server: MailServer, hook_server: HookServer
) -> None:
    """What each server answered is printed; a wrong user, a stopped receiver are told, and the status says so."""
    garden.write()
    good = trial(garden)
    hook_server.stop()
    bad = trial(garden, TRICKLEBOOK_NOTICES_MAIL_USER="wrong one")
    unknown = trial(garden, "--to", "anna")

    assert good.returncode == 0, good.stdout + good.stderr
    assert "ana by mail (ana@garden.example): taken: 250 2.0.0 taken over" in good.stdout
    assert "office by webhook office (office): taken: 200 OK taken over" in good.stdout
    assert (
        "taken: the broker has acknowledged tricklebook/state/notices/brackendale-test-beds/test"
        in good.stdout
    )
    assert [str(m["Subject"]) for m in mail_server.taken] == [
        "Test: notices of Brackendale Test Beds get through"
    ]
    assert [p.content["type"] for p in hook_server.taken] == ["tricklebook.test"]
    assert bad.returncode == 5
    assert "NOT taken: 535" in bad.stdout
    assert "NOT taken: Connection refused" in bad.stdout
    assert "wrong one" not in bad.stdout + bad.stderr
    assert unknown.returncode == 2
    assert 'has no such recipient; did you mean "ana"?' in unknown.stderr
