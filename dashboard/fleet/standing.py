"""How a site stands, in a few numbers: what is open, how old its newest reading is; pure functions of these."""

from __future__ import annotations

from collections import Counter
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from dashboard.cases import Case
    from dashboard.snapshot import SensorState

Level = Literal["failed", "stop", "act", "unseen", "watch", "good"]
"""How a site stands as one word, see `LEVELS`."""

LEVELS: tuple[Level, ...] = ("failed", "stop", "act", "unseen", "watch", "good")
"""Worst first: it could not be looked at; the worst finding that nobody has acknowledged; never looked at yet."""

SILENT_AFTER = pd.Timedelta(minutes=30)
"""Age of a site's newest reading after which the site itself counts as silent. No source."""


@dataclass(frozen=True, slots=True)
class Standing:
    """How one site stands.

    Attributes
    ----------
    name : str
        Its folder, which is also its address.
    title : str
        Its name as its description has it.
    looked : str
        When it was looked at, empty for never. [ISO 8601, UTC]
    newest : str
        Its newest reading, empty where there is none. [ISO 8601, UTC]
    sensors, silent : int
        Sensors that are described, and those of them that send nothing.
    open : dict of str to int
        Severity to the findings that nobody has acknowledged.
    acknowledged : int
        Findings that somebody has.
    worst : str
        The gravest open finding in words, empty where there is none.
    problem : str
        Why it could not be looked at, empty where it could.
    reach : float
        How far back its season was looked at. [d]
    """

    name: str
    title: str
    looked: str = ""
    newest: str = ""
    sensors: int = 0
    silent: int = 0
    open: Mapping[str, int] | None = None
    acknowledged: int = 0
    worst: str = ""
    problem: str = ""
    reach: float = 0.0

    @property
    def level(self) -> Level:
        """How it stands, as one word."""
        if self.problem:
            return "failed"
        if not self.looked:
            return "unseen"
        return next((level for level in ("stop", "act", "watch") if (self.open or {}).get(level)), "good")


def standing(
    name: str,
    title: str,
    cases: Sequence[Case],
    sensors: Iterable[SensorState],
    now: pd.Timestamp,
    *,
    words: str,
) -> Standing:
    """Return how a site stands.

    Parameters
    ----------
    name, title : str
        Its folder, and its name in its description.
    cases : sequence of Case
        Its findings with what people did about them.
    sensors : iterable of SensorState
        The newest reading of each sensor.
    now : pandas.Timestamp
        When this was seen. [UTC]
    words : str
        The gravest open finding, for a person.
    """
    states = list(sensors)
    times = [state.time for state in states if state.time is not None]
    return Standing(
        name,
        title,
        now.isoformat(),
        max(times).isoformat() if times else "",
        len(states),
        sum(state.freshness in {"silent", "never"} for state in states),
        dict(Counter(case.finding.severity for case in cases if case.state == "open")),
        sum(case.state == "acknowledged" for case in cases),
        words,
    )


def to_row(one: Standing) -> dict[str, Any]:
    """Return plain values for JSON."""
    return asdict(one)


def from_row(row: Mapping[str, Any]) -> Standing:
    """Return what `to_row` was made from.

    Raises
    ------
    TypeError, KeyError
        If it was made from something else.

    Examples
    --------
    >>> from_row(to_row(Standing("north", "North"))).level
    'unseen'
    """
    return Standing(**row)


def is_silent(one: Standing, now: pd.Timestamp) -> bool:
    """Tell whether nothing has come from a site for a while.

    Examples
    --------
    >>> is_silent(Standing("north", "North"), pd.Timestamp("2026-05-01", tz="UTC"))
    True
    """
    return not one.newest or now - pd.Timestamp(one.newest) > SILENT_AFTER


def ordered(sites: Iterable[Standing], now: pd.Timestamp) -> list[Standing]:
    """Return the sites, worst first; among equals the silent, then those with more open findings, then by name.

    Examples
    --------
    >>> good = Standing("a", "A", looked="2026-05-01T00:00:00Z", newest="2026-05-01T00:00:00Z")
    >>> bad = Standing("b", "B", looked="2026-05-01T00:00:00Z", newest="2026-05-01T00:00:00Z", open={"stop": 1})
    >>> [one.name for one in ordered([good, bad], pd.Timestamp("2026-05-01", tz="UTC"))]
    ['b', 'a']
    """

    def rank(one: Standing) -> tuple[int, bool, int, str]:
        return (
            LEVELS.index(one.level),
            not is_silent(one, now),
            -sum((one.open or {}).values()),
            one.title.lower(),
        )

    return sorted(sites, key=rank)


def chosen(
    sites: Iterable[Standing], now: pd.Timestamp, *, level: str = "", find: str = ""
) -> list[Standing]:
    """Return the sites that somebody asks for.

    Parameters
    ----------
    sites : iterable of Standing
        All of them.
    now : pandas.Timestamp
        The present. [UTC]
    level : str
        One of `LEVELS`, ``silent``, or all where it is anything else.
    find : str
        Part of a name, large or small letters; all where empty.
    """
    wanted = find.strip().lower()
    return [
        one
        for one in sites
        if (
            level not in {*LEVELS, "silent"}
            or one.level == level
            or (level == "silent" and is_silent(one, now))
        )
        and (wanted in one.title.lower() or wanted in one.name.lower())
    ]
