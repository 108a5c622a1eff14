"""How a long period is walked: day by day, with the hours around each day that its runs need."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterator

DAY = pd.Timedelta(days=1)
"""Longest stretch that is looked at in one piece; stretches end at midnight UTC."""

LEAD = pd.Timedelta(hours=1)
"""Readings before a stretch that its quality tests and its first run see."""

TAIL = pd.Timedelta(hours=8)
"""Readings after a stretch that its last run sees: its own rest, and the clear-out after it."""

LONGEST_RUN = pd.Timedelta(days=3)
"""A run that is longer is cut here, so that memory stays bounded. No source."""

VIEW_LEAD = pd.Timedelta(minutes=15)
"""Readings before a run that its estimators see: zeros of pressure sensors, the water at rest."""

VIEW_TAIL = pd.Timedelta(hours=6)
"""Readings after a run that its estimators see, unless the next run comes first."""


@dataclass(frozen=True, slots=True)
class Stretch:
    """One piece of a period.

    Attributes
    ----------
    start, end : pandas.Timestamp
        The piece. [UTC]
    read_from, read_to : pandas.Timestamp
        The readings that it needs. [UTC]
    """

    start: pd.Timestamp
    end: pd.Timestamp
    read_from: pd.Timestamp
    read_to: pd.Timestamp


def walk(start: pd.Timestamp, end: pd.Timestamp) -> Iterator[Stretch]:
    """Cut a period at every midnight UTC.

    Parameters
    ----------
    start, end : pandas.Timestamp
        The period. [UTC]

    Yields
    ------
    Stretch
        In order; they meet without overlap and cover the period. No reading after `end` is asked for.

    Raises
    ------
    ValueError
        If an end has no time zone, or `end` is before `start`.

    Examples
    --------
    >>> period = pd.Timestamp("2026-01-01 18:00", tz="UTC"), pd.Timestamp("2026-01-02 06:00", tz="UTC")
    >>> [(s.start.hour, s.end.hour, s.read_to.hour) for s in walk(*period)]
    [(18, 0, 6), (0, 6, 6)]
    """
    if start.tzinfo is None or end.tzinfo is None:
        msg = f"the period {start} to {end} has no time zone"
        raise ValueError(msg)
    if end < start:
        msg = f"the period runs from {start} back to {end}"
        raise ValueError(msg)
    here = start.tz_convert("UTC")
    while here < end:
        there = min(here.floor("D") + DAY, end)
        yield Stretch(here, there, here - LEAD, min(there + TAIL, end))
        here = there
