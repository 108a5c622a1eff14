"""Marks of a time axis: positions are seconds since 1970 (UTC), labels are the site's wall time.

The axis is a plain number line. A date axis would be moved to the time zone of whoever looks.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Iterator
    from zoneinfo import ZoneInfo

_CLOCK_STEPS = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 10800, 21600, 43200)
"""Distances of marks that are told by the clock. [s]"""

_DAY_STEPS = (1, 2, 7, 14)
_MONTH_STEPS = (1, 3, 6, 12, 24, 60, 120)
_QUARTER = 900
"""Every offset from UTC in use today is a multiple of it. [s]"""

LONGEST_FOR_CLOCK_CHANGES = 62 * 86400
"""Clock changes are marked up to this range; beyond it an hour is less than two pixels (computed). [s]"""

Mark = tuple[float, str]
"""Position and label. [s]"""


def ticks(start: float, end: float, tz: ZoneInfo, most: int) -> list[Mark]:
    """Return the marks of a time axis.

    Parameters
    ----------
    start, end : float
        Ends of the axis. [s since 1970, UTC]
    tz : zoneinfo.ZoneInfo
        The site's time zone.
    most : int
        Most marks that have room. [-]

    Returns
    -------
    list of tuple of float and str
        Position [s since 1970, UTC] and label; the date stands under the first mark of each day.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> ticks(1764057600, 1764064800, ZoneInfo("Europe/Lisbon"), 3)
    [(1764057600.0, '08:00<br>Tue 25 Nov 2025'), (1764061200.0, '09:00'), (1764064800.0, '10:00')]
    """
    for step in _CLOCK_STEPS:
        if (end - start) / step <= most:
            return _clock_labels(list(_clock_marks(start, end, tz, step)), tz, step)
    for days in _DAY_STEPS:
        if (end - start) / 86400 / days <= most:
            return _day_labels([t for t in _days(start, end, tz) if _ordinal(t, tz) % days == 0], tz)
    for months in _MONTH_STEPS:
        if (end - start) / (86400 * 30.44) / months <= most:
            break
    return _month_labels([t for t in _days(start, end, tz) if _starts_months(t, tz, months)], tz, months)


def clock_changes(start: float, end: float, tz: ZoneInfo) -> list[Mark]:
    """Return where the site's clocks change, with what they do.

    Parameters
    ----------
    start, end : float
        Ends of the axis. [s since 1970, UTC]
    tz : zoneinfo.ZoneInfo
        The site's time zone.

    Returns
    -------
    list of tuple of float and str
        Position [s since 1970, UTC] and label; none beyond `LONGEST_FOR_CLOCK_CHANGES`.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> clock_changes(1761350400, 1761523200, ZoneInfo("Europe/Lisbon"))
    [(1761440400.0, 'clocks go back 60 min')]
    """
    if end - start > LONGEST_FOR_CLOCK_CHANGES:
        return []
    found = []
    before = _offset(start, tz)
    for hour in range(int(start // _QUARTER), int(end // _QUARTER) + 1):
        after = _offset(hour * _QUARTER, tz)
        if after != before and start <= hour * _QUARTER < end:
            minutes = round(abs(after - before) / 60)
            key = "time.clocks_forward" if after > before else "time.clocks_back"
            found.append((float(hour * _QUARTER), say(key, minutes=minutes)))
        before = after
    return found


def _local(moment: float, tz: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(moment, UTC).astimezone(tz)


def _offset(moment: float, tz: ZoneInfo) -> float:
    return (_local(moment, tz).utcoffset() or timedelta()).total_seconds()


def _ordinal(moment: float, tz: ZoneInfo) -> int:
    return _local(moment, tz).toordinal()


def _starts_months(moment: float, tz: ZoneInfo, months: int) -> bool:
    local = _local(moment, tz)
    return local.day == 1 and (local.year * 12 + local.month - 1) % months == 0


def _clock_marks(start: float, end: float, tz: ZoneInfo, step: int) -> Iterator[float]:
    """Yield the moments at which the site's clock shows whole steps."""
    grid = min(step, _QUARTER)
    for number in range(int(-(-start // grid)), int(end // grid) + 1):
        moment = number * grid
        local = _local(moment, tz)
        if (local.hour * 3600 + local.minute * 60 + local.second) % step == 0:
            yield float(moment)


def _days(start: float, end: float, tz: ZoneInfo) -> Iterator[float]:
    """Yield the beginnings of the site's days."""
    date = _local(start, tz).date()
    while True:
        moment = datetime(date.year, date.month, date.day, tzinfo=tz).timestamp()
        if moment > end:
            return
        if moment >= start:
            yield moment
        date += timedelta(days=1)


def _date(local: datetime, *, year: bool, weekday: bool) -> str:
    month = say("calendar.months").split()[local.month - 1]
    parts = [say("calendar.weekdays").split()[local.weekday()]] if weekday else []
    parts += [str(local.day), month] + ([str(local.year)] if year else [])
    return " ".join(parts)


def _clock_labels(moments: list[float], tz: ZoneInfo, step: int) -> list[Mark]:
    marks: list[Mark] = []
    shown = None
    pattern = "%H:%M:%S" if step < 60 else "%H:%M"  # noqa: PLR2004 - seconds in a minute
    for moment in moments:
        local = _local(moment, tz)
        text = local.strftime(pattern)
        if local.date() != shown:
            text += "<br>" + _date(local, year=shown is None, weekday=True)
        shown = local.date()
        marks.append((moment, text))
    return marks


def _day_labels(moments: list[float], tz: ZoneInfo) -> list[Mark]:
    marks: list[Mark] = []
    year = None
    for moment in moments:
        local = _local(moment, tz)
        text = _date(local, year=False, weekday=False)
        marks.append((moment, text if local.year == year else f"{text}<br>{local.year}"))
        year = local.year
    return marks


def _month_labels(moments: list[float], tz: ZoneInfo, step: int) -> list[Mark]:
    marks: list[Mark] = []
    year = None
    for moment in moments:
        local = _local(moment, tz)
        if step >= 12:  # noqa: PLR2004 - months in a year
            marks.append((moment, str(local.year)))
            continue
        month = say("calendar.months").split()[local.month - 1]
        marks.append((moment, month if local.year == year else f"{month}<br>{local.year}"))
        year = local.year
    return marks
