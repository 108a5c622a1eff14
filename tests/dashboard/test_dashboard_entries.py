"""Forms are checked as the files are, before anything is written."""

from __future__ import annotations

import pandas as pd
import pytest

from dashboard import entries
from ingest.installation import Installation

NOW = pd.Timestamp("2026-11-25T12:00:00Z")


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        ("", "2026-11-25T12:00:00Z"),
        ("2026-07-01 14:30", "2026-07-01T13:30:00Z"),
        ("2026-11-25 9:05", "2026-11-25T09:05:00Z"),
        ("2026-07-01", "2026-07-01T11:00:00Z"),
        ("2026-11-25", "2026-11-25T12:00:00Z"),
    ],
)
def test_moment_is_read_in_the_sites_time(installation: Installation, written: str, utc: str) -> None:
    """In July 14:30 at Lisbon is 13:30 UTC; a date alone means noon; nothing means now."""
    assert entries.moment(written, installation, NOW) == pd.Timestamp(utc)


@pytest.mark.parametrize(
    ("written", "problem"),
    [
        ("yesterday", "write it like"),
        ("2026-02-30 10:00", "no time at the site"),
        ("2026-03-29 01:30", "clock change"),
        ("2026-10-25 01:30", "clock change"),
        ("2026-12-01", "future"),
        ("2026-11-25 25:00", "no time at the site"),
    ],
)
def test_moment_refuses_what_is_no_time(installation: Installation, written: str, problem: str) -> None:
    """Words, days that do not exist, hours that are skipped or repeated, and the future are refused."""
    with pytest.raises(ValueError, match=problem):
        entries.moment(written, installation, NOW)


def test_service_is_read(installation: Installation) -> None:
    """A filled-in form becomes an entry of the service log."""
    form = {"kind": "acid flush", "zone": "bench1", "note": " done ", "when": "2026-11-24 10:00"}

    entry = entries.service(form, installation, "A. Weller", NOW)

    assert (entry.kind, entry.zone, entry.sensor, entry.note) == ("acid flush", "bench1", None, "done")
    assert entry.time == pd.Timestamp("2026-11-24T10:00:00Z")


@pytest.mark.parametrize(
    ("form", "problem"),
    [
        ({"kind": ""}, "choose one of the kinds"),
        ({"kind": "note", "zone": "bench9"}, "no zone 'bench9'"),
        ({"kind": "note", "sensor": "nope"}, "no sensor 'nope'"),
        ({"kind": "sensor calibrated"}, "name the sensor"),
        ({"kind": ["note"]}, "expected text"),
        ({"kind": "note", "note": "x" * 4001}, "at most 4000"),
        ({"kind": "note", "note": "a\x00b"}, "expected text"),
    ],
)
def test_service_refuses(installation: Installation, form: dict[str, object], problem: str) -> None:
    """What is not described cannot be served; what is not text cannot be kept."""
    with pytest.raises(ValueError, match=problem):
        entries.service(form, installation, "A. Weller", NOW)


def test_name_of_is_the_one_who_logged_in() -> None:
    """Who has logged in signs, whatever the form says; where nobody logs in, the form must name somebody."""
    assert entries.name_of({"person": "Somebody Else"}, "A. Weller") == "A. Weller"
    assert entries.name_of({"person": " B. Ash "}, "") == "B. Ash"
    with pytest.raises(ValueError, match="name of who"):
        entries.name_of({"person": "\n"}, "")
