"""Conductivity cells of one run, brought to 25 °C."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.conductivity import DEFAULT_COEFFICIENT, at_limit, compensate
from analysis.injection.totals import seconds

if TYPE_CHECKING:
    from analysis.view import RunView
    from ingest.installation import Stock


@dataclass(frozen=True, slots=True)
class Cell:
    """One conductivity cell's readings at 25 °C.

    Attributes
    ----------
    name : str
        The sensor.
    series : pandas.Series
        EC by time, readings at the meter's limit taken out. [mS/cm at 25 °C]
    temperature : float or None
        Mean temperature of its water, where a thermometer saw it. [°C]
    thermometer : str or None
        The temperature sensor used to compensate; None where the device compensates.
    limited : float
        Share of the readings during the injection that stood at the meter's limit. [-]
    """

    name: str
    series: pd.Series
    temperature: float | None
    thermometer: str | None
    limited: float


def coefficient_of(stock: Stock | None) -> float | str:
    """Return the temperature coefficient to use with a stock."""
    return DEFAULT_COEFFICIENT if stock is None else stock.temperature_coefficient


def cell(view: RunView, name: str) -> Cell | str:
    """Return a cell's readings at 25 °C, or why there are none.

    Parameters
    ----------
    view : RunView
        One run.
    name : str
        A conductivity sensor.

    Returns
    -------
    Cell or str
        The cell, or the reason.
    """
    sensor = view.installation.sensor[name]
    raw = view.series[name]
    flagged = at_limit(raw.to_numpy(float), sensor.range)
    injection = view.run.injection
    inside = np.ones(len(raw), bool)
    if injection is not None:
        inside = np.asarray((raw.index >= injection.start) & (raw.index <= injection.end))
    limited = float(flagged[inside].mean()) if inside.any() else 0.0
    kept = raw[~flagged]
    if kept.empty:
        return f"every reading of {name} stands at the meter's limit"
    thermometer = thermometer_for(view, name)
    if thermometer is None:
        if not sensor.compensated:
            return (
                f"{name} does not compensate for temperature and no temperature sensor sees its water; "
                "add one, or use a cell that compensates"
            )
        return Cell(name, kept, None, None, limited)
    temperature = at_times(view.series[thermometer], pd.DatetimeIndex(kept.index))
    mean = float(np.mean(temperature))
    if sensor.compensated:
        return Cell(name, kept, mean, None, limited)
    coefficient = coefficient_of(view.stock)
    values = compensate(kept.to_numpy(float), temperature, coefficient=coefficient)  # type: ignore[arg-type]
    return Cell(name, pd.Series(values, kept.index).dropna(), mean, thermometer, limited)


def thermometer_for(view: RunView, name: str) -> str | None:
    """Return the temperature sensor at a cell's point, else the nearest one of the head."""
    sensor = view.installation.sensor[name]
    here = [
        t
        for t in view.sensors("temperature", sensor.point)
        if view.installation.sensor[t].zone == sensor.zone
    ]
    return next(iter(here + view.sensors("temperature", "mixed", "after filter", "source", "zone")), None)


def at_times(series: pd.Series, index: pd.DatetimeIndex) -> np.ndarray:
    """Return a series interpolated in time; its ends are held."""
    known = seconds(pd.DatetimeIndex(series.index))
    return np.asarray(np.interp(seconds(index), known, series.to_numpy(float)))
