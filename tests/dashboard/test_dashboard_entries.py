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


def test_calibration_gives_the_lines_that_the_file_needs(installation: Installation) -> None:
    """A calibration is checked by the file's own model, and told as its lines."""
    form = {"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 0\n1000; 1012,5"}

    made = entries.calibration(form, installation)

    assert made["file"] == (
        "[sensor.head_flow]\ncalibration = [{ from = 2026-11-25, points = [[0, 0], [1000, 1012.5]] }]"
    )


@pytest.mark.parametrize(
    ("form", "problem"),
    [
        ({"sensor": "nope", "when": "2026-11-25", "pairs": "0 0"}, "no sensor"),
        ({"sensor": "head_flow", "when": "soon", "pairs": "0 0"}, "cannot be written"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": ""}, "nothing is filled in"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": "0 zero"}, "as numbers"),
        ({"sensor": "head_flow", "when": "2026-11-25", "pairs": "1 inf"}, "as numbers"),
    ],
)
def test_calibration_refuses(installation: Installation, form: dict[str, object], problem: str) -> None:
    """A calibration that the file would refuse is refused here."""
    with pytest.raises(ValueError, match=problem):
        entries.calibration(form, installation)


def test_dilutions_are_checked_as_the_file_is(installation: Installation) -> None:
    """A series that rises is kept; one that falls is refused with the file's own words."""
    good = entries.dilutions({"stock": "A", "series": "water 0.48\n1:200 1,31\n1:100 2.05"}, installation)

    assert (
        'dilutions = [["water", "0.48 mS/cm"], ["1:200", "1.31 mS/cm"], ["1:100", "2.05 mS/cm"]]'
        in good["file"]
    )
    with pytest.raises(ValueError, match="EC to rise"):
        entries.dilutions({"stock": "A", "series": "water 0.48\n1:200 3\n1:100 2.05"}, installation)
    with pytest.raises(ValueError, match="no stock"):
        entries.dilutions({"stock": "Z", "series": "water 0.48"}, installation)


def test_catch_test_is_turned_into_flow(installation: Installation) -> None:
    """100 mL in 3 min are 2 L/h."""
    made = entries.catch_test({"zone": "bench1", "minutes": "3", "caught": "100 100\n98; 102"}, installation)

    assert made["flow_l_h"][0] == pytest.approx(2.0)
    assert len(made["flow_l_h"]) == 4


@pytest.mark.parametrize("caught", ["", "100", "100 100 100 -1", "a b c d"])
def test_catch_test_refuses(installation: Installation, caught: str) -> None:
    """Fewer than four catches, or no numbers, make no test."""
    with pytest.raises(ValueError, match=r"nothing is filled in|at least 4 catches|as numbers"):
        entries.catch_test({"zone": "bench1", "minutes": "3", "caught": caught}, installation)


def test_name_of_is_the_one_who_logged_in() -> None:
    """Who has logged in signs, whatever the form says; where nobody logs in, the form must name somebody."""
    assert entries.name_of({"person": "Somebody Else"}, "A. Weller") == "A. Weller"
    assert entries.name_of({"person": " B. Ash "}, "") == "B. Ash"
    with pytest.raises(ValueError, match="name of who"):
        entries.name_of({"person": "\n"}, "")
