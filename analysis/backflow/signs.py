"""Signs that water runs, or could run, back towards the supply, in readings of at most a day.

Pressures are compared in pairs, upstream against downstream. Where nothing but pipe, filter or injector lies
between two sensors, standing water must show equal pressure at both but for height, so rest tells the zero
of the pair. Where a valve or a preventer lies between, rest tells nothing, and the sensors' limits of error
stand in for the zero.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np
import pandas as pd

from analysis.diagnosis.network import network_of
from analysis.diagnosis.relations import BARRIERS, RHO_G
from analysis.quality.checks import seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.diagnosis.network import Network, Node
    from analysis.view import PeriodView

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

SURE_RUNNING, TIMES_RUNNING = 4.0, 2
"""Noise deviations and readings in a row that make a reversed gradient while water runs. [-] Prototype: no
alarm in 60 system-years with 3 and 2; 4 leaves room for noise that is not normal."""

SURE_RESTING, TIMES_RESTING = 5.0, 3
"""The same while water stands. [-] Prototype: 4.5 and 3, with the pair's zero corrected."""

TIMES_RESTING_SLOW, SLOW_S = 2, 4.5
"""Readings in a row at rest where they come this far apart or farther. [-], [s] Noise has fewer chances in a year
then, and a third reading would make a gross event wait longer than 20 s."""

SLACK = 1.0
"""What a pair may differ beside its noise, once its zero is corrected. [kPa] No source: air, height of taps."""

QUIET_SPREAD = 3.0
"""Spread of a pair's rest differences within which they tell its zero. [kPa] No source."""

TOGETHER = 1.5
"""Longest time between two sensors' readings that are compared, in the slower one's intervals. [-]"""

SETTLE_S = 60.0
"""Start of a run in which lines fill and gradients say nothing. [s] Common practice, no source."""

COAST_S = 300.0
"""Time after a run in which its lines may still hang on the head: a pump that stopped, a valve still open. [s]
No source."""

REST_BEFORE = pd.Timedelta(hours=1)
"""Rest before a run that is compared with the minutes after it. No source."""

LEAST_BEFORE = 12
"""Readings of it that are needed. No source."""

LEAST_REST = 30
"""Readings at rest that a pair's zero needs. No source."""


@dataclass(frozen=True, slots=True)
class Sign:
    """One sign of backflow.

    Attributes
    ----------
    what : {"gradient", "flow", "followed", "level", "conductivity"}
        What was seen.
    running : bool
        Whether a zone was running then.
    start, end : pandas.Timestamp
        First and last reading of it. [UTC]
    sensors : tuple of str
        Upstream first.
    size : float
        How far beyond nought. [kPa], [L/h], [mm], [kg] or [mS/cm]
    zone : str or None
        The zone that it was seen in.
    """

    what: Literal["gradient", "flow", "followed", "level", "conductivity"]
    running: bool
    start: pd.Timestamp
    end: pd.Timestamp
    sensors: tuple[str, ...]
    size: float
    zone: str | None


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two sensors' difference: upstream minus downstream minus height, at common times."""

    index: pd.DatetimeIndex
    times: Array
    difference: Array
    first: Node
    second: Node
    passive: bool


def gradient_signs(period: PeriodView) -> list[Sign]:
    """Return where a pressure gradient points back to the supply.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Sign
        While a zone runs, and at rest for sensors with nothing but water between them.
    """
    found: list[Sign] = []
    seen: set[tuple[str, str]] = set()
    for zone in period.installation.zone:
        network = network_of(period.installation, zone)
        for first, second in _pairs(network):
            pair = _pair(period, network, first, second)
            if pair is None:
                continue
            of_zone = second.place > len(network.elements) - 2
            if not of_zone and (first.sensor, second.sensor) in seen:
                continue
            seen.add((first.sensor, second.sensor))
            found += _judge(period, pair, zone if of_zone else None)
    return found


def _pairs(network: Network) -> list[tuple[Node, Node]]:
    """Return neighbours, and the first with every other; no regulator's or injector's own pressure rise."""
    nodes = network.nodes
    pairs = list(pairwise(nodes))
    pairs += [(nodes[0], other) for other in nodes[2:]]
    return [(a, b) for a, b in pairs if a.place < b.place]


def _pair(period: PeriodView, network: Network, first: Node, second: Node) -> _Pair | None:
    """Return two sensors' difference at the times of the slower one."""
    up, down = period.series.get(first.sensor), period.series.get(second.sensor)
    if up is None or down is None or min(len(up), len(down)) < LEAST_REST:
        return None
    slow, fast, sign = (up, down, 1.0) if len(up) <= len(down) else (down, up, -1.0)
    origin = slow.index[0]
    times = seconds(pd.DatetimeIndex(slow.index))
    other = (fast.index - origin).total_seconds().to_numpy()
    place = np.clip(np.searchsorted(other, times, side="right") - 1, 0, None)
    age = times - other[place]
    step = float(np.median(np.diff(times)))
    near = (age >= 0.0) & (age <= TOGETHER * step)
    difference = sign * (slow.to_numpy(dtype=float) - fast.to_numpy(dtype=float)[place])
    difference = difference - RHO_G * (second.height - first.height)
    between = network.between(first.place, second.place)
    return _Pair(
        pd.DatetimeIndex(slow.index)[near],
        times[near],
        difference[near],
        first,
        second,
        not BARRIERS.intersection(between),
    )


def _judge(period: PeriodView, pair: _Pair, zone: str | None) -> list[Sign]:
    """Return the signs of one pair."""
    running, core = states(period, pair.index, zone)
    resting = ~running
    noise = _noise(pair.difference)
    zero = _zero(pair, resting) if pair.passive else None
    bias = pair.first.limit + pair.second.limit if zero is None else SLACK
    low = (zero or 0.0) - bias - SURE_RUNNING * noise
    usual = float(np.median(pair.difference[core])) if core.any() else -np.inf
    found = []
    if usual > low + SURE_RUNNING * noise:
        under = (core & (pair.difference < low)) | _after(period, pair, zone, resting, low, bias)
        found += _stretches(pair, under, TIMES_RUNNING, zero or 0.0, zone)
    if zero is not None and zone is None:
        under = resting & (pair.difference < zero - SLACK - SURE_RESTING * noise)
        slow = float(np.median(np.diff(pair.times))) >= SLOW_S
        times = TIMES_RESTING_SLOW if slow else TIMES_RESTING
        found += _stretches(pair, under, times, zero, zone, running=False)
    return found


def _after(period: PeriodView, pair: _Pair, zone: str | None, resting: Mask, low: float, bias: float) -> Mask:
    """Return where a gradient points back in the minutes after a run, beyond what the rest before it showed.

    Lines that stand empty between runs show the same before and after each: no pressure at either end,
    whatever the height between them. That is how this system rests, and no event.
    """
    found = np.zeros(len(pair.index), dtype=bool)
    for run in period.runs:
        if zone not in (None, run.zone):
            continue
        before = resting & np.asarray((pair.index < run.start) & (pair.index >= run.start - REST_BEFORE))
        limit = low
        if np.count_nonzero(before) >= LEAST_BEFORE:
            usual = float(np.median(pair.difference[before]))
            limit = min(low, usual - bias - SURE_RUNNING * _noise(pair.difference))
        coasting = np.asarray(
            (pair.index > run.end) & (pair.index <= run.end + pd.Timedelta(seconds=COAST_S))
        )
        found |= coasting & (pair.difference < limit)
    return found


def states(period: PeriodView, index: pd.DatetimeIndex, zone: str | None) -> tuple[Mask, Mask]:
    """Return where water runs, or may still hang on the head, and where it runs steadily."""
    running = np.zeros(len(index), dtype=bool)
    core = np.zeros(len(index), dtype=bool)
    settle, coast = pd.Timedelta(seconds=SETTLE_S), pd.Timedelta(seconds=COAST_S)
    for run in period.runs:
        if zone in (None, run.zone):
            running |= np.asarray((index >= run.start + settle) & (index <= run.end + coast))
            core |= np.asarray((index >= run.start + settle) & (index <= run.end))
    return running, core


def _noise(difference: Array) -> float:
    """Return the pair's noise from its steps; blind to slow changes and to single events. [kPa]"""
    steps = np.abs(np.diff(difference))
    return float(np.median(steps)) / 0.6745 / np.sqrt(2.0) + 1e-6 if steps.size else np.inf


def _zero(pair: _Pair, resting: Mask) -> float | None:
    """Return what the pair shows while water stands, where that is steady; a fall in less than half of it is not. [kPa]"""
    values = pair.difference[resting]
    if values.size < LEAST_REST:
        return None
    middle, high = np.quantile(values, (0.5, 0.9))
    wide = abs(middle) > pair.first.limit + pair.second.limit + SLACK
    return None if wide or high - middle > QUIET_SPREAD + 3.0 * _noise(values) else float(middle)


def spans(mask: Mask) -> list[tuple[int, int]]:
    """Return first place and place after the last of every stretch that is True.

    Examples
    --------
    >>> spans(np.array([False, True, True, False, True]))
    [(1, 3), (4, 5)]
    """
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(start), int(stop)) for start, stop in edges.reshape(-1, 2)]


def _stretches(
    pair: _Pair, under: Mask, times: int, zero: float, zone: str | None, *, running: bool = True
) -> list[Sign]:
    """Return each stretch of enough readings in a row below the limit."""
    sensors = (pair.first.sensor, pair.second.sensor)
    found = []
    for start, stop in spans(under):
        if stop - start >= times:
            size = float(zero - pair.difference[start:stop].min())
            found.append(
                Sign("gradient", running, pair.index[start], pair.index[stop - 1], sensors, size, zone)
            )
    return found
