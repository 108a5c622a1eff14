"""Dates and times on paper: told so that no reader can take the day for the month."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from dashboard.texts import say

if TYPE_CHECKING:
    from datetime import date
    from zoneinfo import ZoneInfo

    from dashboard.display import Units

LEAST = pd.Timedelta(microseconds=1)
"""A period ends just before its end."""


def written(day: date, units: Units) -> str:
    """Return a date as its reader writes it.

    Examples
    --------
    >>> from datetime import date
    >>> written(date(2026, 4, 2), "metric"), written(date(2026, 4, 2), "us")
    ('2 Apr 2026', 'Apr 2, 2026')
    """
    month = say("calendar.months").split()[day.month - 1]
    return f"{month} {day.day}, {day.year}" if units == "us" else f"{day.day} {month} {day.year}"


def on(moment: pd.Timestamp, tz: ZoneInfo, units: Units) -> str:
    """Return the local date of a moment; as `written`."""
    return written(moment.tz_convert(tz).date(), units)


def at(moment: pd.Timestamp, tz: ZoneInfo, units: Units) -> str:
    """Return local date and time of day; 12 hours for a reader of US customary units.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> moment = pd.Timestamp("2026-04-02T13:05Z")
    >>> at(moment, ZoneInfo("UTC"), "metric"), at(moment, ZoneInfo("UTC"), "us")
    ('2 Apr 2026, 13:05', 'Apr 2, 2026, 1:05 PM')
    """
    local = moment.tz_convert(tz)
    if units != "us":
        return f"{on(moment, tz, units)}, {local:%H:%M}"
    return (
        f"{on(moment, tz, units)}, {(local.hour - 1) % 12 + 1}:{local:%M} {'AM' if local.hour < 12 else 'PM'}"  # noqa: PLR2004 - noon
    )


def period(start: pd.Timestamp, end: pd.Timestamp, tz: ZoneInfo, units: Units) -> str:
    """Return the first and the last day of a period whose end is excluded."""
    return f"{on(start, tz, units)} to {on(max(start, end - LEAST), tz, units)}"
