"""Sensors that answer more slowly than their description says, or than they did."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis.clocks.edges import RESPONSE
from analysis.results import Finding
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.results import Feature
    from analysis.view import SeasonView

LEARN, LAST = 6, 5
"""Runs that tell a sensor's response at first, and that must all be slow. No source."""

TIMES, INTERVALS = 2.0, 1.0
"""How often its longest stated lag a response must be, and by how many intervals longer. [-] No source: the rise
between two readings is known to an interval."""

ALONE_TIMES, MIXING_S, WATER_S = 3.0, 20.0, 60.0
"""The same where neither its own first runs nor another sensor were quicker, and what the water itself may take:
stock to mix behind the injector, a slow valve or a filter's content. [-], [s] No source."""

QUICKER = 0.5
"""Share of a response that another sensor, or the same one at first, must not exceed to be a witness. [-] No
source."""

CHECKS = {
    "conductivity": "Lift the cell out, rinse and brush it, and see that water flows through its fitting.",
    "pressure": "Blow the tapping and the snubber free, and look for air in the line to the sensor.",
    "flow": "Look at the damping that is set in the meter's own menu, and at what its device averages over.",
}
"""First check by quantity. Common practice, from memory."""


class Slow(NamedTuple):
    """One sensor that is slow."""

    since: Feature
    now: float
    most: float
    witness: str | None


def slow_sensors(season: SeasonView) -> Sequence[Finding]:
    """Find sensors whose answer to the ends of runs and injections is slower than described, or than it was.

    Parameters
    ----------
    season : SeasonView
        The season.

    Returns
    -------
    list of Finding
        ``sensor fault`` with the response time [s]: to act on where another sensor, or the same one in its first
        runs, shows that the water itself was quicker; else to watch.
    """
    by_sensor: dict[str, list[Feature]] = {}
    for feature in season.features:
        if feature.name == RESPONSE:
            by_sensor.setdefault(feature.sensors[0], []).append(feature)
    found = []
    for name in by_sensor:
        slow = _slow(season, name, by_sensor)
        if slow is not None:
            found.append(_finding(season, name, slow))
    return found


def _slow(season: SeasonView, name: str, by_sensor: Mapping[str, Sequence[Feature]]) -> Slow | None:
    """Return how slow a sensor is; None where it is as described."""
    mine, sensor = by_sensor[name], season.installation.sensor[name]
    values, interval = np.array([f.value for f in mine]), sensor.interval or 0.0
    if len(mine) < (LAST if sensor.lag else LEARN + LAST):
        return None
    most = sensor.lag[1] if sensor.lag else float(np.median(values[:LEARN]))
    now = float(np.median(values[-LAST:]))
    limit = max(TIMES * most, most + INTERVALS * interval)
    if float(values[-LAST:].min()) <= limit:
        return None
    witness = _witness(season, name, by_sensor, now)
    water = MIXING_S if (sensor.quantity, sensor.point) == ("conductivity", "mixed") else WATER_S
    if witness is None and now <= ALONE_TIMES * most + INTERVALS * interval + water:
        return None
    quick = np.flatnonzero(values <= max(limit, QUICKER * now))
    first = int(quick[-1]) + 1 if quick.size else 0
    return Slow(mine[first], now, most, witness)


def _witness(
    season: SeasonView, name: str, by_sensor: Mapping[str, Sequence[Feature]], now: float
) -> str | None:
    """Return what shows that the water was quicker than a sensor, in words.

    Flow is the same along a pipe; pressure and EC change at their own pace from point to point.
    """
    values = [f.value for f in by_sensor[name]]
    if len(values) >= LEARN + LAST and float(np.median(values[:LEARN])) <= QUICKER * now:
        return f"{clock(float(np.median(values[:LEARN])))} in its own first runs"
    sensor, runs = season.installation.sensor[name], {f.at for f in by_sensor[name][-LAST:]}
    for other, features in by_sensor.items():
        twin = season.installation.sensor[other]
        alike = twin.quantity == sensor.quantity and (sensor.quantity == "flow" or twin.point == sensor.point)
        same = [f.value for f in features if f.at in runs]
        if other != name and alike and len(same) >= LAST and float(np.median(same)) <= QUICKER * now:
            return f"{clock(float(np.median(same)))} by {other} in the same runs"
    return None


def _finding(season: SeasonView, name: str, slow: Slow) -> Finding:
    """Return the finding of a slow sensor."""
    sensor = season.installation.sensor[name]
    sure = (
        f"against {slow.witness}, so that it is the sensor is very likely"
        if slow.witness
        else "nothing else shows how quick the water was, so a valve that moves slowly or mixing may be a part of it"
    )
    return Finding(
        kind="sensor fault",
        zone=sensor.zone,
        sensor=name,
        start=slow.since.at,
        end=season.end,
        severity="act" if slow.witness else "watch",
        value=slow.now,
        unit="s",
        evidence=(
            f"{name} answers with a time of response of {clock(slow.now)} over the last {LAST} runs or more, while at most "
            f"{clock(slow.most)} {'is described' if sensor.lag else 'was usual'}; {sure}"
        ),
        likely_causes=(
            "a film, scale, a bubble or a plugged tapping between the water and the sensor",
            "a damping or an average that was set in the device or its gateway",
            "a lag in installation.toml that never was measured",
        ),
        advice=(
            f"{CHECKS.get(sensor.quantity, 'Look at the device and its settings.')} If it is meant to be so, write its lag "
            "into installation.toml. Waiting moves the arrival of fronts, the ends of injections and the clear-out time "
            f"by about {clock(max(slow.now - slow.most, 0.0))}."
        ),
    )
