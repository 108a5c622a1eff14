"""From the readings of a run to what its far point saw: excess over the drifting source water, in shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout.base import FarBase, far_base
from analysis.clearout.clock import flow_clock
from analysis.clearout.edges import NEAR_POINTS, NO_LAG, Edges, edges, edges_by_pipes
from analysis.clearout.scale import Head, amount, head_of, shares, strength, usable_curve
from analysis.clearout.times import FarShare, NotCarriedError
from analysis.dilution import BELOW_WEAKEST, BENT_EXPONENT
from analysis.injection.cells import Cell, cell
from analysis.injection.totals import seconds
from analysis.quality.flags import noise
from analysis.uncertainty import rectangular

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.dilution import DilutionCurve
    from analysis.view import RunView

    Array = NDArray[np.float64]

FEWEST = 8
"""Readings after the start of the injection that a far curve needs. [-] No source."""

MATCH_U = 0.003
"""How far two cells that agree on the source water may disagree on the solution. [-] Assumed: linearity of
conductivity cells; no source."""

LEAST_STEP_SHARE = 0.05
"""Smallest step that can be told from the source water at the far point, as a share of its EC. [-] As for
telling an injection; no source."""

NODES_APART = 2.0
"""Usual ratio of neighbouring dilutions. [-] As `analysis.dilution` asks for."""

RISES, BEYOND = 201, 2.0
"""Points of the way from a share to EC, and how far beyond the readings' height it goes. [-]"""

OUT_OF_WATER = 0.5
"""Share of the source water's EC below which a cell is not in the water. [-] No source."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A far curve with what it came from.

    Attributes
    ----------
    far : FarShare
        The curve.
    sensors : tuple of str
        Far sensor first.
    how : str
        Base, scale and edges, in words.
    linear : bool
        True where EC was taken as concentration for want of a dilution curve.
    lag : tuple of float
        Limits of the far sensor's response time. [s]
    start_u, end_u : float
        Standard uncertainties of the injection's start and end. [s]
    noise : float
        Standard deviation of single readings, as a share of the step. [-]
    dilution_u : float
        Relative standard uncertainty of an amount near the source water, from the dilution curve. [-]
    slope_u : float
        Relative standard uncertainty of a small change of amount near the step, from the dilution curve. [-]
    flushed_s : float
        How long water ran after the injection. [s]
    silent_s : float
        How long before the end of the run the far sensor's readings end. [s]
    began_s : float
        When the injection began at the injector. [s since 1970]
    ec, water : ndarray
        At the times of `far`: what the far sensor read, and what the source water would read there. [mS/cm
        at 25 °C]
    rises : tuple of ndarray
        Shares of the step, ascending [-], and how far each lifts the far sensor above the water. [mS/cm]
    """

    far: FarShare
    sensors: tuple[str, ...]
    how: str
    linear: bool
    lag: tuple[float, float]
    start_u: float
    end_u: float
    noise: float
    dilution_u: float
    slope_u: float
    flushed_s: float
    silent_s: float
    began_s: float
    ec: Array
    water: Array
    rises: tuple[Array, Array]


def far_curve(view: RunView, name: str) -> Seen:
    """Return what one far EC sensor of a run saw of its injection.

    Parameters
    ----------
    view : RunView
        The run.
    name : str
        The far sensor.

    Returns
    -------
    Seen
        The curve in shares of the step.

    Raises
    ------
    NotCarriedError
        If there is no step, no source water to judge by, or nothing tells when the injection ended.
    """
    edge = _edges(view, name)
    far = _far_cell(view, name)
    head = head_of(view, name)
    delay = _half_rise(seconds(pd.DatetimeIndex(far.series.index)) - edge.start, far.series.to_numpy(float))
    ground = far_base(view, far, head, edge, delay)
    far, ground = _in_the_water(far, ground)
    t = seconds(pd.DatetimeIndex(far.series.index)) - edge.start
    excess = far.series.to_numpy(float) - ground.water
    gain, length = ground.gain or 1.0, edge.end - edge.start
    curve = usable_curve(view, excess, head.excess * gain if head else excess)
    told = strength(head, curve, gain, edge) if head else None
    step, level = told or (None, np.ones(2))
    share, known = shares(amount(curve, excess), step, t, length, delay)
    inside = t >= -delay
    if not inside.any():
        msg = f"no reading of {name} after the injection began has source water beside it to be judged by"
        raise NotCarriedError(msg)
    fraction = step if step is not None and curve is not None else (view.injector and view.injector.ratio)
    clock, pace_u = flow_clock(view, edge, t[inside], fraction or 0.0)
    height = max(float(np.quantile(excess, 0.9)), 1e-9)
    return Seen(
        far=FarShare(
            seconds=t[inside],
            share=share[inside],
            injection_s=length,
            passed=clock,
            level=level,
            step_u=_step_u(view, name, ground, head, height) if known else None,
            base_u=ground.u / height,
            pace_u=pace_u,
        ),
        sensors=tuple(dict.fromkeys((name, *ground.sensors, *((head.name,) if head else ()), *edge.sensors))),
        how=f"base {ground.how}; {edge.how}",
        linear=curve is None,
        lag=view.installation.sensor[name].lag or NO_LAG,
        start_u=edge.start_u,
        end_u=edge.end_u,
        noise=noise(far.series) / height,
        dilution_u=rectangular(BENT_EXPONENT if curve is None else BELOW_WEAKEST),
        slope_u=_slope_u(view, known=curve is not None),
        flushed_s=view.run.end.timestamp() - edge.end,
        silent_s=view.run.end.timestamp() - edge.start - float(t[-1]),
        began_s=edge.start,
        ec=far.series.to_numpy(float)[inside],
        water=ground.water[inside],
        rises=_rises(curve, amount(curve, excess), share, height),
    )


def _rises(curve: DilutionCurve | None, given: Array, share: Array, height: float) -> tuple[Array, Array]:
    """Return shares of the step and the rise of EC that each makes, from nothing to beyond the step."""
    top = int(np.argmax(np.abs(share)))
    rise = np.linspace(0.0, BEYOND * height, RISES)
    of_rise = amount(curve, rise) * (share[top] / given[top])
    known = np.isfinite(of_rise)
    return of_rise[known], rise[known]


def _edges(view: RunView, name: str) -> Edges:
    """Return when the injection began and ended at the injector, or say what would tell it."""
    edge = edges(view)
    if edge is not None and edge.sensors != (name,):
        return edge
    near = view.sensors("conductivity", *NEAR_POINTS)
    edge = edges_by_pipes(view, name) if name not in near else None
    if edge is not None:
        return edge
    if near and near != [name]:
        msg = (
            "when the injection ended is not known sharply enough: it is too short for the response time of "
            f"{near[0]}, or that cell has too few readings around its ends; state its lag, or inject longer"
        )
    else:
        msg = (
            "no sensor near the injector tells when the injection ended; "
            "a stock meter or an EC cell after the injector would"
        )
    raise NotCarriedError(msg)


def _step_u(view: RunView, name: str, ground: FarBase, head: Head | None, height: float) -> float:
    """Return the relative standard uncertainty of the head's step in the far cell's scale. [-]"""
    share = view.installation.sensor[name].accuracy.share
    match = 0.0 if ground.gain is not None else rectangular(share) * float(np.sqrt(2.0))
    base_u = float(np.hypot(head.base.sd, head.base.drift_sd)) if head else 0.0
    return float(np.sqrt(MATCH_U**2 + match**2 + (base_u**2 + ground.u**2) / height**2))


def _slope_u(view: RunView, *, known: bool) -> float:
    """Return how uncertain the curve's slope is near the step: two neighbouring dilutions, each with its error."""
    if not known or view.stock is None:
        return rectangular(BENT_EXPONENT)
    return float(view.stock.dilution_accuracy * np.sqrt(2.0) / np.log(NODES_APART))


def _far_cell(view: RunView, name: str) -> Cell:
    """Return the far cell while water flowed, or say why it cannot be used."""
    found = cell(view, name)
    if isinstance(found, str):
        raise NotCarriedError(found)
    flowing = found.series.loc[: view.run.end]
    if len(flowing) < FEWEST:
        msg = f"{name} has {len(flowing)} readings while water flowed; {FEWEST} are needed"
        raise NotCarriedError(msg)
    return Cell(name, flowing, found.temperature, found.thermometer, found.limited)


def _half_rise(t: Array, values: Array) -> float:
    """Return when the far point had risen half way to its top, after the injection began. [s]"""
    window = t >= 0
    if window.sum() < FEWEST:
        msg = "the far point has too few readings after the injection began"
        raise NotCarriedError(msg)
    smooth = pd.Series(values[window]).rolling(5, center=True, min_periods=1).median().to_numpy(float)
    start = float(np.median(values[(t < 0) | (t <= t[window][FEWEST // 2])][-FEWEST:]))
    top = float(smooth.max())
    if top - start < LEAST_STEP_SHARE * start:
        msg = f"EC at the far point rose by {top - start:.2g} mS/cm only: no step to judge by"
        raise NotCarriedError(msg)
    return max(float(t[window][int(np.argmax(smooth > 0.5 * (start + top)))]), 0.0)


def _in_the_water(far: Cell, ground: FarBase) -> tuple[Cell, FarBase]:
    """Return the cell's readings up to where it was lifted out of the water, and the base with them."""
    dry = np.flatnonzero(far.series.to_numpy(float) < OUT_OF_WATER * ground.water)
    dry = dry[dry > FEWEST]
    if dry.size == 0:
        return far, ground
    wet = int(dry[0])
    cut = Cell(far.name, far.series.iloc[:wet], far.temperature, far.thermometer, far.limited)
    return cut, FarBase(ground.water[:wet], ground.gain, ground.u, ground.sensors, ground.how)
