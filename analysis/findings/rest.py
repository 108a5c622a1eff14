"""Findings about a stretch of time, running or at rest: pressure above what an injector stands, silence."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from analysis.amounts import amount
from analysis.clocks.delays import between_messages
from analysis.findings.words import CAUTION
from analysis.injection.ways import limit_of
from analysis.quality.gaps import gaps, longest_gap_s
from analysis.results import Feature, Finding
from analysis.runs.slices import between
from analysis.runs.stretches import stretches
from analysis.table import clock

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import PeriodView
    from ingest.installation import Installation

SUSTAINED_S = 30.0
"""How long the pressure must stand: a valve that shuts makes a surge of a second or two. [s] No source."""

SILENT = "silent"
"""Name of the feature that a silence leaves for the season."""

MESSAGES = "time between messages"
"""Name of the feature of a device that keeps many readings for one message."""

SELDOM_S = 60.0
"""From so long between messages on a silence is judged by it. [s] No source."""

AT_INJECTOR = ("mixed", "stock")
"""Points whose pressure is the injector's, wherever the regulator stands."""

BEFORE_INJECTOR = ("after filter", "source", "supply")
"""Points whose pressure is the injector's at rest, where no regulator stands before it."""


def over_pressure(period: PeriodView) -> Sequence[Finding]:
    """Find pressure above what an injector or its tank stands, running or at rest.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Finding
        ``over pressure``: to stop where the sensor's limit of error cannot explain it, else to watch. Only
        sensors whose pressure is the injector's are compared: those at it, and those upstream of it where the
        head's order puts no regulator between.
    """
    found = []
    for name, injector in period.installation.injector.items():
        limit = injector.max_static_pressure
        if limit is None:
            continue
        for sensor in _pressures(period.installation, name):
            readings = period.series.get(sensor)
            if readings is not None and len(readings) > 1:
                found += _above(period, name, sensor, readings, limit)
    return found


def _pressures(installation: Installation, injector: str) -> list[str]:
    """Return the pressure sensors whose reading is the injector's."""
    order = installation.head.order
    free = "injector" in order and "pressure regulator" not in order[: order.index("injector")]
    points = (*AT_INJECTOR, *(BEFORE_INJECTOR if free else ()))
    return [
        name
        for name, sensor in installation.sensor.items()
        if sensor.quantity == "pressure" and sensor.point in points and sensor.injector in (None, injector)
    ]


def _above(period: PeriodView, injector: str, name: str, readings: pd.Series, limit: float) -> list[Finding]:
    """Return the findings of one sensor above one limit."""
    sensor = period.installation.sensor[name]
    calm = readings.rolling(3, center=True, min_periods=1).median()
    hold = longest_gap_s(sensor.interval or 10.0)
    found = []
    for start, end, _ in stretches(
        calm > limit, interval_s=sensor.interval, hold_s=hold, shortest_s=SUSTAINED_S
    ):
        if (end - start).total_seconds() < SUSTAINED_S:
            continue
        top = float(between(calm, start, end).max())
        error = limit_of(sensor, top)
        sure = top - error > limit
        how_sure = "the sensor alone does not explain it" if sure else "not sure, it may be the sensor"
        found.append(
            Finding(
                kind="over pressure",
                zone=None,
                sensor=name,
                start=start,
                end=end,
                severity="stop" if sure else "watch",
                value=top,
                unit="kPa",
                evidence=(
                    f"{name} stood above {amount(limit, 'kPa')}, the most that injector {injector} may see, "
                    f"for {clock((end - start).total_seconds())} and reached {amount(top, 'kPa')}. How sure: {how_sure}, "
                    f"whose limit of error is {amount(error, 'kPa')}"
                ),
                likely_causes=(
                    "the pressure regulator: set too high, stuck or passing at rest",
                    "the supply's pressure, at night above all",
                    "a shut valve downstream while a pump runs",
                ),
                advice=(
                    "Shut the supply and let the pressure off slowly before you go near the tank: a vessel "
                    "above its limit can burst. Have the regulator checked before you open the supply "
                    f"again. {CAUTION}"
                    if sure
                    else "Check the regulator's setting with a gauge you trust, at rest as well as running. If you wait: a "
                    "vessel above its limit can burst."
                ),
            )
        )
    return found


def silence(period: PeriodView) -> Sequence[Feature]:
    """Note when sensors that should send at an interval did not.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Feature
        One a gap, named `SILENT`, at its start, with its length [s]; joined to findings over the season. One more,
        named `MESSAGES`, for a device that sends seldom: the time from one message to the next [s].
    """
    found = []
    for name, sensor in period.installation.sensor.items():
        if sensor.interval is None:
            continue
        apart = between_messages(period.delays[name]) if name in period.delays else None
        if apart is not None and apart >= SELDOM_S:
            found.append(Feature(MESSAGES, sensor.zone, period.start, apart, 0.0, (name,)))
        flags = period.flags.get(name)
        index = pd.DatetimeIndex([], tz="UTC") if flags is None else pd.DatetimeIndex(flags.index)
        limit = longest_gap_s(sensor.interval)
        holes = gaps(index, start=period.start, end=period.end, longest_s=limit)
        for start, end in holes.itertuples(index=False):
            length = (end - start).total_seconds()
            found.append(Feature(SILENT, sensor.zone, start, length, 0.0, (name,)))
    return found
