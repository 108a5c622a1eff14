"""From one conductivity cell to the step above the source water and the fraction of stock."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.dilution import DilutionCurve, curve_of, fraction_of
from analysis.injection.base import Base, base
from analysis.injection.cells import Cell, cell
from analysis.injection.strength import coefficient_change, strength_factor
from analysis.injection.ways import NoWay

if TYPE_CHECKING:
    from analysis.view import RunView

NAME = "EC"

NEAR = frozenset({"mixed", "after filter"})
"""Points whose cell sees the solution right after the injection."""

UNKNOWN_LAG_S = 12.0
"""Response time assumed for a cell that states none. [s] Upper end of usual cells; no source."""

MOST_LIMITED = 0.05
"""More readings than this share at the meter's limit and the mean is not known. [-] No source."""

STRONGEST_MARGIN = 0.01
"""A step this share above the strongest dilution's is still the strongest dilution. No source."""

NORMAL_DIFFERENCE = 0.9539
"""Median absolute difference of two readings of unit white noise: 0.6745 sqrt(2). Computed."""


@dataclass(frozen=True, slots=True)
class Signal:
    """One cell's readings reduced to the step that the stock makes.

    Attributes
    ----------
    curve : DilutionCurve
        The stock's dilution curve.
    stock : str
        The stock's name.
    mixed : Cell
        The cell after the injection.
    ground : Base
        The source water in its scale.
    step : pandas.Series
        EC above the source water. [mS/cm at 25 °C]
    noise : float
        Standard deviation of single readings. [mS/cm]
    lag_s : float
        Longest response time. [s]
    near : bool
        Whether the cell stands at the head.
    """

    curve: DilutionCurve
    stock: str
    mixed: Cell
    ground: Base
    step: pd.Series
    noise: float
    lag_s: float
    near: bool

    @property
    def sensors(self) -> tuple[str, ...]:
        """The sensors that it rests on."""
        source = (self.ground.source,) if self.ground.source else ()
        heat = (self.mixed.thermometer,) if self.mixed.thermometer else ()
        return (self.mixed.name, *source, *heat)

    def fractions(self, steps: pd.Series) -> np.ndarray:
        """Return the fraction of stock for steps, nan above the strongest dilution; shape (n,). [-]"""
        values, top = steps.to_numpy(float), self.curve.steps[-1]
        near_top = values <= top * (1.0 + STRONGEST_MARGIN)
        held = values if self.curve.linear else np.where(near_top, np.minimum(values, top), values)
        return fraction_of(self.curve, held)


def signal(view: RunView, name: str) -> Signal | NoWay:
    """Return a cell's step above the source water, or why it has none.

    Parameters
    ----------
    view : RunView
        One run with its injection.
    name : str
        A conductivity cell after the injection.

    Returns
    -------
    Signal or NoWay
        The signal, or the reason.
    """
    found = _stock_and_curve(view)
    if isinstance(found, str):
        return NoWay(NAME, found, (name,))
    mixed = cell(view, name)
    if isinstance(mixed, str):
        return NoWay(NAME, mixed, (name,))
    if mixed.limited > MOST_LIMITED:
        reason = (
            f"{mixed.limited:.0%} of {name}'s readings during the injection stand at the meter's limit; "
            "use a range that reaches the solution's EC"
        )
        return NoWay(NAME, reason, (name,))
    sensor = view.installation.sensor[name]
    lag_s = UNKNOWN_LAG_S if sensor.lag is None else sensor.lag[1]
    ground = base(view, mixed, lag_s=lag_s)
    if isinstance(ground, str):
        return NoWay(NAME, ground, (name,))
    step = _by_strength(view, found, mixed, (mixed.series - ground.series).dropna())
    noise = (
        float(np.median(np.abs(np.diff(step.to_numpy(float))))) / NORMAL_DIFFERENCE if len(step) > 1 else 0.0
    )
    stock, curve = found
    return Signal(curve, stock, mixed, ground, step, noise, lag_s, sensor.point in NEAR)


def _by_strength(view: RunView, found: tuple[str, DilutionCurve], mixed: Cell, step: pd.Series) -> pd.Series:
    """Return the step, freed of what the coefficient's changing with strength does to it."""
    stock, curve = view.installation.stock[found[0]], found[1]
    coefficient = stock.temperature_coefficient
    if mixed.thermometer is None or mixed.temperature is None or isinstance(coefficient, str):
        return step
    if curve.linear:
        return step
    least = 0.1 * curve.steps[0]
    fractions = np.nan_to_num(fraction_of(curve, np.maximum(step, least)), nan=curve.fractions[-1])
    change = coefficient_change(stock, curve, fractions, mixed.temperature)
    factor = strength_factor(change, mixed.temperature, coefficient=coefficient)
    return pd.Series(step.to_numpy(float) * factor, step.index)


def _stock_and_curve(view: RunView) -> tuple[str, DilutionCurve] | str:
    """Return the zone's stock and its dilution curve, or why EC cannot tell the fraction."""
    injector = view.installation.injector_of(view.run.zone)
    names = [n for n, s in view.installation.stock.items() if s.injector == injector]
    if not names:
        return "no stock is described for this zone's injector"
    if len(names) > 1:
        return f"stocks {' and '.join(names)} share this injector, so EC alone cannot tell them apart"
    stock = view.installation.stock[names[0]]
    if not stock.conducting:
        return "the stock does not conduct (urea and the like are invisible to EC); use meters"
    curve = curve_of(stock)
    if curve is None:
        return (
            "the stock has no dilution curve; EC is not linear in concentration, so make two or more "
            "dilutions in the source water that bracket the ratio"
        )
    return names[0], curve
