"""What a page is made from, and what it is made of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING
from urllib.parse import quote

from dashboard.display import NO_VALUE, day
from dashboard.lately import RUN_DAYS
from dashboard.roles import ANYONE, Person
from dashboard.texts import say

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd
    from dash.development.base_component import Component

    from dashboard.access.sessions import Link
    from dashboard.display import Units
    from dashboard.snapshot import Snapshot
    from ingest.installation import Installation


@dataclass(frozen=True, slots=True)
class Context:
    """What a page is made from.

    Attributes
    ----------
    installation : Installation
        The system.
    snapshot : Snapshot
        What is known.
    units : {"metric", "us"}
        What the reader wants.
    now : pandas.Timestamp
        The present. [UTC]
    days : float
        How long runs and what was found are shown. [d]
    prefix : str
        Path under which the pages stand, with a slash at both ends.
    person : Person
        Who looks.
    links : tuple of Link or None
        Links that let guests look; None where nobody has to log in.
    query : mapping of str to str
        What follows the ``?`` of the address: how the chart is shown.
    """

    installation: Installation
    snapshot: Snapshot
    units: Units
    now: pd.Timestamp
    days: float = RUN_DAYS
    prefix: str = "/"
    person: Person = ANYONE
    links: tuple[Link, ...] | None = None
    query: Mapping[str, str] = field(default_factory=dict)

    @property
    def period(self) -> str:
        """How long runs and what was found are shown, in words."""
        return say("time.day") if self.days == 1 else say("time.days", count=f"{self.days:g}")

    @property
    def since(self) -> str:
        """The first day of the season that is looked at; no earlier than the first reading."""
        results = self.snapshot.results
        return NO_VALUE if results is None else day(results.start, self.installation.tz)

    def path(self, *parts: str) -> str:
        """Return the address of a page."""
        return self.prefix + "/".join(quote(part, safe="") for part in parts)


@dataclass(frozen=True, slots=True)
class Page:
    """What a page is made of.

    Attributes
    ----------
    title : str
        Its name.
    live : sequence of Component
        Above the chart; made again with every change of the sensors.
    chart : Component or None
        Made once.
    body : sequence of Component
        Below the chart; made again with every change of the results.
    """

    title: str
    live: Sequence[Component]
    body: Sequence[Component]
    chart: Component | None = None
    lead: Sequence[Component] = field(default_factory=tuple)
