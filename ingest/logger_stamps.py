"""Times in a logger's file: how they are written, and in which time zone."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from typing import Literal
from zoneinfo import ZoneInfo, available_timezones

from ingest.errors import UserError
from ingest.records import shown
from ingest.words import did_you_mean

_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+-])(\d{1,2})(?::?(\d{2}))?")
_MAX_HOURS = 14

Twice = Literal["refuse", "earlier", "later"]
"""What to do with a time that the clock shows twice, when summer time ends."""


class StampError(ValueError):
    """Raised when a time of a row cannot be read."""


class TimezoneError(UserError):
    """Raised when a time zone is not known, or none was stated where the file needs one."""


def parse_zone(text: str) -> tzinfo:
    """Return a time zone by its name or its offset.

    Parameters
    ----------
    text : str
        A name of the IANA list, ``UTC``, or an offset such as ``+01:00`` or ``UTC+1``: many loggers keep
        standard time all year.

    Returns
    -------
    datetime.tzinfo
        The zone.

    Raises
    ------
    TimezoneError
        If it is none of these.

    Examples
    --------
    >>> parse_zone("UTC+1")
    datetime.timezone(datetime.timedelta(seconds=3600))
    """
    name = text.strip()
    if name.upper() in ("UTC", "Z", "GMT"):
        return UTC
    if match := _OFFSET.fullmatch(name):
        offset = timedelta(hours=int(match[2]), minutes=int(match[3] or 0))
        if offset <= timedelta(hours=_MAX_HOURS):
            return timezone(-offset if match[1] == "-" else offset)
    if name in available_timezones():
        return ZoneInfo(name)
    hint = did_you_mean(name, available_timezones())
    msg = f'{text!r} is no time zone; expected one like "Europe/Lisbon", "UTC" or "+01:00"{hint}'
    raise TimezoneError(msg)


@dataclass(frozen=True, slots=True)
class Stamps:
    """Reads the times of one file.

    Attributes
    ----------
    zone : datetime.tzinfo or None
        Of stamps without an offset of their own; None where the file must bring its own.
    pattern : str or None
        How they are written, in the letters of ``strptime``; None for ISO 8601.
    twice : {"refuse", "earlier", "later"}
        What to do with a time that the clock shows twice.
    """

    zone: tzinfo | None = None
    pattern: str | None = None
    twice: Twice = "refuse"

    def parse(self, text: str) -> int:
        """Return a time. [µs since 1970, UTC]

        Parameters
        ----------
        text : str
            As it stands in the file.

        Returns
        -------
        int
            The instant.

        Raises
        ------
        StampError
            If it cannot be read, or the clock shows it twice or never.
        TimezoneError
            If it has no time zone and none was stated.

        Examples
        --------
        >>> Stamps(ZoneInfo("Europe/Lisbon")).parse("2026-07-01 12:00")
        1782903600000000
        """
        stamp = self._read(text.strip())
        if stamp.tzinfo is None:
            stamp = self._placed(stamp)
        since = stamp - _EPOCH
        return (since.days * 86_400 + since.seconds) * 1_000_000 + since.microseconds

    def _read(self, text: str) -> datetime:
        """Return the time as it is written, with or without zone."""
        try:
            if self.pattern is None:
                return datetime.fromisoformat(text)
            return datetime.strptime(text, self.pattern)  # noqa: DTZ007 - the zone is added by the caller
        except ValueError:
            wanted = (
                'ISO 8601, like 2026-05-01 06:00:00, or say --time-format, like "%d.%m.%Y %H:%M"'
                if self.pattern is None
                else f"the time format {self.pattern!r}"
            )
            msg = f"{shown(text)} is no time; expected {wanted}"
            raise StampError(msg) from None

    def _placed(self, stamp: datetime) -> datetime:
        """Return a local time as an instant."""
        if self.zone is None:
            msg = (
                "the times of this file carry no time zone; say which with --timezone, "
                'like "Europe/Lisbon", "UTC" or "+01:00"'
            )
            raise TimezoneError(msg)
        early, late = stamp.replace(tzinfo=self.zone, fold=0), stamp.replace(tzinfo=self.zone, fold=1)
        if early.utcoffset() == late.utcoffset():
            return early
        if early.astimezone(UTC).astimezone(self.zone).replace(tzinfo=None) != stamp:
            msg = f"the clock of {self.zone} skips {stamp}; does the logger keep an offset, like +01:00?"
            raise StampError(msg)
        if self.twice == "refuse":
            msg = (
                f"the clock of {self.zone} shows {stamp} twice; say --twice earlier or --twice later, "
                "or the offset that the logger keeps, like +01:00"
            )
            raise StampError(msg)
        return early if self.twice == "earlier" else late


_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
