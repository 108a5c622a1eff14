"""EC cells that do not compensate, shown at 25 °C by the thermometer in the same water."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from analysis.conductivity import DEFAULT_COEFFICIENT, compensate

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.snapshot import SensorState
    from dashboard.windows import Window
    from ingest.installation import Installation

LEAST_C, MOST_C = 0.0, 50.0
"""A thermometer outside these is not believed. [°C] Irrigation water; no source."""


def thermometer(installation: Installation, sensor: str) -> str | None:
    """Return the thermometer in a raw EC cell's water, or None where the cell compensates or there is none.

    Parameters
    ----------
    installation : Installation
        The system.
    sensor : str
        One of its sensors.

    Returns
    -------
    str or None
        A temperature sensor at the same point of the same injector and zone.
    """
    cell = installation.sensor[sensor]
    if cell.quantity != "conductivity" or cell.compensated:
        return None
    return next(
        (
            name
            for name, other in installation.sensor.items()
            if other.quantity == "temperature"
            and (other.point, other.injector, other.zone) == (cell.point, cell.injector, cell.zone)
        ),
        None,
    )


def _coefficient(installation: Installation, sensor: str) -> float:
    """Return the temperature coefficient of the stock that a cell sees."""
    injector = installation.sensor[sensor].injector
    stock = next((s for s in installation.stock.values() if s.injector == injector), None)
    told = DEFAULT_COEFFICIENT if stock is None else stock.temperature_coefficient
    return told if isinstance(told, float) else DEFAULT_COEFFICIENT


def window_at_25(installation: Installation, sensor: str, windows: Mapping[str, Window]) -> Window:
    """Return a cell's window at 25 °C.

    Parameters
    ----------
    installation : Installation
        The system.
    sensor : str
        The cell.
    windows : mapping of str to Window
        Windows of the cell and of its thermometer.

    Returns
    -------
    Window
        Low, mean and high of each bucket, each by the bucket's mean temperature; unchanged where no
        thermometer sees the water.
    """
    own, name = windows[sensor], thermometer(installation, sensor)
    warmth = None if name is None else windows.get(name)
    if warmth is None or not len(warmth.index) or not len(own.index):
        return own
    degrees = np.clip(np.interp(own.middle, warmth.middle, warmth.mean), LEAST_C, MOST_C)
    coefficient = _coefficient(installation, sensor)
    low, mean, high = (compensate(v, degrees, coefficient=coefficient) for v in (own.low, own.mean, own.high))
    return replace(own, low=low, mean=mean, high=high)


def state_at_25(installation: Installation, states: Mapping[str, SensorState], sensor: str) -> SensorState:
    """Return a cell's newest reading at 25 °C; unchanged where no thermometer sees the water."""
    own, name = states[sensor], thermometer(installation, sensor)
    warmth = states.get(name or "")
    if own.value is None or warmth is None or warmth.value is None or not LEAST_C <= warmth.value <= MOST_C:
        return own
    value = float(compensate(own.value, warmth.value, coefficient=_coefficient(installation, sensor)))
    return replace(own, value=value)
