"""The nutrients of one run: what went in, for an area and a plant, and what stayed in the lines."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.dose.line import line_of, places
from analysis.injection.flow import main_meters
from analysis.injection.fraction import told
from analysis.injection.totals import cumulative, seconds
from analysis.injection.volume import stock_ways
from analysis.injection.ways import NoWay, Way, stock_name
from analysis.results import Estimate, refused
from analysis.tank.decay import tank_fit
from analysis.uncertainty import Source, Uncertain, linear, rectangular

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.view import RunView

QUANTITY = "nutrient dose"

CARRY = "nutrient carry-over"

LEAST_CARRY = 0.005
"""Less than this share of a run's stock left in the lines is not told. [-] No source."""

LINE_LIMIT = 0.15
"""Limit of error of what is left in the lines: bores as described, plug flow. [-] No source."""

BACKWARD = 0.01
"""A meter that ran backward by more than this share of its total tells nothing of what moved in the pipes. [-] No source."""

STEPS = 200
"""Pieces into which an injection is cut to follow what it left behind."""


def nutrient_dose(view: RunView) -> list[Estimate]:
    """Estimate the grams of each nutrient that went in during one run, and what stayed in the lines.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate
        ``nutrient dose`` of each nutrient that the stock states [g]; the same for an area [g/m2] and a plant
        [g] where the zone states them; ``nutrient carry-over`` [g] where more than half a percent is still
        in the lines when the run ends. Refusals where the stock's volume cannot be told.

    Notes
    -----
    The dose is the stock's volume in the run, which integrates fraction times flow, times its strength. What
    stays in the lines comes out later; `analysis.dose.carried` tells what each run's emitters gave off.

    References
    ----------
    Mass balance; GUM (JCGM 100:2008) 5.1.
    """
    if view.injector is None or view.run.injection is None or view.stock is None:
        return []
    found, missing, decay_l = _stock(view)
    if not view.stock.nutrients:
        wanted = view.zone.target.nutrients if view.zone.target else {}
        reason = f"stock {stock_name(view)} states no nutrients; state its strengths"
        return [refused(QUANTITY, "none", reason, nutrient=name) for name in wanted]
    said: list[Estimate] = []
    left = sum(left_in_pipes(view, decay_l=decay_l).values())
    for nutrient, strength in view.stock.nutrients.items():
        grams = [_times(view, way, strength) for way in found]
        doses = [replace(e, nutrient=nutrient) for e in told(QUANTITY, grams, missing)]
        said += doses + [per for dose in doses for per in _each(view, dose)]
        if found and left > LEAST_CARRY:
            said.append(_carry(doses[0], left))
    return said


def _stock(view: RunView) -> tuple[Sequence[Way], Sequence[NoWay], float]:
    """Return the ways to the stock's litres, those without an answer, and the water that weakens it to 1/e."""
    if view.injector is None or view.injector.kind != "displacement tank":
        return *stock_ways(view), math.inf
    fit = tank_fit(view)
    if isinstance(fit, NoWay) or view.run.injection is None:
        return [], [fit] if isinstance(fit, NoWay) else [], math.inf
    way = Way("tank", fit.given, view.run.injection, fit.sensors, fit.method)
    return [way], [], math.exp(fit.decay.value)


def _times(view: RunView, way: Way, strength: float) -> Way:
    """Return ln grams from ln litres of stock. `strength` [g/L]"""
    accuracy = view.stock.strength_accuracy if view.stock else 0.0
    source = Source("stock strength", stock_name(view))
    factor = Uncertain(math.log(strength), {source: rectangular(accuracy)})
    method = f"stock by {way.name} times its strength of {strength:.4g} g/L: {way.method}"
    return Way(way.name, linear([1.0, 1.0], [way.log, factor]), way.window, way.sensors, method)


def _each(view: RunView, dose: Estimate) -> list[Estimate]:
    """Return a dose for an area and a plant, where the zone states them."""
    found = []
    for quantity, size, unit in (
        ("nutrient dose per area", view.zone.area, "g/m2"),
        ("nutrient dose per plant", view.zone.plants, "g"),
    ):
        if size and dose.value is not None and dose.low is not None and dose.high is not None:
            found.append(
                replace(
                    dose,
                    quantity=quantity,
                    unit=unit,
                    value=dose.value / size,
                    low=dose.low / size,
                    high=dose.high / size,
                )
            )
    return found


def _carry(dose: Estimate, left: float) -> Estimate:
    """Return what of a dose was still in the lines at the end of the run."""
    value = (dose.value or 0.0) * left
    own = rectangular(LINE_LIMIT)
    relative = ((dose.high or 0.0) / (dose.value or 1.0) - 1.0) / 1.96
    half = 1.96 * value * math.hypot(own, relative)
    return replace(
        dose,
        quantity=CARRY,
        value=value,
        low=max(0.0, value - half),
        high=value + half,
        method=f"{left:.1%} of the dose still in the zone's pipes at the end of the run, by plug flow through "
        f"the pipes as described; {dose.method}",
        budget={"pipes as described": own**2 / (own**2 + relative**2)},
    )


def left_of_run(view: RunView) -> dict[str, float]:
    """Return the share of a run's stock still in the pipes at its end, by place; see `left_in_pipes`. [-]"""
    if view.injector is None or view.run.injection is None or view.stock is None:
        return {}
    return left_in_pipes(view, decay_l=_stock(view)[2])


def left_in_pipes(view: RunView, *, decay_l: float) -> dict[str, float]:
    """Return the share of a run's stock that no emitter had given off at its end, by where it stands.

    Parameters
    ----------
    view : RunView
        One run.
    decay_l : float
        Water that weakens what is injected to 1/e; infinite for a steady ratio. [L]

    Returns
    -------
    dict of str to float
        Name of a shared line, or ``""`` for the zone's own pipes, to share of the run's stock; empty where
        the pipes or the water are not known, or where the meter ran backward. [-]

    References
    ----------
    `analysis.dose.line.places`.
    """
    injection, line = view.run.injection, line_of(view.zone)
    meter = next(iter(main_meters(view)), None)
    if injection is None or isinstance(line, str) or meter is None:
        return {}
    running = cumulative(view.series[meter], view.installation.sensor[meter])
    known = seconds(pd.DatetimeIndex(running.index))
    ends = np.linspace(injection.start.timestamp(), min(injection.end, view.run.end).timestamp(), STEPS + 1)
    litres = np.maximum.accumulate(running.to_numpy(float))
    if len(litres) == 0 or (litres - running.to_numpy(float)).max() > BACKWARD * (litres[-1] - litres[0]):
        return {}
    entered = np.interp(ends, known, litres)
    last = float(np.interp(view.run.end.timestamp(), known, litres))
    middle, amount = 0.5 * (entered[1:] + entered[:-1]), np.diff(entered)
    amount = amount * np.exp(-(middle - entered[0]) / decay_l)
    total = float(amount.sum())
    return (
        {name: left / total for name, left in places(line, last - middle, amount).items()}
        if total > 0
        else {}
    )
