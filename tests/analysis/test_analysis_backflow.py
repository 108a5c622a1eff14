"""Backflow is told at once where pressure or flow points back, and stays until a person closes it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest

from analysis.backflow.detect import backflow
from analysis.backflow.latch import kept, latched, remember
from analysis.ledger import LedgerError, add_service, append, read_services, rows
from analysis.pipeline import analyse
from analysis.service import Service
from benchmarks.backflow import (
    REST_BEFORE,
    RUNNING,
    false_alarms,
    gross,
    gross_day,
    healthy_day,
    installation,
    leak_back,
    view,
    zeros,
)
from benchmarks.scenarios.make import make
from ingest.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.results import Finding

NOON = pd.Timestamp("2026-05-01T12:00Z")


def _event() -> list[Finding]:
    rng = np.random.default_rng(9)
    system = installation(4.0)
    day = gross_day(rng, 4.0, zeros(rng, 1.0), 0.3, at=REST_BEFORE + 600, running=True)
    return list(backflow(view(system, day, run_ends=REST_BEFORE + 602)))


@pytest.mark.parametrize("running", [True, False])
def test_gross_backflow_is_told_within_twenty_seconds(*, running: bool) -> None:
    """Every one of 25 events with a field above the head is told within 20 s."""
    assert gross(61, 25, running=running, meter=True).max() <= 20.0


def test_sound_system_stays_quiet() -> None:
    """Sixty days of sound systems with zero errors and changing source water raise nothing."""
    hard, soft, _ = false_alarms(62, 4, 15)

    assert (hard, soft) == (0, 0)


@pytest.mark.parametrize("seed", [10_003, 10_010, 10_013])
def test_lines_that_stand_empty_at_a_height_are_no_backflow(seed: int) -> None:
    """Where head and zone, a metre higher, both fall to no pressure after every run, nothing points back."""
    system = make(seed, transport=False)
    first, last = system.readings["time"].min(), system.readings["time"].max()
    results = analyse(system.installation, system.readings, first, last)

    assert system.installation.zone["z1"].elevation > 0.0
    assert [f.kind for f in results.findings if f.kind == "backflow"] == []


def test_first_words_say_what_to_do_now() -> None:
    """The advice begins with stopping and shutting, not drinking, and the licensed tester."""
    (event,) = _event()

    assert event.severity == "stop"
    assert event.advice.startswith("NOW: stop the injection and shut the supply")
    assert "Do not drink" in event.advice
    assert "licensed" in event.advice
    assert "local code" in event.advice


def test_conductivity_alone_only_warns() -> None:
    """A doubling of the source water's EC without a hydraulic sign is watched, not stopped."""
    rng = np.random.default_rng(63)
    day = healthy_day(rng, 0.0, zeros(rng, 0.5), 0.2)
    day["ec"][REST_BEFORE + 700 : REST_BEFORE + 900] = 1.2
    (finding,) = backflow(view(installation(0.0), day))

    assert (finding.kind, finding.severity) == ("backflow", "watch")


def test_slow_leak_back_has_a_stated_limit() -> None:
    """0.05 mS/cm in standing water is told in nearly every season, nothing in none."""
    assert leak_back(64, 0.05, 100) >= 0.95
    assert leak_back(65, 0.0, 100) == 0.0


def test_open_event_is_carried_until_closed(tmp_path: Path) -> None:
    """A later analysis that sees nothing still shows the event; a signed note closes it."""
    (event,) = _event()
    remember(tmp_path, [event])
    remember(tmp_path, [event])
    later = {"start": event.end + pd.Timedelta(days=3), "end": event.end + pd.Timedelta(days=4)}
    (still,) = latched([], kept(tmp_path), (), **later)
    unsigned = Service(later["start"], "A. Weller", "backflow cleared")
    signed = Service(later["start"], "A. Weller", "backflow cleared", note="assembly tested, passed")

    assert still.end == later["end"]
    assert "not closed by a person yet" in still.evidence
    assert len(latched([], kept(tmp_path), (unsigned,), **later)) == 1
    assert "closed by A. Weller" in latched([], kept(tmp_path), (signed,), **later)[0].evidence
    after = {"start": later["end"], "end": later["end"] + pd.Timedelta(days=1)}
    assert latched([], kept(tmp_path), (signed,), **after) == ()


def test_service_log_keeps_what_was_written(tmp_path: Path) -> None:
    """Entries come back in order of time with their zone and note."""
    add_service(tmp_path, Service(NOON, "A. Weller", "filter cleaned"))
    add_service(
        tmp_path, Service(NOON - pd.Timedelta(days=1), "B. Reed", "acid flush", "z1", None, "1 % acid")
    )

    assert [s.kind for s in read_services(tmp_path)] == ["acid flush", "filter cleaned"]
    assert read_services(tmp_path)[0].note == "1 % acid"


def test_service_log_refuses_what_it_cannot_mean(tmp_path: Path) -> None:
    """An unknown kind and an empty name are refused; a broken line is named by its number."""
    with pytest.raises(UserError, match="is not known; expected one of"):
        add_service(tmp_path, Service(NOON, "A. Weller", "acid flsh"))
    with pytest.raises(UserError, match="needs the name"):
        add_service(tmp_path, Service(NOON, " ", "acid flush"))
    (tmp_path / "service.jsonl").write_text("{}\nnot json\n", "utf-8")
    with pytest.raises(LedgerError, match="line 2"):
        read_services(tmp_path)


def test_entry_after_a_torn_line_is_kept(tmp_path: Path) -> None:
    """A line torn by a crash makes room for the next entry; what was whole before it stays."""
    first, second = (Service(NOON + pd.Timedelta(hours=h), "A. Weller", "filter cleaned") for h in (0, 1))
    add_service(tmp_path, first)
    with (tmp_path / "service.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"time": "2026-05-01T12:3')
    add_service(tmp_path, second)

    assert [entry.time for entry in read_services(tmp_path)] == [first.time, second.time]


def test_entries_of_several_writers_are_all_kept(tmp_path: Path) -> None:
    """Eight threads that write forty entries each at once lose none."""

    def write(writer: int) -> None:
        for number in range(40):
            append(tmp_path / "log.jsonl", {"writer": writer, "number": number})

    with ThreadPoolExecutor(8) as pool:
        list(pool.map(write, range(8)))

    assert len({(row["writer"], row["number"]) for row in rows(tmp_path / "log.jsonl")}) == 320


def test_torn_last_line_is_left_out(tmp_path: Path) -> None:
    """A line that a crash cut off does not hide the entries before it."""
    add_service(tmp_path, Service(NOON, "A. Weller", "acid flush"))
    with (tmp_path / "service.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"time": "2026-')

    assert len(read_services(tmp_path)) == 1


def test_run_ends_where_the_benchmark_says() -> None:
    """The invented run has the length that the latencies are counted in."""
    seen = view(
        installation(1.0),
        healthy_day(np.random.default_rng(1), 1.0, zeros(np.random.default_rng(1), 0.1), 0.1),
    )

    assert (seen.runs[0].end - seen.runs[0].start).total_seconds() == RUNNING * 5.0
