"""The season's judgement on clocks by the time of receipt: set wrong, jumped, running fast or slow."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from analysis.clocks import words
from analysis.clocks.delays import DELAY

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from analysis.results import Feature, Finding
    from analysis.view import SeasonView

    Array = NDArray[np.float64]

JUMP_S, JUMP_SCATTERS = 20.0, 8.0
"""Change of a delay, in seconds and in scatters of it, that is a jump. [s], [-] No source: networks make some
seconds more or less."""

USUAL = 5
"""Newest features whose middle a delay is compared with. No source."""

KNOWN = pd.Timedelta(hours=20)
"""How long a delay must have been seen before another one is a jump. No source: as for `STAY`."""

STAY = pd.Timedelta(hours=26)
"""How long a jump must stay. No source: a network is seldom slow for more than a day."""

DRIFT_A_DAY = 5.0
"""What a clock that nobody sets may drift in a day. [s] 60 ppm; no source."""

AHEAD_S = 5.0
"""By how much readings must come from the future. [s] No source: clocks that are set over the network agree to
well under a second."""

ZONE_S, ZONE_STEP_S = 60.0, 900.0
"""A delay this near to a multiple of a quarter of an hour, one quarter at least, is a clock of another time zone.
[s] Time zones differ by quarters of an hour."""

ZONE_LEAST_S = 1500.0
"""Least such delay. [s] No source: devices hold back up to a quarter of an hour on purpose."""

DRIFT_S, DRIFT_DAYS, DRIFT_SCATTERS = 5.0, 5, 6.0
"""Least change of a delay that grows or shrinks little by little [s], days that it takes, and the same in scatters
of a day's delay [-]. Quartz that nobody sets gains or loses 1 to 3 s a day (20 to 35 ppm, common data sheets, from
memory)."""

MONOTONE_P = 0.001
"""Probability below which a trend is no chance (Kendall). [-]"""

ALL_SHARE, TOGETHER, ALIKE = 0.8, STAY, 0.3
"""Share of the sensors that must move at once and alike, and by what share their moves may differ, for the ingester's
own clock to be named. [-] No source."""


class Moved(NamedTuple):
    """One sensor's clock that is not right.

    Attributes
    ----------
    sensor, zone
        Whose.
    kind : {"jump", "ahead", "behind", "drift"}
        How.
    start, end : pandas.Timestamp
        When. [UTC]
    size : float
        How far the clock is ahead, or has moved ahead; behind is negative. [s]
    rate : float
        For a drift. [s/d]
    going : bool
        Whether it is so at the end.
    """

    sensor: str
    zone: str | None
    kind: str
    start: pd.Timestamp
    end: pd.Timestamp
    size: float
    rate: float
    going: bool


def clock_faults(season: SeasonView) -> Sequence[Finding]:
    """Find clocks of devices that jumped, are set wrong, or run fast or slow.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``clock fault`` of a sensor; of none where nearly all moved at once, which is the ingester's own clock or
        a gateway's.
    """
    by_sensor: dict[str, list[Feature]] = {}
    for feature in season.features:
        if feature.name == DELAY:
            by_sensor.setdefault(feature.sensors[0], []).append(feature)
    moved = [m for features in by_sensor.values() for m in _of_sensor(features, season.end)]
    together, single = _together(moved, len(by_sensor))
    return [
        *(words.of_all(group, len(by_sensor)) for group in together),
        *(words.of_one(m) for m in single),
    ]


def _of_sensor(features: Sequence[Feature], end: pd.Timestamp) -> list[Moved]:
    """Return what is wrong with one sensor's clock."""
    steps = _steps(features)
    jumps = [_jump(features, steps, number, end) for number in range(len(steps))]
    undone = [n for n in range(1, len(jumps)) if _undoes(jumps[n - 1], jumps[n])]
    found = [jump for n, jump in enumerate(jumps) if n not in undone]
    bounds = [0, *steps, len(features)]
    for first, last in pairwise(bounds):
        part = features[first:last]
        if not part:
            continue
        until = end if last == len(features) else features[last].at
        found += _drifting(part, until, end) or _standing(part, until, end)
    jumped = {(m.start, m.end) for m in found if m.kind == "jump"}
    return [m for m in found if m.kind in ("jump", "drift") or not any(a <= m.start < b for a, b in jumped)]


def _steps(features: Sequence[Feature]) -> list[int]:
    """Return the places from which a delay is another one and stays so.

    A delay that grows must stay for some time, as messages are held back for hours now and then; one that shrinks
    needs no witness where it is the last.
    """
    found: list[int] = []
    usual = [features[0]]
    for n, here in enumerate(features[1:], start=1):
        base = float(np.median([f.value for f in usual[-USUAL:]]))
        change, limit = here.value - base, _limit(usual[-1], here)
        if abs(change) <= limit:
            usual.append(here)
        elif here.at - usual[0].at < KNOWN:
            usual = [here] if change < 0 else usual  # held up at first, or now: too little is known
        elif _stays(features[n + 1 :], here, base, change):
            found.append(n)
            usual = [here]
    return found


def _stays(later: Sequence[Feature], here: Feature, base: float, change: float) -> bool:
    """Return whether a delay that changed is not back after a while."""
    if not later:
        return change < 0
    soon = [f for n, f in enumerate(later) if n == 0 or f.at - here.at <= STAY]
    return all((f.value - base) / change > 0.5 for f in soon)  # noqa: PLR2004 - half way back


def _limit(base: Feature, here: Feature) -> float:
    """Return the change of a delay that network and a slow drift may make from one feature to another. [s]"""
    days = max((here.at - base.at).total_seconds() / 86400.0 - 1.0, 0.0)
    return max(JUMP_S, JUMP_SCATTERS * max(base.deviation, here.deviation)) + DRIFT_A_DAY * days


def _undoes(one: Moved, two: Moved) -> bool:
    """Return whether a jump takes back the one before it."""
    return one.size * two.size < 0 and abs(one.size + two.size) <= max(JUMP_S / 2.0, 0.2 * abs(one.size))


def _jump(features: Sequence[Feature], steps: Sequence[int], number: int, end: pd.Timestamp) -> Moved:
    """Return a jump, to the next one or to the end."""
    place = steps[number]
    last = number + 1 == len(steps)
    until = end if last else features[steps[number + 1]].at
    here = features[place]
    change = features[place - 1].value - here.value
    return Moved(here.sensors[0], here.zone, "jump", here.at, until, change, 0.0, last)


def _standing(part: Sequence[Feature], until: pd.Timestamp, end: pd.Timestamp) -> list[Moved]:
    """Return that a clock is ahead, or set to another time zone, over a time without a jump."""
    delay = float(np.median([f.value for f in part]))
    scatter = max(f.deviation for f in part)
    first = part[0]
    turned = abs(delay - ZONE_STEP_S * round(delay / ZONE_STEP_S)) < ZONE_S and abs(delay) > ZONE_LEAST_S
    if delay < -max(AHEAD_S, JUMP_SCATTERS * scatter):
        kind = "ahead"
    elif turned and scatter < ZONE_S:
        kind = "behind"
    else:
        return []
    return [Moved(first.sensors[0], first.zone, kind, first.at, until, -delay, 0.0, until >= end)]


def _drifting(part: Sequence[Feature], until: pd.Timestamp, end: pd.Timestamp) -> list[Moved]:
    """Return that a clock runs fast or slow over a time without a jump."""
    days = np.array([(f.at - part[0].at).total_seconds() / 86400.0 for f in part])
    if days.size <= DRIFT_DAYS or days[-1] < DRIFT_DAYS:
        return []
    values = np.array([f.value for f in part])
    slope = float(stats.theilslopes(values, days).slope)
    size = slope * days[-1]
    scatter = _scatter(values - slope * days)
    if abs(size) < max(DRIFT_S, DRIFT_SCATTERS * scatter):
        return []
    if stats.kendalltau(days, values).pvalue > MONOTONE_P:
        return []
    first = part[0]
    return [Moved(first.sensors[0], first.zone, "drift", first.at, until, -size, -slope, until >= end)]


def _scatter(values: Array) -> float:
    return float(1.4826 * np.median(np.abs(values - np.median(values))))


def _together(moved: Iterable[Moved], sensors: int) -> tuple[list[list[Moved]], list[Moved]]:
    """Return movements that nearly all sensors share, and the rest."""
    groups: list[list[Moved]] = []
    for one in sorted(moved, key=lambda m: (m.kind, m.start)):
        for group in groups:
            if _alike(group[0], one):
                group.append(one)
                break
        else:
            groups.append([one])
    common = [g for g in groups if len(g) > 1 and len({m.sensor for m in g}) >= ALL_SHARE * sensors]
    return common, [m for g in groups if g not in common for m in g]


def _alike(one: Moved, two: Moved) -> bool:
    """Return whether two movements may have one cause."""
    near = abs(one.size - two.size) <= max(3.0, ALIKE * abs(one.size))
    begun = one.kind == "drift" or abs(two.start - one.start) <= TOGETHER
    return one.kind == two.kind and near and begun
