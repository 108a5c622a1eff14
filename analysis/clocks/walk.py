"""Clocks without a time of receipt: the ends of runs by one sensor walk away from the same ends by the others."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from analysis.clocks.delays import DELAY
from analysis.clocks.edges import AT_END, AT_START, RESPONSE
from analysis.clocks.words import COSTS, GRAVE_S, OF_ONE, SET
from analysis.results import Finding
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from analysis.view import SeasonView

    Array = NDArray[np.float64]

LEARN, LAST = 6, 4
"""Runs that tell how a sensor's edges lie at first, and that must lie elsewhere. No source."""

WALKED_S, INTERVALS, SCATTERS = 20.0, 2.0, 4.0
"""Least walk, in seconds, in intervals of the slowest sensor and in scatters of a run's edge. [s], [-] No source:
valves open and lines fill within some seconds more or less."""

BOTH = 0.6
"""Share of the walk that each of a run's two ends must show: a slow valve moves one of them. [-] No source."""

SLOWER = 0.5
"""Share of a walk by which the sensor's own response must have grown to explain it. [-] A first-order response
moves an edge by ln 2 of itself."""

VOTERS = 3
"""Sensors from which on the one that walks can be told from the others."""


class Walk(NamedTuple):
    """How one sensor's edges moved."""

    sensor: str
    size: float
    since: pd.Timestamp
    runs: int


def walking_clocks(season: SeasonView) -> Sequence[Finding]:
    """Find sensors whose edges walk away from those of the other sensors, at both ends of the runs alike.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``clock fault``; with two sensors only, which of the two it is stays open. None of a sensor whose receipt
        is known (`analysis.clocks.judge`).
    """
    received = {f.sensors[0] for f in season.features if f.name == DELAY}
    best: dict[str, tuple[Walk, str, str | None]] = {}
    for zone in season.installation.zone:
        tables = _tables(season, zone)
        names = [str(name) for name in tables[0].columns]
        alone = len(names) < VOTERS
        for name in names[1:] if alone else names:
            if name in received:
                continue
            walk = _walk(season, tables, name, names)
            if (
                walk is not None
                and not _slower(season, name, walk)
                and (name not in best or abs(best[name][0].size) < abs(walk.size))
            ):
                best[name] = (walk, zone, names[0] if alone else None)
    return [_finding(season, *found) for found in best.values()]


def _tables(season: SeasonView, zone: str) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return one row a run and one column a sensor: its edges at the start, and at the end. [s]"""
    found: dict[str, dict[str, dict[pd.Timestamp, float]]] = {AT_START: {}, AT_END: {}}
    for f in season.features:
        if f.zone == zone and f.name in found:
            found[f.name].setdefault(f.sensors[0], {})[f.at] = f.value
    start, end = (pd.DataFrame(found[name]).sort_index() for name in (AT_START, AT_END))
    return start, end


def _walk(season: SeasonView, tables: Iterable[pd.DataFrame], name: str, names: Sequence[str]) -> Walk | None:
    """Return how a sensor's edges moved against the middle of all, or against the other of two."""
    ends = []
    for edges in tables:
        if len(names) >= VOTERS:
            enough = edges.notna().sum(axis="columns") >= VOTERS
            middle = edges[enough].median(axis="columns").reindex(edges.index)
        else:
            middle = edges[names[0]]
        ends.append(edges[name] - middle)
    both = pd.concat(ends, axis="columns", sort=True).dropna()
    if len(both) < LEARN + LAST:
        return None
    start, end = (both.iloc[:, n].to_numpy(dtype=float) for n in (0, 1))
    mean = (start + end) / 2.0
    size = _shift(mean)
    scatter = float(1.4826 * np.median(np.abs(np.diff(mean)))) / np.sqrt(2.0)
    slowest = max(season.installation.sensor[n].interval or 0.0 for n in names)
    if abs(size) < max(WALKED_S, INTERVALS * slowest, SCATTERS * scatter):
        return None
    if any(_shift(values) / size < BOTH for values in (start, end)):
        return None
    return Walk(name, size, both.index[_since(mean, size)], len(both))


def _slower(season: SeasonView, name: str, walk: Walk) -> bool:
    """Return whether a sensor is late because it answers more slowly (`analysis.clocks.slow`)."""
    mine = [f.value for f in season.features if f.name == RESPONSE and f.sensors[0] == name]
    return len(mine) >= LEARN + LAST and _shift(np.array(mine)) > SLOWER * walk.size > 0


def _shift(values: Array) -> float:
    """Return how far the last values lie from the first."""
    return float(np.median(values[-LAST:]) - np.median(values[:LEARN]))


def _since(values: Array, size: float) -> int:
    """Return the first place from which values lie beyond half of a shift for good."""
    far = (values - np.median(values[:LEARN])) / size > 0.5  # noqa: PLR2004 - half of it
    near = np.flatnonzero(~far)
    return min(int(near[-1]) + 1, values.size - 1) if near.size else 0


def _finding(season: SeasonView, walk: Walk, zone: str, other: str | None) -> Finding:
    """Return the finding of a clock that walked."""
    against = f"against {other}" if other else "against the middle of the other sensors"
    side = "later" if walk.size > 0 else "sooner"
    sure = (
        f"which of the two is wrong they do not decide, {other} may be {'slow' if walk.size > 0 else 'fast'} as well"
        if other
        else "very likely its clock, since a slow valve or slow lines move only one of a run's ends"
    )
    return Finding(
        kind="clock fault",
        zone=season.installation.sensor[walk.sensor].zone,
        sensor=walk.sensor,
        start=walk.since,
        end=season.end,
        severity="act" if abs(walk.size) >= GRAVE_S else "watch",
        value=walk.size,
        unit="s",
        evidence=(
            f"{walk.sensor} shows both ends of the runs of zone {zone} {clock(abs(walk.size))} {side} {against} than in "
            f"the first of {walk.runs} runs; {sure}"
        ),
        likely_causes=OF_ONE[:3],
        advice=f"{SET} {COSTS}",
    )
