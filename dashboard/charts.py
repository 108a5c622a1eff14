"""From a request for a chart to the chart: checks what was asked, reads windows, lays events on the strip."""

from __future__ import annotations

import base64
import math
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from dashboard.at_25 import thermometer, window_at_25
from dashboard.chart import Block, Chart, Line, Look
from dashboard.display import duration, when
from dashboard.figures import figure
from dashboard.panels import head_panels, sensor_label, zone_panels
from dashboard.texts import say
from dashboard.theme import PALETTES, Mode
from dashboard.windows import SECOND, WIDEST, Window

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.results import Results
    from dashboard.display import Units
    from dashboard.panels import Panel
    from ingest.installation import Installation

SHORTEST_S, LONGEST_S = 2.0, 40 * 366 * 86400.0
"""Ranges that a chart may have. [s]"""

EARLIEST_S, LATEST_S = 0.0, 7258118400.0
"""No chart begins before 1970 or ends after 2199. [s since 1970, UTC]"""

NARROWEST_PX, BROADEST_PX = 240, 4000
"""Widths that a chart may have. [px]"""

WindowsOf = Callable[[Sequence[str], int, int, int], dict[str, Window]]
"""Gives the windows of some sensors: names, start and end [us], most buckets."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a reader wants to see, checked.

    Attributes
    ----------
    start, end : float
        [s since 1970, UTC]
    width : int
        [px]
    units : {"metric", "us"}
        Of the axes.
    mode : {"light", "dark"}
        Of the colours.
    """

    start: float
    end: float
    width: int
    units: Units
    mode: Mode


def wanted(query: Mapping[str, str], now: float) -> Wanted:
    """Return what a reader wants, from the words of the address.

    Parameters
    ----------
    query : mapping of str to str
        ``span``, or ``from`` and ``to``; ``width``, ``units``, ``theme``.
    now : float
        The present, where a span ends. [s since 1970, UTC]

    Returns
    -------
    Wanted
        Clamped to what can be shown.

    Raises
    ------
    ValueError
        If a number is no number, or the end lies before the start.

    Examples
    --------
    >>> wanted({"span": "3600"}, 7200.0).start
    3600.0
    """
    if "from" in query or "to" in query:
        start, end = _number(query, "from", 0.0), _number(query, "to", now)
    else:
        end = now
        start = now - _number(query, "span", 21600.0)
    start, end = max(start, EARLIEST_S), min(end, LATEST_S)
    if end <= start:
        msg = "the end of the range must lie after its start"
        raise ValueError(msg)
    if end - start < SHORTEST_S:
        middle = (start + end) / 2
        start, end = middle - SHORTEST_S / 2, middle + SHORTEST_S / 2
    start = max(start, end - LONGEST_S)
    width = int(min(max(_number(query, "width", 900.0), NARROWEST_PX), BROADEST_PX))
    units = query.get("units", "metric")
    mode = query.get("theme", "light")
    if units not in {"metric", "us"} or mode not in PALETTES:
        msg = "units must be metric or us, theme light or dark"
        raise ValueError(msg)
    return Wanted(start, end, width, cast("Units", units), mode)


def _number(query: Mapping[str, str], key: str, default: float) -> float:
    """Return a finite number of the query."""
    try:
        value = float(query.get(key, default))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{key} must be a number"
        raise ValueError(msg)
    return value


def panels_for(installation: Installation, zone: str | None) -> list[Panel]:
    """Return the panels of a zone's chart, or of the head's."""
    return head_panels(installation) if zone is None else zone_panels(installation, zone)


def chart_json(
    installation: Installation,
    results: Results | None,
    zone: str | None,
    asked: Wanted,
    now: float,
    windows_of: WindowsOf,
    pending: Collection[int] = (),
) -> dict[str, Any]:
    """Return a chart, ready to be sent.

    Parameters
    ----------
    installation : Installation
        The system.
    results : Results or None
        For the event strip.
    zone : str or None
        The zone; None for the head.
    asked : Wanted
        What to show.
    now : float
        The present. [s since 1970, UTC]
    windows_of : callable
        Gives the windows of some sensors: names, start and end [us], most buckets.
    pending : collection of int
        Days whose summaries are still being made. [days since 1970]

    Returns
    -------
    dict
        Only what JSON can carry: `dashboard.figures.figure`, and what the read-out needs.
    """
    panels = panels_for(installation, zone)
    start, end = int(asked.start * SECOND), int(asked.end * SECOND)
    shown = [name for panel in panels for name in panel.sensors]
    names = list(dict.fromkeys([*shown, *filter(None, (thermometer(installation, name) for name in shown))]))
    windows = windows_of(names, start, end, min(asked.width, WIDEST))
    lines = {}
    for panel in panels:
        for name in panel.sensors:
            interval = installation.sensor[name].interval
            label = sensor_label(installation, name, panel.sensors)
            lines[name] = Line(
                name,
                label,
                window_at_25(installation, name, windows),
                None if interval is None else int(interval * SECOND),
            )
    look = Look(asked.units, PALETTES[asked.mode], asked.width, installation.tz)
    blocks = event_blocks(installation, results, zone, asked)
    made = figure(Chart(asked.start, asked.end, now, panels, lines, blocks), look)
    step = max((line.window.step for line in lines.values()), default=SECOND) / SECOND
    return cast("dict[str, Any]", packed(made)) | {
        "shown": shown_text(installation, asked, step, now)
        + _pending_text(sum(asked.start < (day + 1) * 86400 and day * 86400 < asked.end for day in pending)),
        "start": asked.start,
        "end": asked.end,
        "timezone": installation.timezone,
    }


def shown_text(installation: Installation, asked: Wanted, step: float, now: float) -> str:
    """Say which period is shown, and what a point of it means."""
    moments = [pd.Timestamp(t, unit="s", tz="UTC") for t in (asked.start, asked.end, now)]
    start, end = (when(m, installation.tz, moments[2]) for m in moments[:2])
    bucket = duration(step) if step >= 1 else f"{step:g} s"
    return say("chart.shown", start=start, end=end, bucket=bucket)


def _pending_text(days: int) -> str:
    return " " + say("chart.pending", days=days) if days else ""


def event_blocks(
    installation: Installation, results: Results | None, zone: str | None, asked: Wanted
) -> list[Block]:
    """Return runs, injections and findings that touch the shown period."""
    if results is None:
        return []
    blocks = []
    for run in results.runs:
        own = zone in (None, run.zone)
        if not own and installation.injector_of(run.zone) != installation.injector_of(zone or ""):
            continue
        blocks.append(Block("run", run.start.timestamp(), run.end.timestamp(), run.zone, own))
        if own and run.injection is not None:
            ends = run.injection.start.timestamp(), run.injection.end.timestamp()
            blocks.append(Block("injection", *ends, run.zone))
    blocks += [
        Block("finding", f.start.timestamp(), f.end.timestamp(), f.kind, severity=f.severity)
        for f in results.findings
        if f.zone == zone or (f.zone is None and zone in installation.zone)
    ]
    return [b for b in blocks if b.end >= asked.start and b.start <= asked.end]


def packed(value: Any) -> Any:
    """Return a value with its arrays as base64, which JSON can carry.

    Examples
    --------
    >>> packed({"a": np.array([1, 2], np.uint16)})
    {'a': {'dtype': 'u2', 'bdata': 'AQACAA=='}}
    """
    if isinstance(value, dict):
        return {key: packed(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [packed(inner) for inner in value]
    if isinstance(value, np.ndarray):
        kind = value.dtype.newbyteorder("<")
        data = base64.b64encode(value.astype(kind).tobytes()).decode("ascii")
        return {"dtype": kind.str.lstrip("<|"), "bdata": data}
    if isinstance(value, np.generic):
        return value.item()
    return value
