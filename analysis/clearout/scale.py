"""How large the step of an injection is in a far cell's scale, and how its strength ran."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout.edges import NEAR_POINTS, NO_LAG, Edges
from analysis.clearout.times import NotCarriedError
from analysis.dilution import DilutionCurve, curve_of, fraction_of
from analysis.injection.base import Base, base
from analysis.injection.cells import cell
from analysis.injection.totals import seconds

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.view import RunView

    Array = NDArray[np.float64]

FEWEST = 8
"""Readings on the far plateau that tell its height. [-] No source."""

KNOTS = 9
"""Places along the injection at which its strength is looked at. [-] No source."""

STEADY_LEVEL = 0.01
"""Changes of strength within an injection below which it is taken as constant. [-] Noise of nine medians
of a usual conductivity cell; computed."""

WEAKEST_END = 0.2
"""Strength at the end of an injection, as a share of its largest, below which there is no step to clear. [-]
No source."""

STEP_S, STEP_SHARE = 60.0, 0.1
"""Last part of the injection whose mean is the step: the longer of 60 s and a tenth of it. No source."""

NEAR_SETTLES = 10.0
"""Time after the start of the injection in which its front reaches the mixed cell. [s] No source."""

AGREE = 0.03
"""Largest difference between the step at the head and the far point's plateau that mixing allows. [-]
No source."""

TAIL_PER_DRIFT = 4.0
"""What a plateau that still rises may lack, per what it rose between two thirds. [-] Computed for a third of
the water laminar, seen from one and a half travel times on."""

BEFORE_FALL = 0.6
"""Part of the travel time after the end of the injection in which the far point is still at its plateau.
[-] Computed: a front with a spread of 13 % of its travel time has passed less than 0.1 %."""


@dataclass(frozen=True, slots=True)
class Head:
    """What the cell after the injector tells.

    Attributes
    ----------
    name : str
        The cell.
    base : Base
        The source water in its scale.
    times, excess : ndarray
        EC above the source water. [s since 1970], [mS/cm]
    lag_s : float
        Longest response time of the cell. [s]
    """

    name: str
    base: Base
    times: Array
    excess: Array
    lag_s: float


def head_of(view: RunView, far: str) -> Head | None:
    """Return the first cell after the injector, other than the far one, whose source water is known."""
    for name in view.sensors("conductivity", *NEAR_POINTS):
        found = cell(view, name)
        if name == far or isinstance(found, str):
            continue
        lag = (view.installation.sensor[name].lag or NO_LAG)[1]
        ground = base(view, found, lag_s=lag)
        if isinstance(ground, str):
            continue
        times = seconds(pd.DatetimeIndex(found.series.index))
        excess = found.series.to_numpy(float) - ground.series.to_numpy(float)
        return Head(name, ground, times, excess, lag)
    return None


def usable_curve(view: RunView, *readings: Array) -> DilutionCurve | None:
    """Return the stock's dilution curve where it covers all readings, else None."""
    curve = curve_of(view.stock) if view.stock else None
    if curve is None or curve.linear:
        return None
    top = max((float(np.max(r)) for r in readings if r.size), default=0.0)
    return curve if top <= curve.steps[-1] else None


def amount(curve: DilutionCurve | None, excess: Array) -> Array:
    """Return an excess of EC as an amount of stock: volume fraction by the curve, else EC itself."""
    return excess if curve is None else fraction_of(curve, excess)


def strength(head: Head, curve: DilutionCurve | None, gain: float, edge: Edges) -> tuple[float, Array] | None:
    """Return the step at the end of the injection, and the strength along it relative to that.

    Parameters
    ----------
    head : Head
        The cell after the injector.
    curve : DilutionCurve or None
        What turns EC into an amount.
    gain : float
        Far cell over this cell. [-]
    edge : Edges
        The injection.

    Returns
    -------
    tuple or None
        Step in the far cell's scale; strength at `KNOTS` equal distances, or two ones where it was
        constant. None where the cell did not see the injection, or in too few readings.

    Raises
    ------
    NotCarriedError
        If the strength had all but gone before the injection ended.
    """
    length = edge.end - edge.start
    settled = edge.start + NEAR_SETTLES + 5.0 * head.lag_s
    inside = (head.times > settled) & (head.times < edge.end)
    last = inside & (head.times > edge.end - max(STEP_SHARE * length, STEP_S))
    if not last.any():
        return None
    given = amount(curve, head.excess * gain)
    level = _along(head.times, given, inside, edge)
    if not level.max() > 0:
        return None
    if level[-1] < WEAKEST_END * level.max():
        msg = (
            f"the feed had fallen to {100 * level[-1] / level.max():.0f} % of its strength when the injection "
            "ended: no step is left whose clear-out could be timed"
        )
        raise NotCarriedError(msg)
    end = float(np.mean(given[last])) if np.ptp(level) < STEADY_LEVEL * level[-1] else float(level[-1])
    if end <= 0:
        return None
    level = level / level[-1]
    return end, level if np.ptp(level) > STEADY_LEVEL else np.ones(2)


def _along(times: Array, given: Array, inside: NDArray[np.bool_], edge: Edges) -> Array:
    """Return the strength at equal distances along the injection: lines through the readings around each."""
    knots = np.linspace(edge.start, edge.end, KNOTS)
    width = float(knots[1] - knots[0])
    values = []
    for knot in knots:
        near = inside & (np.abs(times - knot) <= 0.75 * width)
        if near.sum() < 2:  # noqa: PLR2004 - a line
            values.append(float("nan"))
            continue
        line = np.polyfit(times[near] - knot, given[near], 1 if near.sum() > 5 else 0)  # noqa: PLR2004
        values.append(float(line[-1]))
    return np.asarray(pd.Series(values).bfill().ffill(), float)


def shares(given: Array, step: float | None, t: Array, d: float, delay: float) -> tuple[Array, bool]:
    """Return shares of the step, and whether it is the head's.

    Parameters
    ----------
    given : ndarray
        Amount above the source water at the far cell.
    step : float or None
        The head's step in the same scale.
    t : ndarray
        Time after the start of the injection. [s]
    d, delay : float
        Length of the injection, and travel time. [s]

    Returns
    -------
    share : ndarray
        Amount over step. [-]
    known : bool
        True where the head's step was used: it is known, and the far plateau, where seen, agrees with it.

    Raises
    ------
    NotCarriedError
        If neither is known.
    """
    plateau = (t > 1.5 * delay) & (t < d + BEFORE_FALL * delay)
    own, drift = _plateau(given[plateau])
    if step is not None and (
        own is None or -AGREE - TAIL_PER_DRIFT * drift / step < own / step - 1.0 < AGREE
    ):
        return given / step, True
    if own is None or own <= 0:
        msg = "plateau not reached: the injection was too short for the far point to show its step"
        raise NotCarriedError(msg)
    return given / own, False


def _plateau(given: Array) -> tuple[float | None, float]:
    """Return the height of a plateau at its end, and how it still rose before; None where it is too short."""
    if given.size < FEWEST:
        return None, 0.0
    thirds = [float(part.mean()) for part in np.array_split(given, 3)]
    return thirds[2], max(thirds[2] - thirds[1], 0.0)
