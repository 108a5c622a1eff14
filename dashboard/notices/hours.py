"""Local hours and local times of day, right on days on which the clocks change. Pure functions of instants."""

from __future__ import annotations

from datetime import date, time, timedelta
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo


def within(moment: pd.Timestamp, hours: tuple[time, time], tz: ZoneInfo) -> bool:
    """Return whether the local clock stands between two times of day, start included, end not.

    Parameters
    ----------
    moment : pandas.Timestamp
        The instant. [UTC]
    hours : tuple of datetime.time
        Begin and end; an end before the begin lies on the next day; the same twice is the whole day.
    tz : ZoneInfo
        The place's time zone.

    Returns
    -------
    bool
        By the clock on the wall: on the night on which an hour comes twice, it counts both times.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> night = (time(21), time(6, 30))
    >>> [within(pd.Timestamp(t, tz="UTC"), night, ZoneInfo("UTC")) for t in ("2026-05-01 23:00", "2026-05-01 06:30")]
    [True, False]
    """
    clock = moment.tz_convert(tz).time()
    begin, end = hours
    if begin == end:
        return True
    return begin <= clock < end if begin < end else clock >= begin or clock < end


def daily(day: date, at: time, tz: ZoneInfo) -> pd.Timestamp:
    """Return the instant at which a local time of day comes on a day.

    Parameters
    ----------
    day : datetime.date
        The local day.
    at : datetime.time
        The time of day.
    tz : ZoneInfo
        The place's time zone.

    Returns
    -------
    pandas.Timestamp
        In UTC. A time that the clocks jump over comes when they have jumped; one that comes twice comes first.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> daily(date(2026, 3, 29), time(1, 30), ZoneInfo("Europe/London"))  # the clocks jump from 1:00 to 2:00
    Timestamp('2026-03-29 01:00:00+0000', tz='UTC')
    """
    wall = pd.Timestamp.combine(day, at)
    return wall.tz_localize(tz, ambiguous=True, nonexistent="shift_forward").tz_convert("UTC")


def last_daily(now: pd.Timestamp, at: time, tz: ZoneInfo) -> tuple[date, pd.Timestamp]:
    """Return the newest day, and instant [UTC], at which a local time of day has come.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> last_daily(pd.Timestamp("2026-05-02 06:59", tz="UTC"), time(7), ZoneInfo("UTC"))[0]
    datetime.date(2026, 5, 1)
    """
    today = now.tz_convert(tz).date()
    due = daily(today, at, tz)
    if due <= now:
        return today, due
    yesterday = today - timedelta(days=1)
    return yesterday, daily(yesterday, at, tz)
