"""The injection fraction from conductivity, through the stock's own dilution curve."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from analysis.dilution import sensitivity
from analysis.injection.cells import coefficient_of
from analysis.injection.ec_terms import ec_terms
from analysis.injection.signal import MOST_LIMITED, NAME, STRONGEST_MARGIN, Signal, signal
from analysis.injection.ways import NoWay, Way, run_label
from analysis.injection.window import plateau
from analysis.uncertainty import Source, Uncertain, standard_error

if TYPE_CHECKING:
    import pandas as pd

    from analysis.dilution import DilutionCurve
    from analysis.results import Interval
    from analysis.view import RunView


def conductivity(view: RunView, name: str) -> Way | NoWay:
    """Estimate ln f from one conductivity cell after the injection.

    Parameters
    ----------
    view : RunView
        One run with its injection.
    name : str
        The cell.

    Returns
    -------
    Way or NoWay
        The answer, or why there is none.

    References
    ----------
    EC above the source water's own, Purdue Extension HO-286-W; dilution curve `analysis.dilution`.
    """
    seen = signal(view, name)
    if isinstance(seen, NoWay):
        return seen
    injection = view.run.injection
    if injection is None:
        return NoWay(NAME, "no injection was found in this run", seen.sensors)
    found = plateau(seen.step, injection, noise=seen.noise, lag_s=seen.lag_s, near=seen.near)
    if isinstance(found, str):
        return NoWay(NAME, f"{name}: {found}", seen.sensors)
    return over(view, seen, found.window)


def over(view: RunView, seen: Signal, window: Interval) -> Way | NoWay:
    """Estimate ln f over a part of the plateau.

    Parameters
    ----------
    view : RunView
        The run.
    seen : Signal
        The cell's signal.
    window : Interval
        The part. [UTC]

    Returns
    -------
    Way or NoWay
        The answer, or why there is none.
    """
    rise = seen.step[(seen.step.index >= window.start) & (seen.step.index <= window.end)]
    fractions = seen.fractions(rise)
    outside = _outside(seen.curve, rise, fractions)
    if outside:
        return NoWay(NAME, outside, seen.sensors)
    step, fraction = float(rise.mean()), float(np.nanmean(fractions))
    terms = ec_terms(view, seen, step)
    scatter = standard_error(rise.to_numpy(float))
    if math.isfinite(scatter):
        lever = sensitivity(seen.curve, step)
        terms[Source("scatter of EC", seen.mixed.name, run_label(view, window))] = lever * scatter / step
    return Way(NAME, Uncertain(math.log(fraction), terms), window, seen.sensors, _words(view, seen))


def _outside(curve: DilutionCurve, rise: pd.Series, fractions: np.ndarray) -> str | None:
    """Return why a step cannot be read on the curve, or None."""
    if len(rise) == 0:
        return "no EC readings in this part of the injection"
    step = float(rise.mean())
    weakest = curve.steps[0] * (0.5 if curve.linear else 1.0 - STRONGEST_MARGIN)
    if step < weakest:
        return (
            f"EC rose by {step:.3g} mS/cm, less than the weakest dilution's {curve.steps[0]:.3g}; "
            "add a weaker dilution"
        )
    strong = step > 2.0 * curve.steps[0] if curve.linear else np.isnan(fractions).mean() > MOST_LIMITED
    if strong:
        return (
            f"EC rose by {step:.3g} mS/cm, beyond the strongest dilution's {curve.steps[-1]:.3g}; "
            "add a stronger dilution: the curve is not extrapolated"
        )
    return None


def _words(view: RunView, seen: Signal) -> str:
    """Return the method, naming every choice."""
    how = "one dilution, assumed linear" if seen.curve.linear else "dilution curve"
    if seen.mixed.thermometer is None:
        heat = f"{seen.mixed.name} compensates to 25 °C itself"
    else:
        coefficient = coefficient_of(view.stock)
        named = coefficient if isinstance(coefficient, str) else f"{100 * coefficient:.2f} %/K"
        heat = f"compensated to 25 °C with {named} by {seen.mixed.thermometer}"
    return f"EC step of {seen.mixed.name} through the {how}; {heat}; {seen.ground.method}"
