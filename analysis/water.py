"""What a run delivered: its water, and the mean EC of what the zone got."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.injection.cells import Cell, cell
from analysis.injection.ways import limit_of
from analysis.quality.checks import seconds
from analysis.quality.gaps import coverage, longest_gap_s
from analysis.results import ESTIMATE_UNITS, Estimate, refused
from analysis.runs.detect import FLOW_POINTS
from analysis.runs.slices import between
from analysis.runs.volume import OVERLAP_SHARE, UNSEEN_SHARE, delivered, measure, meters, overlap_s
from analysis.uncertainty import COVERAGE_FACTOR, Source, Uncertain, rectangular

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.view import RunView

EC_POINTS = ("zone", "mixed", "after filter", "lateral end")
"""Where the EC of what a zone gets is seen, the best first."""

LEAST_COVERED = 0.9
"""Least share of a run that EC readings must cover. [-] No source."""

DEFAULT_INTERVAL_S = 10.0
"""Interval taken where a sensor states none. [s] No source."""


def water_volume(view: RunView) -> Sequence[Estimate]:
    """Estimate the water that a run delivered.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Estimate
        One: the best meter's total with the interval of its gain, its resolution, the run's ends and holes
        that were filled; or the refusal. None where no meter is described that could see it.

    References
    ----------
    Trapezoid rule on time; uncertainty by GUM (JCGM 100:2008) 5.1.2 with rectangular limits, 4.3.7.
    """
    names = meters(view.installation, view.run.zone)
    if not names:
        return []
    found = delivered(view.installation, view.run, view.others, view.series)
    if found is None:
        return [refused("water volume", "total of a meter over the run", _why_not(view, names), tuple(names))]
    sensor = view.installation.sensor[found.sensor]
    length = (view.run.end - view.run.start).total_seconds()
    flow = found.litres / length
    per_hour = found.litres / length * 3600.0
    limit = limit_of(sensor, found.litres if sensor.quantity == "volume" else per_hour)
    gain = limit if sensor.quantity == "volume" else limit * length / 3600.0
    ends = flow * (sensor.interval or DEFAULT_INTERVAL_S)
    terms = {
        Source("meter gain", found.sensor): rectangular(gain),
        Source("resolution", found.sensor): found.volume.resolution / np.sqrt(6.0),
        Source("start and end of the run", ""): ends / np.sqrt(24.0),
        Source("holes filled with the run's mean flow", found.sensor): rectangular(found.filled),
    }
    kind = "register's difference" if sensor.quantity == "volume" else "flow integrated by trapezoids"
    seen = "water alone" if sensor.point in ("source", "supply") else "what the zone got"
    holes = f"; {found.volume.unseen_s:.0f} s without readings filled" if found.filled else ""
    wraps = f"; register rolled over {found.volume.wraps} times" if found.volume.wraps else ""
    method = f"{kind} of {found.sensor} at the point {sensor.point!r}, which sees {seen}{holes}{wraps}"
    return [_estimate("water volume", Uncertain(found.litres, terms), method, (found.sensor,))]


def mean_ec(view: RunView) -> Sequence[Estimate]:
    """Estimate the mean EC of what a zone got in a run.

    Parameters
    ----------
    view : RunView
        The run.

    Returns
    -------
    list of Estimate
        One: the mean over the run, weighted by flow where a meter saw it; or the refusal. None where no
        EC cell is described after the injection.

    References
    ----------
    Mean over volume, the definition of the EC of a collected sample. GUM (JCGM 100:2008) 5.1.2, 4.3.7.
    """
    names = view.installation.sensors_of(view.run.zone, "conductivity", *EC_POINTS)
    if not names:
        return []
    reasons = []
    for name in names:
        found = _mean_of(view, name)
        if isinstance(found, Estimate):
            return [found]
        reasons.append(f"{name}: {found}")
    return [refused("mean EC", "mean over the run", "; ".join(reasons), tuple(names))]


def _mean_of(view: RunView, name: str) -> Estimate | str:
    """Return one cell's mean over the run, or why it has none."""
    if len(view.series.get(name, ())) == 0:
        return "no readings"
    sensor, run = view.installation.sensor[name], view.run
    seen = cell(view, name)
    if not isinstance(seen, Cell):
        return seen
    part = between(seen.series, run.start, run.end)
    if part.empty:
        return "no readings during the run"
    gap = longest_gap_s(sensor.interval or DEFAULT_INTERVAL_S)
    share = coverage(pd.DatetimeIndex(part.index), start=run.start, end=run.end, gap_s=gap)
    if share < LEAST_COVERED:
        return f"good readings cover {share:.0%} of the run"
    if seen.limited > 0.0:
        return f"{seen.limited:.0%} of its readings during the injection stand at the meter's limit"
    weights, words = _weights(view, part)
    mean = float(np.average(part, weights=weights))
    spread = float(part.quantile(0.95) - part.quantile(0.05))
    lag = (sensor.lag or (0.0, 12.0))[1]
    terms = {
        Source("meter gain", name): rectangular(limit_of(sensor, mean)),
        Source("lag of the cell against the run's ends", name): rectangular(
            spread * lag / max((run.end - run.start).total_seconds(), 1.0)
        ),
    }
    where = f"{name} at the point {sensor.point!r}"
    heat = f"brought to 25 °C by {seen.thermometer}" if seen.thermometer else "compensated by the device"
    method = f"mean over the run of {where}, {words}, {heat}"
    return _estimate("mean EC", Uncertain(mean, terms), method, (name,))


def _weights(view: RunView, part: pd.Series) -> tuple[np.ndarray, str]:
    """Return each reading's share of the run's time, times the flow then where a meter saw it, and words."""
    times = seconds(pd.DatetimeIndex(part.index))
    width = np.gradient(times) if len(times) > 1 else np.ones(len(times))
    for name in view.installation.sensors_of(view.run.zone, "flow", *FLOW_POINTS):
        flow = view.series.get(name)
        if flow is not None and len(flow) > 1:
            at = np.interp(part.index.astype("int64"), flow.index.astype("int64"), flow.to_numpy(dtype=float))
            passed = np.maximum(at, 0.0) * width
            if passed.sum() > 0:
                return passed, f"weighted by {name}"
    return width, "each instant alike"


def _why_not(view: RunView, names: Sequence[str]) -> str:
    """Return why no meter has this run's total, and what would mend it."""
    length = (view.run.end - view.run.start).total_seconds()
    if not any(len(view.series.get(name, ())) > 1 for name in names):
        return f"{', '.join(names)} had no good readings during the run"
    if overlap_s(view.run.zone, view.run.start, view.run.end, view.others) > OVERLAP_SHARE * length:
        return "another zone drew through the same meter at the same time; a meter in each zone would tell"
    reasons = []
    for name in names:
        if len(view.series.get(name, ())) < 2:  # noqa: PLR2004 - a volume takes two readings
            reasons.append(f"{name} had no good readings")
            continue
        volume = measure(view.installation, name, view.run.start, view.run.end, view.series)
        if volume.resets:
            reasons.append(f"{name} was reset during the run")
        elif volume.unseen_s > UNSEEN_SHARE * length:
            reasons.append(f"{name} had no good readings for {volume.unseen_s:.0f} of {length:.0f} s")
    return "; ".join(reasons) or "no meter saw the whole run"


def _estimate(quantity: str, found: Uncertain, method: str, sensors: tuple[str, ...]) -> Estimate:
    """Return a value with its terms as an estimate."""
    half = COVERAGE_FACTOR * found.sd
    kept: Mapping[str, float] = {k: v for k, v in found.budget().items() if v > 0.0}
    return Estimate(
        quantity,
        None,
        None,
        found.value,
        ESTIMATE_UNITS[quantity],
        max(found.value - half, 0.0),
        found.value + half,
        method,
        sensors,
        budget=dict(kept),
    )
