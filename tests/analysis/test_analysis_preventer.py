"""The preventer's test is read from description and service log alike: the newest counts, passed or not."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from analysis.findings.preventer import last_test, preventer_test
from analysis.ledger import read_services
from analysis.service import Service
from analysis.view import SeasonView
from tests.analysis.conftest import at
from tests.support.plain import MIDNIGHT, installation, sensor, zone

if TYPE_CHECKING:
    from ingest.installation import Installation

COMMAND = Path(sys.executable).with_name("tricklebook")


def _described(tested: date | None, kind: str = "reduced pressure") -> Installation:
    plain = installation(zone("a"), sensor("flow", "flow", "source", "L/h"))
    supply = plain.supply.model_copy(update={"backflow_preventer": kind, "tested": tested})
    return plain.model_copy(update={"supply": supply})


def _season(tested: date | None, *log: Service, kind: str = "reduced pressure") -> SeasonView:
    """Return one day, 1 May 2026, with a described test and a service log."""
    return SeasonView(_described(tested, kind), MIDNIGHT, at(24), (), (), (), (), log)


def _logged(day: str, kind: str = "preventer tested", note: str = "") -> Service:
    return Service(pd.Timestamp(day, tz="UTC"), "A. Weller", kind, note=note)


@pytest.mark.parametrize(
    ("tested", "severity"),
    [(None, "act"), (date(2025, 4, 30), "act"), (date(2025, 5, 20), "watch"), (date(2026, 1, 1), None)],
)
def test_described_test(tested: date | None, severity: str | None) -> None:
    """A test that is past due is to act on, one due within the month to watch; a licensed tester does it."""
    found = preventer_test(_season(tested))

    assert [(f.kind, f.severity) for f in found] == ([("preventer test due", severity)] if severity else [])
    assert all("licensed tester" in f.advice for f in found)


@pytest.mark.parametrize("kind", ["none", "air gap"])
def test_what_cannot_be_tested_is_not_due(kind: str) -> None:
    """An air gap has no test cocks, and no preventer has no test."""
    assert preventer_test(_season(None, kind=kind)) == []


@pytest.mark.parametrize("tested", [None, date(2024, 3, 2)])
def test_passed_test_in_the_log_counts(tested: date | None) -> None:
    """A passed test in the service log is as good as one in the file, and the newer of the two counts."""
    assert preventer_test(_season(tested, _logged("2026-01-10 09:00"))) == []


def test_older_entry_does_not_hide_the_file() -> None:
    """A test of the log that is older than the file's leaves the file's standing."""
    season = _season(date(2026, 2, 1), _logged("2024-01-10 09:00"))
    test = last_test(season.installation, season.services, season.end)

    assert test is not None
    assert (test.day, test.told) == (date(2026, 2, 1), "the installation file")
    assert preventer_test(season) == []


def test_failed_test_stops() -> None:
    """A test that was not passed is told at once, with what to do, who does it and what codes have to say."""
    (found,) = preventer_test(
        _season(date(2026, 2, 1), _logged("2026-05-01 09:00", "preventer test failed", "second check leaks"))
    )

    assert (found.kind, found.severity, found.start) == ("preventer test failed", "stop", at(9))
    assert "second check leaks" in found.evidence
    assert all(
        words in found.advice
        for words in ("Stop injecting", "shut the supply", "licensed tester", "local codes")
    )


def test_failed_test_stays_until_one_is_passed() -> None:
    """A failed test goes on through later periods, and ends with the next passed test, on the same day too."""
    failed = _logged("2026-04-01 09:00", "preventer test failed")

    (found,) = preventer_test(_season(date(2026, 4, 1), failed))

    assert (found.start, found.end) == (MIDNIGHT, at(24))
    assert preventer_test(_season(date(2026, 3, 1), failed, _logged("2026-04-01 15:00"))) == []


def test_later_test_changes_no_earlier_period() -> None:
    """A period's results stay as they were whatever is entered of the time after it."""
    before = _season(date(2024, 3, 2))

    assert preventer_test(replace(before, services=(_logged("2026-05-03"),))) == preventer_test(before)


def test_command_enters_a_failed_test(tmp_path: Path) -> None:
    """What the command writes down is what is found."""
    told = ["--archive", str(tmp_path), "--kind", "preventer test failed", "--person", "A. Weller"]
    done = subprocess.run(
        [COMMAND, "service", "add", *told, "--time", "2026-05-01T09:00Z", "--note", "relief valve"],
        capture_output=True,
        text=True,
        check=False,
    )
    found = preventer_test(_season(None, *read_services(tmp_path)))

    assert done.returncode == 0, done.stderr
    assert [f.kind for f in found] == ["preventer test failed"]
