"""What people read: what to do first, short subjects, local times, the installation's units, the daily summary."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, Any

import pandas as pd
import pytest

from analysis.backflow.detect import LATER, NOW_POTABLE
from analysis.results import Results, Run
from dashboard.cases import Case, mark_of
from dashboard.notices.deliveries import Delivery, Message
from dashboard.notices.digest import Matter, digest_words
from dashboard.notices.log import Entry, Log, Notice, Told, Track
from dashboard.notices.messages import messages
from dashboard.notices.own import (
    INGEST_SILENT,
    analysis_finding,
    ingest_finding,
    receivers_of,
)
from dashboard.notices.settings import Recipient
from dashboard.notices.state import notices_state
from dashboard.notices.words import Place, finding_words
from dashboard.snapshot import Snapshot
from tests.support.notices import NOW, case

if TYPE_CHECKING:
    from ingest.installation import Installation

MINUTE = pd.Timedelta(minutes=1)


def notice(*cases: Case, kind: Any = "group", reason: Any = "new", count: int = 1) -> Notice:
    """Return a notice of some cases."""
    entries = tuple(Entry(c.mark, 1, reason, c.finding.severity, count) for c in cases)
    return Notice("n1", "ana", kind, NOW, entries)


def words(place: Place, *cases: Case, **more: Any) -> Any:
    """Return what a notice of some cases says."""
    return finding_words(notice(*cases, **more), {c.mark: c for c in cases}, place)


def test_the_first_words_of_a_backflow_are_what_to_do(place: Place) -> None:
    """Isolate, do not drink, call a licensed tester, local codes: before anything else."""
    one = case("backflow", "stop", zone=None, advice=f"{NOW_POTABLE} {LATER}")

    said = words(place, one, kind="stop")

    assert said.text.replace("\n", " ").startswith(NOW_POTABLE)
    assert said.text.splitlines()[1].startswith("Do not drink from taps on the same supply")
    assert said.subject == "STOP: backflow, head · Brackendale Test Beds"
    assert "replaces no backflow preventer" in said.text


def test_times_are_local_and_the_zone_is_named(place: Place) -> None:
    """Twelve in UTC is one in Lisbon's summer, and the text says where that is."""
    text = words(place, case()).text

    assert "Seen today 12:50 to 13:00." in text
    assert "Written at 13:00, Europe/Lisbon (UTC+1); times are local." in text


@pytest.mark.parametrize(("units", "size"), [("metric", "Size: 12\xa0kPa."), ("us", "Size: 1.8\xa0psi.")])
def test_sizes_have_the_units_of_the_installation(installation: Installation, units: str, size: str) -> None:
    """Metric or US, as the installation says."""
    system = installation.model_copy(update={"units": units})

    assert size in words(Place(system), case()).text


def test_a_subject_fits_a_phone_and_keeps_what_matters(installation: Installation) -> None:
    """The end is cut, never the severity, the kind or the place."""
    system = installation.model_copy(
        update={"name": "A Name That Is Much Longer Than Any Phone Shows In Two Lines"}
    )
    many = [case(kind, "act") for kind in ("leak", "flow outside injector range")]

    said = words(Place(system), *many)

    assert len(said.subject) <= 60
    assert said.subject.startswith("ACT: leak, bench1 (+1) · A Name")


def test_a_repeat_and_a_worsening_say_so(place: Place) -> None:
    """Marked in the subject and in the head line; machines read it as data."""
    again = words(place, case(), reason="again", count=3)
    worse = words(place, case("backflow", "stop"), reason="worse", kind="stop")

    assert again.subject.startswith("Again, ACT: leak, bench1")
    assert "Still open; told for the 3. time." in again.text
    assert again.data["findings"][0]["repeated"] is True
    assert "It has become worse." in worse.text


def test_many_findings_do_not_make_an_endless_text(place: Place) -> None:
    """Twenty are spelled out, the rest is counted, the data has all."""
    many = [case("leak", "act", sensor=f"s{n}") for n in range(25)]

    said = words(place, *many)

    assert "And 5 more; the page shows all." in said.text
    assert len(said.data["findings"]) == 25
    assert json.loads(json.dumps(said.data)) == said.data


def test_messages_of_one_finding_know_their_parents(place: Place) -> None:
    """The second notice of a finding goes by the same ways and names the first by each way."""
    one = case()
    told = Told("act", 1, NOW, ("n0",))
    log = Log(tracks={one.mark: Track(1, NOW, "act", NOW)}, told={("ana", one.mark, 1): told})
    old = [
        Delivery(Message(f"n0.{c}", "n0", "ana", "group", c, "x", NOW, "", ""), "delivered", 1, NOW)
        for c in ("mail", "webhook h")
    ]
    recipient = Recipient(mail="ana@garden.example", webhook="h")

    made = messages(notice(one), recipient, Matter({one.mark: one}, log, None), old, place)

    assert [(m.id, m.channel, m.parents) for m in made] == [
        ("n1.mail", "mail", ("n0.mail",)),
        ("n1.webhook.h", "webhook h", ("n0.webhook h",)),
    ]


def summary(
    place: Place, *cases: Case, over: tuple[Case, ...] = (), results: Results | None = None, **more: Any
) -> Any:
    """Return a daily summary."""
    tracks = {c.mark: Track(1, NOW, c.finding.severity, NOW) for c in cases}
    tracks |= {c.mark: Track(1, NOW, "act", NOW, NOW - 90 * MINUTE, over=True) for c in over}
    known = {c.mark: c for c in (*cases, *over)}
    made = Notice("n1", "ana", "digest", NOW, day=NOW.date())
    return digest_words(made, Matter(known, Log(tracks=tracks), results, **more), place)


def test_the_summary_tells_open_over_water_and_watching(place: Place) -> None:
    """Worst first; acknowledged marked; the last day's water of each zone; what does not watch."""
    runs = tuple(
        Run("bench1", NOW - h * 60 * MINUTE, NOW - h * 60 * MINUTE + 20 * MINUTE, v, None)
        for h, v in ((3, 200.0), (9, 66.0), (30, 500.0))
    )
    results = Results("x", NOW, NOW, "1", runs, (), ())
    said = summary(
        place, case(acknowledged=True), case("no injection", "act", zone="bench2"),
        over=(case("sensor silent", "watch", told=False),), results=results, problems=("ingest stopped: since noon",), waiting=2,
    )  # fmt: skip

    lines = said.text.splitlines()
    assert said.subject == "Daily summary: 2 open · Brackendale Test Beds"
    assert lines[lines.index("Open") + 1] == "- ACT: no injection, zone bench2, since today 12:50"
    assert lines[lines.index("Open") + 2] == "- ACT: leak, zone bench1, since today 12:50; acknowledged"
    assert "- WATCH: sensor silent, zone bench1, since today 12:50" in lines
    assert "- bench1: runs 2, water 266.0\xa0L" in lines
    assert "- bench2: runs 0, water 0.0\xa0L" in lines
    assert "- ingest stopped: since noon" in lines
    assert "- messages not delivered yet: 2" in lines


def test_a_summary_with_a_stop_begins_with_what_to_do(place: Place) -> None:
    """Whoever reads only the summary reads that first."""
    said = summary(place, case("backflow", "stop", advice="NOW: shut it."))

    assert said.text.startswith("NOW: shut it.")
    assert said.subject.startswith("STOP: Daily summary: 1 open")


def test_a_summary_of_nothing_says_so(place: Place) -> None:
    """No finding, no analysis yet: both are said."""
    said = summary(place)

    assert said.subject == "Daily summary: nothing open · Brackendale Test Beds"
    assert "- not known: no analysis has ended yet" in said.text


def test_water_that_was_not_metered_is_no_total(place: Place) -> None:
    """A run without a volume makes the sum a least one."""
    runs = tuple(Run("bench1", NOW - h * 60 * MINUTE, NOW, v, None) for h, v in ((3, 200.0), (9, None)))

    assert (
        "water at least 200.0\xa0L" in summary(place, results=Results("x", NOW, NOW, "1", runs, (), ())).text
    )


def statuses(age_s: float, state: str = "receiving", problem: str = "") -> dict[str, dict[str, Any]]:
    """Return the status of one receiver that acknowledged a minute before it wrote."""
    at = NOW.timestamp() - age_s
    return {"home": {"state": state, "problem": problem, "time": at, "last_ack_us": int((at - 60) * 1e6)}}


def test_a_stopped_ingester_is_a_finding_that_keeps_its_start() -> None:
    """Told from its last sign of life on, the same at every look; silent where none has ever run."""
    began = NOW - 600 * MINUTE
    first = ingest_finding(receivers_of(statuses(300)), began, NOW)
    later = ingest_finding(receivers_of(statuses(300)), began, NOW + 5 * MINUTE)

    assert first is not None
    assert later is not None
    assert (first.kind, first.severity, first.start) == ("ingest stopped", "act", NOW - 5 * MINUTE)
    assert mark_of(first) == mark_of(later)
    assert ingest_finding(receivers_of({}), began, NOW) is None
    assert ingest_finding(receivers_of(statuses(10)), began, NOW) is None


def test_an_ingester_without_its_broker_is_told_with_the_reason() -> None:
    """It gives signs of life and receives nothing: that counts from its last acknowledgement."""
    status = statuses(1, "disconnected", "the broker refused the connection") | {
        "other": statuses(3000)["home"]
    }
    told = ingest_finding(receivers_of(status), NOW - 600 * MINUTE, NOW + INGEST_SILENT)

    assert told is not None
    assert "the broker refused the connection" in told.evidence
    assert told.start == NOW - pd.Timedelta(seconds=61)


def test_a_stopped_analysis_is_a_finding() -> None:
    """A quarter of an hour without results, with the reason where there is one."""
    snapshot = Snapshot(NOW, computed=NOW - 20 * MINUTE, problems={"analyse": "a file cannot be read"})
    told = analysis_finding(snapshot, NOW, NOW)

    assert told is not None
    assert (told.kind, told.start) == ("analysis stopped", NOW - 20 * MINUTE)
    assert "a file cannot be read" in told.evidence
    assert analysis_finding(Snapshot(NOW, computed=NOW), NOW - 60 * MINUTE, NOW) is None


def test_a_long_analysis_is_not_a_stopped_one() -> None:
    """Where the last one took four minutes, twenty without results are no finding; forty are."""
    results = Results("x", NOW, NOW, "1", (), (), ())
    slow = Snapshot(NOW, results=results, computed=NOW + 4 * MINUTE)

    assert analysis_finding(slow, NOW, NOW + 24 * MINUTE) is None
    assert analysis_finding(slow, NOW, NOW + 44 * MINUTE) is not None


def test_the_state_for_the_page_tells_each_way() -> None:
    """Last delivered, last failed with its reason, what waits; a process that is silent does not run."""

    def one(number: int, state: Any, minutes: int, said: str = "") -> Delivery:
        message = Message(f"n{number}", "n", "ana", "group", "mail", "a@b.example", NOW, "", "")
        return Delivery(message, state, 1, NOW + minutes * MINUTE, said=said)

    status = {
        "state": "watching",
        "problem": "",
        "beaten": None,
        "board": False,
        "board_problem": "refused",
        "time": NOW.timestamp(),
    }
    told = notices_state([one(1, "delivered", 1), one(2, "failed", 2, "451 no")], status, NOW)
    mended = notices_state([one(1, "delivered", 3), one(2, "failed", 2, "451 no")], status, NOW + MINUTE)

    mail, mqtt = told.channels
    assert (mail.delivered, mail.failed, mail.problem, mail.waiting) == (
        NOW + MINUTE,
        NOW + 2 * MINUTE,
        "451 no",
        1,
    )
    assert (mqtt.channel, mqtt.problem) == ("mqtt", "refused")
    assert (told.running, mended.running, mended.channels[0].problem) == (True, False, "")


def test_no_text_is_left_unfilled(place: Place) -> None:
    """No brace of a template comes through."""
    said = words(place, case(), case("backflow", "stop"), reason="over")

    assert not re.search(r"[{}]", said.text)
