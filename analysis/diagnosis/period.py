"""Which days a zone's numbers are compared with, and why those: the first with readings, or the first after a service."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.diagnosis.baseline_line import BASELINE_DAYS, FEWEST_DAYS, GUARD_DAYS, lonely
from analysis.diagnosis.table import day_after
from analysis.diagnosis.words import DATE
from analysis.service import NEW_EMITTERS, ends_baseline

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.diagnosis.study import Study
    from analysis.service import Service

NEEDED = FEWEST_DAYS + GUARD_DAYS
"""Days with runs from which a baseline is used. [-] Computed."""


@dataclass(frozen=True, slots=True)
class Baseline:
    """The days that one relation is compared with.

    Attributes
    ----------
    first, last : pandas.Timestamp
        Start of its first and last run; equal to where it begins while it has no day yet. [UTC]
    days : int
        Days with runs that it holds.
    there : int
        Days with runs since it began, the newest among them.
    service : Service or None
        What began it; None where it began with the readings.
    """

    first: pd.Timestamp
    last: pd.Timestamp
    days: int
    there: int
    service: Service | None

    @property
    def why(self) -> str:
        """Why it begins where it does, in words."""
        if self.service is None:
            return "the first with readings"
        return f"the first after {told(self.service)}"

    @property
    def words(self) -> str:
        """The baseline in words, for a sentence."""
        if self.days < FEWEST_DAYS:
            return "no baseline yet"
        span = f"from {self.first.strftime(DATE)} to {self.last.strftime(DATE)}"
        return f"the baseline {span} ({self.days} days with runs, {self.why})"

    @property
    def lacking(self) -> str:
        """What it still needs, in words."""
        since = "" if self.service is None else f" since {told(self.service)}"
        return f"the baseline needs {NEEDED} days with runs of this zone alone{since}, {self.there} are there"


def told(service: Service) -> str:
    """Return a service in words.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.service import Service
    >>> told(Service(pd.Timestamp("2026-05-01T08:00Z"), "A. Weller", "acid flush"))
    "'acid flush' of 1 May 2026"
    """
    return f"'{service.kind}' of {service.time.strftime(DATE)}"


def baseline_of(one: Study, relation: int, day: int, services: Sequence[Service]) -> Baseline:
    """Return which days a relation is compared with on a day.

    Parameters
    ----------
    one : Study
        The zone.
    relation, day : int
        Which of its relations, and which day of its table.
    services : sequence of Service
        What people did.

    Returns
    -------
    Baseline
        As `analysis.diagnosis.baseline` uses it.
    """
    began = np.flatnonzero(one.restarts[: day + 1, relation])
    start = int(began[-1]) if began.size else 0
    values, restart = one.series[:, relation], one.restarts[:, relation]
    kept = np.isfinite(values) & ~lonely(values, one.slow.scatter[:, relation, relation], restart)
    there = start + np.flatnonzero(kept[start : day + 1])
    days = int(np.clip(there.size - GUARD_DAYS, 0, BASELINE_DAYS))
    first, last = (int(there[0]), int(there[days - 1])) if days else (start, start)
    return Baseline(
        one.table.first[first],
        one.table.last[last],
        days,
        int(there.size),
        service_of(one, relation, start, services),
    )


def new_since(one: Study, services: Sequence[Service]) -> str:
    """Return since when a zone's emitters count as new, and why, in words.

    Parameters
    ----------
    one : Study
        The zone.
    services : sequence of Service
        What people did.

    Returns
    -------
    str
        A day with its reason.
    """
    new = [s for s in services if s.kind in NEW_EMITTERS and s.zone in (None, one.zone)]
    last = max(new, key=lambda s: s.time, default=None)
    start = 0 if last is None else day_after(one.table, last.time)
    if last is None or start >= one.table.days.size:
        return f"{one.table.first[0].strftime(DATE)}, the first day with readings"
    return f"{one.table.first[start].strftime(DATE)}, the first day after {told(last)}"


def service_of(one: Study, relation: int, day: int, services: Sequence[Service]) -> Service | None:
    """Return the last service between two days with runs that ended a relation's baseline.

    Parameters
    ----------
    one : Study
        The zone.
    relation, day : int
        Which of its relations, and the day after the service.
    services : sequence of Service
        What people did.

    Returns
    -------
    Service or None
        None where there is none.
    """
    found = (
        s
        for s in services
        if day_after(one.table, s.time) == day and ends_baseline(s, one.zone, one.found[relation])
    )
    return max(found, key=lambda s: s.time, default=None)
