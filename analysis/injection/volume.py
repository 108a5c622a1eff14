"""The litres of stock that one run took: by the stock meter, by EC and the main meter, by the stock tank."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from analysis.injection.ec import over
from analysis.injection.flow import WATER_ONLY, fault_of, log_total, main_meters, stock_meter
from analysis.injection.fraction import CELLS, told
from analysis.injection.signal import NAME as EC
from analysis.injection.signal import Signal, signal
from analysis.injection.tank import stock_tank
from analysis.injection.totals import total
from analysis.injection.ways import NoWay, Way, run_label
from analysis.injection.window import Plateau, plateau
from analysis.results import Interval
from analysis.runs.volume import OVERLAP_SHARE, overlap_s
from analysis.uncertainty import Source, Uncertain, combine, linear

if TYPE_CHECKING:
    from analysis.results import Estimate
    from analysis.view import RunView

QUANTITY = "stock volume"

AROUND = pd.Timedelta(seconds=60)
"""The stock meter is read this long before and after the injection. No source."""

USUAL_STEP_S = 10.0
"""Time between readings taken where a cell states none. [s] No source."""


def stock_volume(view: RunView) -> list[Estimate]:
    """Estimate the stock that went in during one run.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate
        One, combined from all ways that agree; each way alone where they disagree; or a refusal. None
        where nothing was injected or the zone has no injector.

    References
    ----------
    Mass balance; GUM (JCGM 100:2008) 5.1; combination as `analysis.injection.fraction.injection_fraction`.
    """
    if view.injector is None or view.run.injection is None or view.injector.kind == "displacement tank":
        return []
    found, missing = stock_ways(view)
    return told(QUANTITY, found, missing)


def stock_ways(view: RunView) -> tuple[list[Way], list[NoWay]]:
    """Return every way's stock volume as ln litres, and why the others have none."""
    length = (view.run.end - view.run.start).total_seconds()
    if overlap_s(view.run.zone, view.run.start, view.run.end, view.others) > OVERLAP_SHARE * length:
        reason = "another zone drew at the same time, so the head's meters cannot tell this zone's share"
        return [], [NoWay("meters and EC", reason)]
    tried: list[Way | NoWay] = [_by_meter(view), stock_tank(view)]
    for name in view.sensors("conductivity", *CELLS):
        answer = _by_ec(view, name)
        tried.append(answer)
        if isinstance(answer, Way):
            break
    return [t for t in tried if isinstance(t, Way)], [t for t in tried if isinstance(t, NoWay)]


def _by_meter(view: RunView) -> Way | NoWay:
    """Return the stock meter's own total."""
    name, injection = stock_meter(view), view.run.injection
    if name is None or injection is None:
        return NoWay("stock meter", "there is no stock meter with readings")
    window = Interval(injection.start - AROUND, injection.end + AROUND)
    inside = total(view.series[name], view.installation.sensor[name], injection)
    fault = fault_of(view, name, inside)
    if fault:
        return NoWay("stock meter", fault, (name,))
    known = view.series[name].index
    window = Interval(max(window.start, known[0]), max(min(window.end, known[-1]), injection.end))
    whole = total(view.series[name], view.installation.sensor[name], window)
    return Way("stock meter", log_total(view, name, whole, injection), window, (name,), f"total of {name}")


def _by_ec(view: RunView, name: str) -> Way | NoWay:
    """Return the fraction by EC times the solution's volume between the fronts."""
    seen, injection = signal(view, name), view.run.injection
    if isinstance(seen, NoWay) or injection is None:
        return seen if isinstance(seen, NoWay) else NoWay(EC, "no injection was found in this run")
    found = plateau(seen.step, injection, noise=seen.noise, lag_s=seen.lag_s, near=seen.near)
    if isinstance(found, str):
        return NoWay(EC, f"{name}: {found}", seen.sensors)
    mean = over(view, seen, found.window)
    if isinstance(mean, NoWay):
        return mean
    volume = solution(view, found.front, math.exp(mean.log.value))
    if isinstance(volume, NoWay):
        return volume
    timing = _timing(view, seen, found)
    value = linear([1.0, 1.0, 1.0], [mean.log, volume.log, timing])
    names = (*mean.sensors, *volume.sensors)
    return Way(EC, value, found.front, names, f"{mean.method}, times {volume.method}")


def _timing(view: RunView, seen: Signal, found: Plateau) -> Uncertain:
    """Return the relative contribution of the fronts' timing to the volume between them."""
    step = view.installation.sensor[seen.mixed.name].interval or USUAL_STEP_S
    length = (found.front.end - found.front.start).total_seconds()
    spread = math.hypot(step / math.sqrt(6.0), 0.5 * found.rise_s / math.sqrt(3.0))
    return Uncertain(0.0, {Source("timing of the fronts", seen.mixed.name, run_label(view)): spread / length})


def solution(view: RunView, window: Interval, fraction: float) -> Way | NoWay:
    """Return the volume of solution in a window as ln litres, from every main meter.

    Parameters
    ----------
    view : RunView
        The run.
    window : Interval
        From and to. [UTC]
    fraction : float
        Volume fraction of stock, for meters that read the water alone. [-]

    Returns
    -------
    Way or NoWay
        The volume, or why there is none.
    """
    logs, names, faults = [], [], []
    for name in main_meters(view):
        sensor = view.installation.sensor[name]
        seen = total(view.series[name], sensor, window)
        fault = fault_of(view, name, seen)
        if fault:
            faults.append(fault)
            continue
        water = -math.log1p(-fraction) if sensor.point in WATER_ONLY else 0.0
        logs.append(linear([1.0], [log_total(view, name, seen, window)], constant=water))
        names.append(name)
    if not logs:
        reason = "; ".join(faults) or "no main meter saw this injector's water alone"
        return NoWay("main meter", reason)
    return Way("main meter", combine(logs), window, tuple(names), f"the volume by {' and '.join(names)}")
