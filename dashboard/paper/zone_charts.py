"""The pictures of a zone in the record: ratio, water and flow, run by run or day by day."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dashboard.display import ratio, scale
from dashboard.paper.dates import written
from dashboard.paper.svg import Axis, Line, line_chart
from dashboard.paper.verdicts import by_run, runs_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from analysis.results import Results
    from analysis.service import Service
    from dashboard.display import Units
    from ingest.installation import Installation

MOST_RUNS = 60
"""Runs drawn one by one; more are drawn day by day. [-] More whiskers run into each other on paper."""

TICKS = 6
"""Dates below a chart. [-]"""

DAY = pd.Timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Points:
    """What is drawn: moments, values and the ends of their intervals, and in which steps."""

    moments: tuple[pd.Timestamp, ...]
    value: np.ndarray
    low: np.ndarray
    high: np.ndarray
    step: str


@dataclass(frozen=True, slots=True)
class Frame:
    """What stands round the points: whose dates, in whose units, and when service was done."""

    installation: Installation
    units: Units
    marks: tuple[pd.Timestamp, ...]


def pictures(
    name: str,
    results: Results,
    installation: Installation,
    units: Units,
    services: Sequence[Service] = (),
) -> Iterator[tuple[str, str]]:
    """Return a zone's charts, each with its caption.

    Parameters
    ----------
    name : str
        The zone.
    results : Results
        The analysis.
    installation : Installation
        The system.
    units : {"metric", "us"}
        What the reader wants.
    services : sequence of Service
        What touched the zone or the head is marked.

    Yields
    ------
    tuple of str
        SVG and caption; a chart with fewer than two points is left out.
    """
    marks = [s.time for s in services if s.zone in (None, name) and results.start <= s.time < results.end]
    frame = Frame(installation, units, tuple(marks))
    key = installation.injector_of(name)
    injector = None if key is None else installation.injector[key]
    shares = points(results, name, "injection fraction", installation)
    if shares is not None and injector is not None:
        bands, aim = [], ""
        if injector.ratio is not None:
            half = injector.ratio * injector.ratio_tolerance
            bands = [(100.0 * (injector.ratio - half), 100.0 * (injector.ratio + half))]
            aim = f"; band: {ratio(injector.ratio)} with its tolerance"
        caption = f"{name}: stock in the delivered solution, {shares.step}, with 95 % intervals [%]{aim}"
        yield _chart(_scaled(shares, 100.0), Axis("stock [%]"), caption, frame, bands)
    water = _water(results, name, installation)
    if water is not None:
        shown = scale("L", units)
        caption = f"{name}: water, {water.step} [{shown.unit}]"
        yield _chart(_scaled(water, shown.factor), Axis(f"water [{shown.unit}]", zero=True), caption, frame)
    flow = points(results, name, "flow at reference pressure", installation)
    if flow is not None:
        shown = scale("L/h", units)
        caption = f"{name}: flow at reference pressure, {flow.step}, with 95 % intervals [{shown.unit}]"
        yield _chart(_scaled(flow, shown.factor), Axis(f"flow [{shown.unit}]"), caption, frame)


def _scaled(drawn: Points, factor: float) -> Points:
    """Return points in the shown unit."""
    return replace(drawn, value=drawn.value * factor, low=drawn.low * factor, high=drawn.high * factor)


def points(results: Results, name: str, quantity: str, installation: Installation) -> Points | None:
    """Return a quantity's points: run by run, or where there are many the mean of each day.

    A day's interval is the widest that its runs span: from the least low end to the greatest high end.
    """
    told = [(run, e) for run, e in by_run(results, name, quantity) if e.status == "ok"]
    rows = [(run.start, e.value, e.low, e.high) for run, e in told]
    frame = pd.DataFrame(rows, columns=["at", "value", "low", "high"]).astype(
        dict.fromkeys(("value", "low", "high"), float)
    )
    if len(frame) < 2:  # noqa: PLR2004 - one point is no picture
        return None
    if len(frame) <= MOST_RUNS:
        return _points(frame, "run by run")
    days = pd.DatetimeIndex(frame["at"]).tz_convert(installation.tz).normalize()
    by_day = frame.groupby(days).agg(
        at=("at", "min"), value=("value", "mean"), low=("low", "min"), high=("high", "max")
    )
    return _points(by_day, "mean of each day's runs")


def _points(frame: pd.DataFrame, step: str) -> Points:
    """Return a frame's columns as points."""
    value, low, high = (frame[part].to_numpy(float) for part in ("value", "low", "high"))
    return Points(tuple(frame["at"]), value, low, high, step)


def _water(results: Results, name: str, installation: Installation) -> Points | None:
    """Return the water of each run, or of each day where there are many."""
    rows = [(run.start, run.volume_l) for run in runs_of(results, name) if run.volume_l is not None]
    frame = pd.DataFrame(rows, columns=["at", "value"]).astype({"value": float})
    if len(frame) < 2:  # noqa: PLR2004 - one point is no picture
        return None
    if len(frame) > MOST_RUNS:
        days = pd.DatetimeIndex(frame["at"]).tz_convert(installation.tz).normalize()
        frame = frame.groupby(days).agg(at=("at", "min"), value=("value", "sum"))
        return _points(frame.assign(low=np.nan, high=np.nan), "sum of each day")
    return _points(frame.assign(low=np.nan, high=np.nan), "run by run")


def _chart(
    drawn: Points, axis: Axis, caption: str, frame: Frame, bands: Sequence[tuple[float, float]] = ()
) -> tuple[str, str]:
    """Return one chart with its caption; services stand in it as dashed lines."""
    first = drawn.moments[0]
    days = np.array([(moment - first) / DAY for moment in drawn.moments])
    line = Line(axis.title, days, drawn.value, drawn.low, drawn.high, marks=True)
    events = [(moment - first) / DAY for moment in frame.marks]
    events = [day for day in events if 0.0 <= day <= days[-1]]
    if events:
        caption += "; dashed: service"
    drawing = line_chart(
        [line], _dates(drawn.moments, frame), axis, bands=bands, events=events, size=(640, 170), title=caption
    )
    return drawing, caption


def _dates(moments: Sequence[pd.Timestamp], frame: Frame) -> Axis:
    """Return the time axis with local dates, or times of day where it is short."""
    tz = frame.installation.tz
    first, last = (moment.tz_convert(tz) for moment in (moments[0], moments[-1]))
    if last - first < 2 * DAY:
        chosen = moments[:: max(1, -(-len(moments) // TICKS))]
        return Axis("local time", tuple(((m - first) / DAY, f"{m.tz_convert(tz):%H:%M}") for m in chosen))
    midnights = pd.date_range(first.ceil("D"), last, freq="D")
    step = max(1, -(-len(midnights) // TICKS))
    return Axis("", tuple(((m - first) / DAY, _short(m, frame.units)) for m in midnights[::step]))


def _short(moment: pd.Timestamp, units: Units) -> str:
    """Return a date without its year."""
    return written(moment.date(), units).replace(f", {moment.year}", "").replace(f" {moment.year}", "")
