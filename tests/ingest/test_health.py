"""The health page and the metrics tell how the ingester is, and what is wrong."""

from __future__ import annotations

import errno
import json
import time
import urllib.error
import urllib.request
from typing import TYPE_CHECKING

import pytest
from prometheus_client.parser import text_string_to_metric_families

from ingest.archiver import Progress
from ingest.health import problems, serve
from ingest.intake import Tally
from ingest.status import StatusFile, archiver_path, read_all, receiver_path
from tests.support.archives import NOON, SITE, pack, store

if TYPE_CHECKING:
    from pathlib import Path


def report(archive: Path, tally: Tally, progress: Progress) -> None:
    """Write both statuses, as the processes do."""
    StatusFile(receiver_path(archive, SITE, "home")).write(tally)
    StatusFile(archiver_path(archive, SITE)).write(progress)


def fetch(port: int, page: str) -> tuple[int, str]:
    """Return status and text of a page."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}{page}", timeout=10) as answer:
            return answer.status, answer.read().decode()
    except urllib.error.HTTPError as error:
        with error:
            return error.code, error.read().decode()


def test_all_is_well(tmp_path: Path) -> None:
    """With both processes at work there is nothing to tell."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    report(tmp_path, Tally(state="receiving"), Progress(state="archiving"))

    assert problems(tmp_path, SITE, time.time()) == []


def test_what_is_wrong_is_told(tmp_path: Path) -> None:
    """A problem of a process, and a process without a sign of life, are told."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    report(tmp_path, Tally(state="disk full", problem="no room"), Progress(state="archiving"))

    assert problems(tmp_path, SITE, time.time()) == ["home: disk full: no room"]
    assert problems(tmp_path, SITE, time.time() + 100) == [
        "home: no sign of life for 100 s",
        "archiver: no sign of life for 100 s",
    ]


def test_nothing_has_run(tmp_path: Path) -> None:
    """Where no ingester has ever run, that is what is wrong."""
    assert problems(tmp_path, SITE, time.time()) == [
        "no receiver has ever run here",
        "no archiver has ever run here",
    ]


def test_status_is_told_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no room for a new file, the status goes into the place of the old one."""
    file = StatusFile(receiver_path(tmp_path, SITE, "home"))
    file.write(Tally(state="receiving"))

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("ingest.status.publish_soon", full)
    file.write(Tally(state="disk full", problem="no room"))

    assert read_all(tmp_path, SITE)[1]["home"]["state"] == "disk full"


def test_health_page_fails_when_something_is_wrong(tmp_path: Path) -> None:
    """A service manager that asks gets status 200 or 503, with the reasons."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    port = serve(tmp_path, SITE, 0)
    report(tmp_path, Tally(state="receiving"), Progress(state="archiving"))
    good = fetch(port, "/health")
    report(tmp_path, Tally(state="disconnected", problem="no way"), Progress(state="archiving"))
    bad = fetch(port, "/health")

    assert (good[0], json.loads(good[1])) == (200, {"healthy": True, "problems": []})
    assert (bad[0], json.loads(bad[1])["problems"]) == (503, ["home: disconnected: no way"])
    assert fetch(port, "/else")[0] == 404


def test_metrics_count_what_was_stored_and_refused(tmp_path: Path) -> None:
    """Prometheus reads readings, rejects by reason, journal, lag, last acknowledgement and disk left."""
    store(tmp_path, [pack(("ec", NOON, 1.0), ("flow", NOON, 2.0)), ("x", b"broken"), pack(("ec", NOON, 1.0))])
    progress = Progress(state="archiving", newest_us=int((time.time() - 60) * 1e6))
    report(tmp_path, Tally(state="receiving", messages=3, acknowledged=3, last_ack_us=5_000_000), progress)

    status, text = fetch(serve(tmp_path, SITE, 0), "/metrics")

    found = {
        (sample.name, *sorted(sample.labels.values())): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }
    assert status == 200
    assert found["tricklebook_readings_total",] == 2
    assert found["tricklebook_duplicates_total",] == 1
    assert found["tricklebook_rejects_total", "syntax"] == 1
    assert found["tricklebook_received_messages_total", "home"] == 3
    assert found["tricklebook_last_acknowledgement_seconds", "home"] == 5
    assert found["tricklebook_journal_bytes",] == 0
    assert 59 < found["tricklebook_lag_seconds",] < 90
    assert found["tricklebook_disk_free_bytes",] > 0
    assert found["tricklebook_receiving", "home"] == 1
    assert found["tricklebook_healthy",] == 1
