"""From a request for a chart to the chart: checks what was asked, reads windows, lays events on the strip."""

from __future__ import annotations

import base64
from collections.abc import Callable, Collection, Sequence
from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from dashboard.at_25 import thermometer, window_at_25
from dashboard.beside import second_blocks, second_lines, shift_s
from dashboard.chart import Block, Chart, Line, Look
from dashboard.display import duration, when
from dashboard.figures import figure
from dashboard.panels import head_panels, sensor_label, zone_panels
from dashboard.texts import say
from dashboard.theme import PALETTES
from dashboard.windows import SECOND, WIDEST, Window

if TYPE_CHECKING:
    from analysis.results import Results
    from dashboard.panels import Panel
    from dashboard.wanted import Wanted
    from ingest.installation import Installation

WindowsOf = Callable[[Sequence[str], int, int, int], dict[str, Window]]
"""Gives the windows of some sensors: names, start and end [us], most buckets."""


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
    lines = chart_lines(installation, panels, asked, windows_of)
    second, more = _beside(installation, results, zone, asked, windows_of)
    blocks = [*event_blocks(installation, results, zone, asked), *more]
    rows = ("run", "injection", "finding", *(["beside"] if asked.beside else []))
    chart = Chart(asked.start, asked.end, now, panels, lines, blocks, rows, second, asked.fit)
    return sent(installation, chart, figure(chart, look_of(installation, asked)), asked, pending)


def chart_lines(
    installation: Installation,
    panels: Sequence[Panel],
    asked: Wanted,
    windows_of: WindowsOf,
    earlier: float = 0.0,
) -> dict[str, Line]:
    """Return the lines of some panels, from readings of the asked period or of one that lies earlier [s]."""
    start, end = (int((at - earlier) * SECOND) for at in (asked.start, asked.end))
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
    return lines


def _beside(
    installation: Installation,
    results: Results | None,
    zone: str | None,
    asked: Wanted,
    windows_of: WindowsOf,
) -> tuple[dict[str, list[Line]], list[Block]]:
    """Return the second curves and their runs; nothing where nothing is compared."""
    if asked.beside is None:
        return {}, []
    other = asked.beside.zone or zone
    shift = shift_s(asked.beside, asked.start, installation.tz)

    def lines_of(panels: Sequence[Panel], earlier: float) -> dict[str, Line]:
        return chart_lines(installation, panels, asked, windows_of, earlier)

    lines = second_lines(
        asked.beside, shift, panels_for(installation, zone), panels_for(installation, other), lines_of
    )
    return lines, second_blocks(installation, results, other or "", shift, (asked.start, asked.end))


def look_of(installation: Installation, asked: Wanted) -> Look:
    """Return how a chart is shown to whoever asks."""
    return Look(asked.units, PALETTES[asked.mode], asked.width, installation.tz)


def sent(
    installation: Installation,
    chart: Chart,
    made: dict[str, Any],
    asked: Wanted,
    pending: Collection[int] = (),
) -> dict[str, Any]:
    """Return a figure as it is sent, with what the read-out needs; as `chart_json`."""
    step = max((line.window.step for line in chart.lines.values()), default=SECOND) / SECOND
    return cast("dict[str, Any]", packed(made)) | {
        "shown": shown_text(installation, asked, step, chart.now)
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
