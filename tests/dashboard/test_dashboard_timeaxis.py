"""The time axis has UTC positions and the site's wall time, on clock-change days too."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from dashboard.timeaxis import clock_changes, ticks

LISBON, KOLKATA, NEW_YORK = ZoneInfo("Europe/Lisbon"), ZoneInfo("Asia/Kolkata"), ZoneInfo("America/New_York")


def at(*parts: int) -> float:
    """Return a UTC instant. [s since 1970]"""
    return datetime(*parts, tzinfo=UTC).timestamp()  # type: ignore[misc, arg-type]  # year to second


def test_ticks_show_the_sites_wall_time() -> None:
    """01:00 UTC is marked 21:00 in New York, at the position of 01:00 UTC."""
    marks = dict(ticks(at(2026, 7, 1, 0), at(2026, 7, 1, 4), NEW_YORK, 5))

    assert marks[at(2026, 7, 1, 1)] == "21:00"


def test_ticks_name_the_date_once_a_day() -> None:
    """The date stands under the first mark, and under the first after midnight."""
    labels = [text for _, text in ticks(at(2026, 11, 24, 20), at(2026, 11, 25, 4), LISBON, 9)]

    assert [text for text in labels if "<br>" in text] == ["20:00<br>Tue 24 Nov 2026", "00:00<br>Wed 25 Nov"]


def test_ticks_of_a_half_hour_zone_stand_on_its_own_hours() -> None:
    """In Kolkata, 5 h 30 min ahead, hours begin half past in UTC."""
    positions = [p for p, _ in ticks(at(2026, 1, 1, 0), at(2026, 1, 1, 6), KOLKATA, 6)]

    assert all(p % 3600 == 1800 for p in positions)
    assert len(positions) == 6


def test_ticks_when_clocks_go_forward_skip_the_lost_hour() -> None:
    """On the last Sunday of March, Lisbon has no 01:00; hours before and after stay true."""
    labels = [t.split("<br>")[0] for _, t in ticks(at(2026, 3, 28, 23), at(2026, 3, 29, 3), LISBON, 5)]

    assert labels == ["23:00", "00:00", "02:00", "03:00", "04:00"]


def test_ticks_when_clocks_go_back_show_the_hour_twice() -> None:
    """On the last Sunday of October, Lisbon has 01:00 twice, an hour apart."""
    marks = ticks(at(2026, 10, 24, 23), at(2026, 10, 25, 3), LISBON, 5)

    ones = [p for p, text in marks if text.startswith("01:00")]
    assert ones == [at(2026, 10, 25, 0), at(2026, 10, 25, 1)]


def test_ticks_of_weeks_begin_at_local_midnight() -> None:
    """Marks of days stand where the site's day begins, also across a clock change."""
    positions = [p for p, _ in ticks(at(2026, 3, 24), at(2026, 4, 2), LISBON, 12)]

    assert at(2026, 3, 29, 0) in positions
    assert at(2026, 3, 29, 23) in positions


@pytest.mark.parametrize("span", [1, 10, 100, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9])
@pytest.mark.parametrize("most", [3, 8, 14])
def test_ticks_always_fit(span: float, most: int) -> None:
    """Never more marks than have room (one more at the edge), and always at least one from ten seconds on."""
    marks = ticks(1.75e9, 1.75e9 + span, LISBON, most)

    assert len(marks) <= most + 1
    assert len(marks) >= (1 if 10 <= span < 1e9 else 0)
    assert all(1.75e9 <= p <= 1.75e9 + span for p, _ in marks)


def test_clock_changes_are_marked_with_what_they_do() -> None:
    """Both changes of a year carry their direction."""
    spring = clock_changes(at(2026, 3, 28), at(2026, 3, 30), LISBON)
    autumn = clock_changes(at(2026, 10, 24), at(2026, 10, 26), LISBON)

    assert spring == [(at(2026, 3, 29, 1), "clocks go forward 60 min")]
    assert autumn == [(at(2026, 10, 25, 1), "clocks go back 60 min")]


def test_clock_changes_are_left_out_of_long_ranges() -> None:
    """A year has no room for an hour."""
    assert clock_changes(at(2026, 1, 1), at(2026, 12, 31), LISBON) == []
