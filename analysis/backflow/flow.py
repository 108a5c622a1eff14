"""Signs of backflow in single meters and at the supply: flow that runs backwards, pressure that follows the supply."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.backflow.signs import (
    LEAST_REST,
    SURE_RESTING,
    TIMES_RESTING,
    TIMES_RUNNING,
    Sign,
    spans,
    states,
)
from analysis.diagnosis.network import network_of

if TYPE_CHECKING:
    from analysis.view import PeriodView
    from ingest.installation import Sensor

REVERSE_SHARE = 0.02
"""Share of the usual flow by which a meter must run backwards. [-] No source: zero error of good meters."""

SUPPLY_LOST = 30.0
"""Pressure below which a supply has lost its pressure. [kPa] No source: a tap barely runs."""

STOOD, FOLLOWED = 60.0, 0.5
"""Least pressure behind the preventer before that [kPa], and the share of it that goes with the supply. [-]
No source."""


def followed_signs(period: PeriodView) -> list[Sign]:
    """Return where the supply lost its pressure at rest and the pressure behind the preventer went with it.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Sign
        Where a sound preventer would have held the pressure behind it.
    """
    network = network_of(period.installation, next(iter(period.installation.zone)))
    before = [n for n in network.nodes if n.place == 0]
    behind = [n for n in network.nodes if 0 < n.place < len(network.elements) - 1]
    if not before or not behind or "backflow preventer" not in network.elements:
        return []
    up, down = period.series.get(before[0].sensor), period.series.get(behind[0].sensor)
    if up is None or down is None or min(len(up), len(down)) < LEAST_REST:
        return []
    running, _ = states(period, pd.DatetimeIndex(down.index), None)
    supply = up.reindex(down.index, method="ffill").to_numpy(dtype=float)
    values = down.to_numpy(dtype=float)
    stood = float(np.median(values[~running])) if (~running).any() else 0.0
    gone = ~running & (supply < SUPPLY_LOST) & (values < (1.0 - FOLLOWED) * stood)
    sensors = (before[0].sensor, behind[0].sensor)
    return [
        Sign(
            what="followed",
            running=False,
            start=down.index[a],
            end=down.index[b - 1],
            sensors=sensors,
            size=stood - float(values[a:b].min()),
            zone=None,
        )
        for a, b in spans(gone)
        if b - a >= TIMES_RESTING and stood > STOOD
    ]


def reverse_flow_signs(period: PeriodView) -> list[Sign]:
    """Return where a meter that can run backwards did.

    Parameters
    ----------
    period : PeriodView
        The stretch.

    Returns
    -------
    list of Sign
        Two readings in a row below nought by more than the meter's zero error and noise.
    """
    found = []
    for name, sensor in period.installation.sensor.items():
        series = period.series.get(name)
        if sensor.quantity == "flow" and sensor.point not in ("stock", "drain") and series is not None:
            found += _reversed(period, name, sensor, series)
    return found


def _reversed(period: PeriodView, name: str, sensor: Sensor, series: pd.Series) -> list[Sign]:
    """Return where one meter ran backwards."""
    values = series.to_numpy(dtype=float)
    usual = float(np.quantile(values, 0.9)) if values.size else 0.0
    rest = values[np.abs(values) < REVERSE_SHARE * max(usual, 1e-9)]
    noise = float(np.std(rest)) if rest.size > LEAST_REST else 0.0
    low = -max(REVERSE_SHARE * usual, sensor.accuracy.absolute, SURE_RESTING * noise)
    running, _ = states(period, pd.DatetimeIndex(series.index), sensor.zone)
    return [
        Sign(
            "flow",
            bool(running[start:stop].any()),
            series.index[start],
            series.index[stop - 1],
            (name,),
            float(-values[start:stop].min()),
            sensor.zone,
        )
        for start, stop in spans(values < low)
        if stop - start >= TIMES_RUNNING
    ]
