"""A second curve beside the first: another zone, or an earlier time laid on the same start."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from dashboard.chart import Block, Line
from dashboard.display import duration
from dashboard.texts import say
from dashboard.windows import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from zoneinfo import ZoneInfo

    from analysis.results import Results
    from dashboard.panels import Panel
    from ingest.installation import Installation

DAY_S = 86400
"""Shifts of whole days keep the local clock, across the days on which clocks change. [s]"""

MARK = "@"
"""Follows a sensor's name in the key of its second curve; no name of a sensor has it."""


@dataclass(frozen=True, slots=True)
class Beside:
    """What stands beside the curve.

    Attributes
    ----------
    zone : str or None
        Another zone; None for the same.
    earlier_s : int
        How much earlier; 0 for the same time. [s]
    """

    zone: str | None = None
    earlier_s: int = 0

    @property
    def name(self) -> str:
        """How it is called on the screen."""
        before = say("chart.before", span=duration(self.earlier_s)) if self.earlier_s else ""
        return ", ".join(word for word in (self.zone, before) if word)


def shift_s(beside: Beside, start: float, tz: ZoneInfo) -> float:
    """Return how far the second curve is moved; whole days by the local clock. [s]

    Parameters
    ----------
    beside : Beside
        What is compared.
    start : float
        Start of the chart. [s since 1970, UTC]
    tz : zoneinfo.ZoneInfo
        The site's time zone.

    Returns
    -------
    float
        To be added to its times.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> shift_s(Beside(None, 7 * 86400), 1793000000.0, ZoneInfo("Europe/London")) / 3600
    169.0
    """
    if beside.earlier_s % DAY_S:
        return float(beside.earlier_s)
    here = pd.Timestamp(start, unit="s", tz="UTC").tz_convert(tz)
    wall = here.tz_localize(None) - pd.Timedelta(seconds=beside.earlier_s)
    there = wall.tz_localize(tz, ambiguous=True, nonexistent="shift_forward")
    return float((here - there).total_seconds())


def second_lines(
    beside: Beside,
    shift: float,
    panels: Sequence[Panel],
    others: Sequence[Panel],
    lines_of: Callable[[Sequence[Panel], float], Mapping[str, Line]],
) -> dict[str, list[Line]]:
    """Return the second curves of each panel.

    Parameters
    ----------
    beside : Beside
        What is compared.
    shift : float
        As `shift_s` gives it. [s]
    panels, others : sequence of Panel
        Of the chart, and of what stands beside it.
    lines_of : callable
        Returns the lines of some panels, a time earlier [s].

    Returns
    -------
    dict of str to list of Line
        Panel's title to its lines; what both share at the same time is left out.
    """
    first = {panel.title: panel for panel in panels}
    shared = [panel for panel in others if panel.title in first]
    found = lines_of(shared, shift)
    second = {}
    for panel in shared:
        names = [n for n in panel.sensors if shift or n not in first[panel.title].sensors]
        second[panel.title] = [_moved(found[n], beside, shift) for n in names if n in found]
    return second


def _moved(line: Line, beside: Beside, shift: float) -> Line:
    window = replace(line.window, start=line.window.start + round(shift * SECOND))
    return replace(line, sensor=line.sensor + MARK, label=f"{line.label}, {beside.name}", window=window)


def second_blocks(
    installation: Installation, results: Results | None, zone: str, shift: float, ends: tuple[float, float]
) -> list[Block]:
    """Return the runs of what stands beside the chart, moved with it."""
    if zone not in installation.zone or results is None:
        return []
    runs = [r for r in results.runs if r.zone == zone]
    blocks = [Block("beside", r.start.timestamp() + shift, r.end.timestamp() + shift, r.zone) for r in runs]
    return [b for b in blocks if b.end >= ends[0] and b.start <= ends[1]]
