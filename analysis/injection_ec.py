"""The injection fraction from conductivity, through the stock's own dilution curve."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.conductivity import COEFFICIENT_LIMIT, DEFAULT_COEFFICIENT, REFERENCE, STATED_COEFFICIENT_LIMIT
from analysis.dilution import (
    BENT_EXPONENT,
    INTERPOLATION_LIMIT,
    DilutionCurve,
    curve_of,
    fraction_of,
    sensitivity,
)
from analysis.injection_cells import Base, Cell, base, cell, coefficient_of
from analysis.injection_ways import NoWay, Way, gain_term, limit_of
from analysis.injection_window import plateau
from analysis.results import Interval
from analysis.uncertainty import Source, Uncertain, rectangular, standard_error

if TYPE_CHECKING:
    from analysis.view import RunView

NAME = "EC"

NEAR = frozenset({"mixed", "after filter"})
"""Points whose cell sees the solution right after the injection."""

REPEATABILITY = 0.002
"""Standard deviation of a cell's gain from day to day. [-] Assumed, as in the prototypes; no source."""

UNKNOWN_LAG_S = 12.0
"""Response time assumed for a cell that states none. [s] Upper end of usual cells; no source."""

MOST_LIMITED = 0.05
"""More readings than this share at the meter's limit and the mean is not known. [-] No source."""

UNKNOWN_OFFSET_K = 10.0
"""Distance from 25 °C assumed where no thermometer sees the water. [K] No source."""

STRONGEST_MARGIN = 0.01
"""A step this share above the strongest dilution's is still the strongest dilution. No source."""


def conductivity(view: RunView, name: str, *, window: Interval | None = None) -> Way | NoWay:
    """Estimate ln f from one conductivity cell after the injection.

    Parameters
    ----------
    view : RunView
        One run with its injection.
    name : str
        The cell.
    window : Interval, optional
        Part of the plateau; all of it where left out. [UTC]

    Returns
    -------
    Way or NoWay
        The answer, or why there is none.

    References
    ----------
    EC above the source water's own, Purdue Extension HO-286-W; dilution curve `analysis.dilution`.
    """
    curve = _curve(view)
    if isinstance(curve, str):
        return NoWay(NAME, curve, (name,))
    mixed = cell(view, name)
    if isinstance(mixed, str):
        return NoWay(NAME, mixed, (name,))
    if mixed.limited > MOST_LIMITED:
        return NoWay(
            NAME,
            f"{mixed.limited:.0%} of {name}'s readings during the injection stand at the meter's limit; "
            "use a range that reaches the solution's EC",
            (name,),
        )
    lag_s = _lag(view, name)
    ground = base(view, mixed, lag_s=lag_s)
    if isinstance(ground, str):
        return NoWay(NAME, ground, (name,))
    return _from_step(view, curve, mixed, ground, lag_s=lag_s, window=window)


def _lag(view: RunView, name: str) -> float:
    """Return the longest response time of a cell. [s]"""
    lag = view.installation.sensor[name].lag
    return UNKNOWN_LAG_S if lag is None else lag[1]


def _curve(view: RunView) -> DilutionCurve | str:
    """Return the dilution curve of the zone's stock, or why EC cannot tell the fraction."""
    stock, injector = view.stock, view.installation.injector_of(view.run.zone)
    if stock is None:
        return "no stock is described for this zone's injector"
    if sum(other.injector == injector for other in view.installation.stock.values()) > 1:
        return "two stocks share this injector, so EC alone cannot tell them apart"
    if not stock.conducting:
        return "the stock does not conduct (urea and the like are invisible to EC); use meters"
    curve = curve_of(stock)
    if curve is None:
        return (
            "the stock has no dilution curve; EC is not linear in concentration, so make two or more "
            "dilutions in the source water that bracket the ratio"
        )
    return curve


def _from_step(
    view: RunView,
    curve: DilutionCurve,
    mixed: Cell,
    ground: Base,
    *,
    lag_s: float,
    window: Interval | None,
) -> Way | NoWay:
    """Return ln f from the step above the source water."""
    names = (mixed.name, *((ground.source,) if ground.source else ()), *_thermometers(mixed))
    injection = view.run.injection
    if injection is None:
        return NoWay(NAME, "no injection was found in this run", names)
    step = mixed.series - ground.series
    noise = float(np.median(np.abs(np.diff(step.to_numpy(float))))) / 0.9539  # sd of white noise, normal
    near = view.installation.sensor[mixed.name].point in NEAR
    found = plateau(step, injection, noise=noise, lag_s=lag_s, near=near)
    if isinstance(found, str):
        return NoWay(NAME, f"{mixed.name}: {found}", names)
    part = window or found.window
    rise = step[(step.index >= part.start) & (step.index <= part.end)]
    fractions = fraction_of(curve, np.minimum(rise, _reach(curve, rise)))
    mean_step = float(rise.mean()) if len(rise) else math.nan
    outside = _outside(curve, mean_step, fractions)
    if outside:
        return NoWay(NAME, outside, names)
    fraction = float(np.nanmean(fractions))
    terms = _terms(view, curve, mixed, ground, mean_step)
    scatter = standard_error(rise.to_numpy(float))
    lever = sensitivity(curve, mean_step)
    run = f"{view.run.zone} {view.run.start.isoformat()}"
    if math.isfinite(scatter):
        terms[Source("scatter of EC", run, random=True)] = lever * scatter / mean_step
    return Way(NAME, Uncertain(math.log(fraction), terms), part, names, _words(view, curve, mixed, ground))


def _reach(curve: DilutionCurve, rise: pd.Series) -> np.ndarray:
    """Return for each step the largest one that the curve answers, a hair above its strongest dilution."""
    top = curve.steps[-1]
    near_top = rise.to_numpy(float) <= top * (1.0 + STRONGEST_MARGIN)
    return np.where(near_top, top, np.inf)


def _outside(curve: DilutionCurve, mean_step: float, fractions: np.ndarray) -> str | None:
    """Return why a mean step cannot be read on the curve, or None."""
    if not math.isfinite(mean_step) or len(fractions) == 0:
        return "no EC readings in this part of the injection"
    if mean_step < curve.steps[0] * (0.5 if curve.linear else 1.0 - STRONGEST_MARGIN):
        return (
            f"EC rose by {mean_step:.3g} mS/cm, less than the weakest dilution's {curve.steps[0]:.3g}; "
            "add a weaker dilution"
        )
    too_strong = (
        mean_step > 2.0 * curve.steps[0] if curve.linear else np.isnan(fractions).mean() > MOST_LIMITED
    )
    if too_strong:
        return (
            f"EC rose by {mean_step:.3g} mS/cm, beyond the strongest dilution's {curve.steps[-1]:.3g}; "
            "add a stronger dilution: the curve is not extrapolated"
        )
    return None


def _thermometers(mixed: Cell) -> tuple[str, ...]:
    """Return the thermometer that compensated a cell, if any."""
    return (mixed.thermometer,) if mixed.thermometer else ()


def _terms(
    view: RunView, curve: DilutionCurve, mixed: Cell, ground: Base, step: float
) -> dict[Source, float]:
    """Return the contributions to ln f of everything but the scatter of the readings."""
    lever = sensitivity(curve, step)
    run = f"{view.run.zone} {view.run.start.isoformat()}"
    stock_name = next(n for n, s in view.installation.stock.items() if s is view.stock)
    stock = view.installation.stock[stock_name]
    gain_source, gain = gain_term(view.installation, mixed.name, step)
    terms = {
        gain_source: lever * gain,
        Source("dilutions as made and measured", stock_name): lever * stock.dilution_accuracy,
        Source("shape of the dilution curve", stock_name): rectangular(_shape_limit(curve, step)),
        Source("cell repeatability", f"{mixed.name}, {run}", random=True): lever * REPEATABILITY,
        Source("source water reading", run, random=True): lever * ground.sd / step,
        Source("unseen drift of the source water", run, random=True): lever * ground.drift_sd / step,
    }
    if ground.gain is None and ground.source is not None:
        level = float(ground.series.mean())
        limits = limit_of(view.installation.sensor[ground.source], level)
        terms[Source("meter gain", ground.source)] = -lever * rectangular(limits) / step
        terms[gain_source] = (
            lever * rectangular(limit_of(view.installation.sensor[mixed.name], step + level)) / step
        )
    terms.update(_temperature_terms(view, mixed, stock_name, lever))
    return {source: u for source, u in terms.items() if u != 0.0}


def _shape_limit(curve: DilutionCurve, step: float) -> float:
    """Return the largest relative error of f from the curve's shape."""
    if curve.linear:
        return BENT_EXPONENT * abs(math.log(step / curve.steps[0])) + INTERPOLATION_LIMIT
    return INTERPOLATION_LIMIT


def _temperature_terms(view: RunView, mixed: Cell, stock_name: str, lever: float) -> dict[Source, float]:
    """Return the contributions of the coefficient and of the thermometer."""
    coefficient = view.installation.stock[stock_name].temperature_coefficient
    slope = DEFAULT_COEFFICIENT if coefficient == "natural water" else float(coefficient)
    stated = slope != DEFAULT_COEFFICIENT and mixed.thermometer is not None
    limit = STATED_COEFFICIENT_LIMIT if stated else COEFFICIENT_LIMIT
    away = UNKNOWN_OFFSET_K if mixed.temperature is None else mixed.temperature - REFERENCE
    where = stock_name if mixed.thermometer else mixed.name
    found = {
        Source("temperature coefficient", where): -lever * rectangular(limit) * away / (1.0 + slope * away)
    }
    if mixed.thermometer is not None:
        kelvin = rectangular(limit_of(view.installation.sensor[mixed.thermometer], 20.0))
        found[Source("thermometer", mixed.thermometer)] = -lever * slope * kelvin / (1.0 + slope * away)
    return found


def _words(view: RunView, curve: DilutionCurve, mixed: Cell, ground: Base) -> str:
    """Return the method, naming every choice."""
    how = "one dilution, assumed linear" if curve.linear else "dilution curve"
    if mixed.thermometer is None:
        heat = f"{mixed.name} compensates to 25 °C itself"
    else:
        coefficient = coefficient_of(view.stock)
        named = coefficient if isinstance(coefficient, str) else f"{100 * coefficient:.2f} %/K"
        heat = f"compensated to 25 °C with {named} by {mixed.thermometer}"
    return f"EC step of {mixed.name} through the {how}; {heat}; {ground.method}"
