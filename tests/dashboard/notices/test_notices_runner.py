"""The runner on a real archive, its clock in the test's hands: acknowledged, cleared, restarted, taken from the file."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from analysis.ledger import add_service
from analysis.service import Service
from dashboard.cases import Remark
from dashboard.notices.assemble import Files, assembled
from dashboard.notices.own import ingest_watcher
from dashboard.notices.runner import Parts, Runner
from dashboard.watch import Watch, utc_now
from ingest.errors import UserError
from ingest.status import receiver_path
from tests.support.notice_servers import Certificates
from tests.support.notices import SECRET, Garden

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

MINUTE = pd.Timedelta(minutes=1)


@pytest.fixture
def quiet_garden(tmp_path: Path, papers: Certificates, monkeypatch: pytest.MonkeyPatch) -> Garden:
    """Make an archive with planted faults whose notices go nowhere: no server runs."""
    monkeypatch.setenv("TRICKLEBOOK_NOTICES_WEBHOOK_OFFICE", SECRET)
    made = Garden(tmp_path, 1, 1, 1, papers)
    made.write(
        rules='[rule.all]\nto = ["ana"]\nstands = "0 s"\ngroup = "0 s"\nrepeat = "1 min"\nover = true\n'
    )
    return made


def opened(garden: Garden) -> AbstractContextManager[Parts]:
    """Put the notices of a garden together."""
    files = Files(garden.folder / "installation.toml", garden.archive, garden.folder / "notices.toml")
    return assembled(files, every_s=60.0, days=1.0)


@pytest.fixture
def parts(quiet_garden: Garden) -> Iterator[Parts]:
    """Put everything together, and analyse once."""
    with opened(quiet_garden) as made:
        made.watch.analyse()
        yield made


def sent(parts: Parts) -> list[tuple[str, str]]:
    """Return kind of finding and reason of everything that was decided, told by its subject."""
    return sorted({(d.message.kind, d.message.subject.partition(" ·")[0]) for d in parts.outbox.deliveries()})


def deliver(parts: Parts, now: pd.Timestamp) -> None:
    """Count everything as delivered."""
    from dashboard.notices.deliveries import Answer  # noqa: PLC0415 - only here

    for delivery in parts.outbox.deliveries():
        if not delivery.settled:
            parts.outbox.ended(delivery.message, Answer(arrived=True, said="ok"), now)


def test_acknowledged_on_the_page_ends_the_repeats(parts: Parts) -> None:
    """Repeated each minute until the casebook says that somebody has seen it; the other goes on."""
    runner, now = Runner(parts, utc_now), utc_now()
    for minute in range(2):
        runner.look(now + minute * MINUTE)
        deliver(parts, now + minute * MINUTE)
    seen = parts.records.cases.book().seen
    mark = next(m for m, s in seen.items() if s.finding.kind == "preventer test due")
    parts.records.cases.remark(Remark(mark, now + MINUTE, "Ana", "acknowledge"))
    runner.look(now + 2 * MINUTE)

    assert sent(parts) == [
        ("group", "ACT: preventer test due, head"),
        ("group", "Again, ACT: preventer test due, head"),
        ("stop", "Again, STOP: backflow, head"),
        ("stop", "STOP: backflow, head"),
    ]
    counts = [d.message.data["findings"][0]["count"] for d in parts.outbox.deliveries() if d.message.data]
    assert counts == [3]


def test_backflow_cleared_in_the_service_log_is_over(parts: Parts) -> None:
    """What the finding asks for, an entry with a note, ends it: no repeat, and its end is told."""
    runner, now = Runner(parts, utc_now), utc_now()
    runner.look(now)
    deliver(parts, now)
    add_service(parts.records.archive, Service(now, "Ana", "backflow cleared", None, None, "tested, passed"))
    for minute in (1, 3, 4):
        runner.look(now + minute * MINUTE)

    assert ("group", "Over: backflow, head") in sent(parts)
    assert ("stop", "Again, STOP: backflow, head") not in sent(parts)


def test_a_stopped_ingester_is_told_and_stands_in_the_casebook(parts: Parts) -> None:
    """Its status is old: the watch finds it, the page can acknowledge it, and it is told like any other."""
    now, site = utc_now(), parts.place.installation.site
    path = receiver_path(parts.records.archive, site, "home")
    path.parent.mkdir(parents=True, exist_ok=True)
    dead = (now - 10 * MINUTE).timestamp()
    path.write_text(
        json.dumps({"state": "receiving", "problem": "", "time": dead, "last_ack_us": 0}), "utf-8"
    )
    parts.watch.also = ingest_watcher(parts.records.archive, site, now - 60 * MINUTE)
    parts.watch.analyse()
    Runner(parts, utc_now).look(now)

    assert any("ingest stopped" in d.message.text for d in parts.outbox.deliveries())
    assert "ingest stopped" in {case.finding.kind for case in parts.watch.snapshot.cases}


def test_until_an_analysis_has_ended_what_was_known_stands(parts: Parts) -> None:
    """A restart without results takes nothing for over; the analysis that does not come is told itself."""
    now = utc_now()
    Runner(parts, utc_now).look(now)
    second = replace(parts, watch=Watch(parts.watch.feed, parts.watch.pace, records=parts.records))
    runner = Runner(second, lambda: now)
    runner.look(now + pd.Timedelta(minutes=20))

    assert all(track.away is None for track in parts.outbox.log.tracks.values())
    assert ("group", "ACT: analysis stopped, head") in sent(parts)


def test_what_the_file_no_longer_names_is_given_up(parts: Parts) -> None:
    """A recipient that was taken out gets nothing, and the log says why."""
    Runner(parts, utc_now).look(utc_now())
    settings = parts.settings.model_copy(update={"recipient": {}})
    Runner(replace(parts, settings=settings), utc_now).let_go()

    assert {(d.state, d.said) for d in parts.outbox.deliveries()} == {
        ("given up", "the file has this way or recipient no more")
    }


def test_two_processes_cannot_tell_for_one_archive(parts: Parts, quiet_garden: Garden) -> None:
    """The second is refused with the reason."""
    assert parts.settings.recipient
    with pytest.raises(UserError, match="two would tell everything twice"), opened(quiet_garden):
        pytest.fail("it was let in")
