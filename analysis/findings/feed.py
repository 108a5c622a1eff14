"""Findings about what the injector and the zone got: flow outside the injector's range, EC out of band."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.amounts import amount, reach
from analysis.clearout.fronts import FAR_POINTS, UNKNOWN_LAG
from analysis.injection.cells import Cell, cell
from analysis.injection.ways import limit_of
from analysis.injection.window import NO_RISE, Plateau, plateau
from analysis.quality.flags import noise
from analysis.quality.gaps import longest_gap_s
from analysis.results import Finding, Interval
from analysis.runs.detect import FLOW_POINTS
from analysis.runs.injections import EC_POINTS
from analysis.runs.slices import between
from analysis.runs.stretches import stretches
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Run
    from analysis.view import RunView

SETTLE = pd.Timedelta(minutes=2)
"""Start-up and shut-down of a run that no finding is built on. Common practice, no source."""

SUSTAINED_S = 120.0
"""How long a flow must stay outside the injector's range. [s] No source."""

LEAST_READINGS = 6
"""Readings that a level needs, as for a plateau (`analysis.injection.window`). No source."""

TOO_SLOW = (
    "too few emitters open for this injector",
    "a closed valve or a plugged filter",
    "a wrong range typed in",
)
"""Why flow is below an injector's range, in the order to check. Common practice, from memory."""

TOO_FAST = ("a burst or an open line", "two zones at once", "a zone too large for this injector")
"""Why flow is above it."""

TOO_WEAK = (
    "the injector's ratio",
    "stock made too weak or run out",
    "fresher source water",
    "a fouled cell",
)
"""Why feed is too weak."""

TOO_STRONG = (
    "the injector's ratio",
    "stock made too strong",
    "saltier source water",
    "a cell out of calibration",
)
"""Why feed is too strong."""


def injector_flow(view: RunView) -> Sequence[Finding]:
    """Find a flow outside the injector's working range while it should inject.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Finding
        ``flow outside injector range`` where the flow stayed outside, beyond its meter's limit of error, for
        `SUSTAINED_S`.
    """
    limits = view.injector.flow_range if view.injector is not None else None
    names = [n for n in view.sensors("flow", *FLOW_POINTS[::-1]) if view.installation.sensor[n].zone is None]
    names = names or view.sensors("flow", "zone")
    if limits is None or not names:
        return []
    span = view.run.injection or view.run
    flow = view.series[names[0]]
    start, end = max(span.start, view.run.start + SETTLE), min(span.end, view.run.end - SETTLE)
    part = between(flow, start, end).rolling(5, center=True, min_periods=1).median()
    sensor = view.installation.sensor[names[0]]
    error = part * sensor.accuracy.share + sensor.accuracy.absolute
    outside = (part + error < limits[0]) | (part - error > limits[1])
    hold = longest_gap_s(sensor.interval or 10.0)
    found = stretches(outside, interval_s=sensor.interval, hold_s=hold, shortest_s=SUSTAINED_S)
    if not found or (found[-1][1] - found[0][0]).total_seconds() < SUSTAINED_S:
        return []
    when = Interval(found[0][0], found[-1][1])
    mean = float(between(part, when.start, when.end).median())
    return [_flow_finding(view.run.zone, names[0], when, mean, limits)]


def _flow_finding(zone: str, name: str, when: Interval, mean: float, limits: tuple[float, float]) -> Finding:
    """Return the finding of a flow outside the injector's range."""
    low = mean < limits[0]
    away = abs(mean / limits[0 if low else 1] - 1)
    length = clock((when.end - when.start).total_seconds())
    return Finding(
        kind="flow outside injector range",
        zone=zone,
        sensor=name,
        start=when.start,
        end=when.end,
        severity="act",
        value=mean,
        unit="L/h",
        evidence=(
            f"{name} read {amount(mean, 'L/h')} for {length}, while the injector works "
            f"from {reach(limits[0], limits[1], 'L/h')}: {away:.0%} {'below' if low else 'above'}. How sure: "
            "beyond the meter's limit of error"
        ),
        likely_causes=TOO_SLOW if low else TOO_FAST,
        advice=(
            "Do not trust the ratio of this run. Water zones together or use a smaller injector, so that the "
            "flow lies within its range. If you wait: every run at this flow is fed at a ratio that nobody knows."
            if low
            else "Look for water where none should be, then water in smaller zones or use a larger injector. If you wait: "
            "every run at this flow is fed at a ratio that nobody knows."
        ),
    )


def ec_band(view: RunView) -> Sequence[Finding]:
    """Find feed whose EC lies outside the zone's band.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Finding
        ``EC out of band``: to act on where the cell's limit of error cannot explain it, else to watch.
    """
    target = view.zone.target
    if target is None or target.ec is None or view.run.injection is None:
        return []
    for name in view.sensors("conductivity", *EC_POINTS):
        level = _level(view, name)
        if level is None:
            continue
        low, high = target.ec
        if low <= level <= high:
            return []
        error = limit_of(view.installation.sensor[name], level)
        sure = level + error < low or level - error > high
        return [_ec_finding(view.run, name, level, error, target.ec, "act" if sure else "watch")]
    return []


def _level(view: RunView, name: str) -> float | None:
    """Return the feed's EC at one cell once it has settled; None where it cannot be read. [mS/cm]"""
    injection, seen = view.run.injection, cell(view, name)
    if injection is None or not isinstance(seen, Cell):
        return None
    settled = Interval(injection.start + SETTLE, injection.end)
    if view.installation.sensor[name].point in FAR_POINTS:
        arrived = _arrived(view, name, seen.series, injection)
        if arrived is None:
            return None
        settled = arrived
    part = between(seen.series, settled.start, settled.end)
    return float(np.median(part)) if len(part) >= LEAST_READINGS else None


def _arrived(view: RunView, name: str, series: pd.Series, injection: Interval) -> Interval | None:
    """Return when a cell in the zone saw the feed at its height; the whole run where none ever came, else None."""
    before = series[series.index < injection.start]
    if before.empty:
        return None
    lag_s = (view.installation.sensor[name].lag or UNKNOWN_LAG)[1]
    found = plateau(series - before.median(), injection, noise=noise(series), lag_s=lag_s, near=False)
    if isinstance(found, Plateau):
        return found.window
    return Interval(injection.start, view.run.end) if found == NO_RISE and view.run.complete else None


def _ec_finding(
    run: Run,
    name: str,
    level: float,
    error: float,
    band: tuple[float, float],
    severity: Literal["watch", "act"],
) -> Finding:
    """Return the finding of an EC outside its band."""
    words = "the cell alone does not explain it" if severity == "act" else "not sure, it may be the cell"
    injection = run.injection or Interval(run.start, run.end)
    return Finding(
        kind="EC out of band",
        zone=run.zone,
        sensor=name,
        start=injection.start,
        end=injection.end,
        severity=severity,
        value=level,
        unit="mS/cm",
        evidence=(
            f"the feed's EC was {level:.2f} mS/cm (25 °C) against {band[0]:.2f} to {band[1]:.2f}. How sure: "
            f"{words}, whose limit of error is {error:.2f} mS/cm"
        ),
        likely_causes=TOO_WEAK if level < band[0] else TOO_STRONG,
        advice=(
            "Check the EC of a sample with a hand meter; if it agrees, check the ratio, then the stock. If you wait: every "
            f"run feeds too {'weakly' if level < band[0] else 'strongly'}."
        ),
    )
