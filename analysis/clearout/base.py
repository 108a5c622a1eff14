"""What the source water would read at a far EC cell: the head's reading, later by the travel time."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.clearout.times import NotCarriedError
from analysis.injection.base import LARGEST_MISMATCH
from analysis.injection.cells import Cell, cell
from analysis.injection.totals import seconds
from analysis.uncertainty import rectangular, standard_error

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.clearout.edges import Edges
    from analysis.clearout.scale import Head
    from analysis.view import RunView

    Array = NDArray[np.float64]

FEWEST = 4
"""Readings of the far cell on source water that matching needs. [-] No source."""

BEFORE_FRONT = 0.6
"""Part of the travel time after the start of the injection in which the far cell still sees source water
alone. [-] Computed: a front with a spread of 13 % of its travel time has passed less than 0.1 %."""

STEADY = 0.01
"""Largest change of the far cell's reading on source water between two halves. [-] A remainder of the last
injection would still be changing; no source."""

MATCHED_U = 0.0005
"""What may change between two matched cells within a run, as a share of the source water's EC. [-]
Assumed: temperature of the cells; no source."""

SMOOTHING = "120s"
"""Running median of the source water's EC; it changes slowly."""


@dataclass(frozen=True, slots=True)
class FarBase:
    """The source water in a far cell's own scale.

    Attributes
    ----------
    water : ndarray
        At the far cell's readings. [mS/cm at 25 °C]
    gain : float or None
        Far cell over head cell on the same water; None where they were not matched. [-]
    u : float
        Standard uncertainty of the values. [mS/cm]
    sensors : tuple of str
        What it rests on, the far cell left out.
    how : str
        In words.
    """

    water: Array
    gain: float | None
    u: float
    sensors: tuple[str, ...]
    how: str


def far_base(view: RunView, far: Cell, head: Head | None, edge: Edges, delay: float) -> FarBase:
    """Return the source water's EC as a far cell reads it.

    Parameters
    ----------
    view : RunView
        The run.
    far : Cell
        The far cell.
    head : Head or None
        The cell after the injector, where its source water is known.
    edge : Edges
        The injection.
    delay : float
        Travel time to the far cell. [s]

    Returns
    -------
    FarBase
        With its uncertainty.

    Raises
    ------
    NotCarriedError
        If nothing tells it.
    """
    times = seconds(pd.DatetimeIndex(far.series.index))
    values = far.series.to_numpy(float)
    own = _own_water(view, times, values, edge.start, delay)
    reference = _reference(view, head, edge)
    if reference is None:
        return _alone(far, own)
    series, sensors, words = reference
    water = np.interp(times - delay, seconds(pd.DatetimeIndex(series.index)), series.to_numpy(float))
    how = f"{words} delayed by {delay:.0f} s"
    if own is None:
        limit = view.installation.sensor[far.name].accuracy.limit(float(np.median(water)))
        u = rectangular(limit) * float(np.sqrt(2.0))
        return FarBase(water, None, u, sensors, how + ", cells not matched")
    ratio = values[own] / water[own]
    gain = float(np.mean(ratio))
    if abs(gain - 1.0) > LARGEST_MISMATCH:
        msg = (
            f"{far.name} reads {gain - 1.0:+.0%} against {sensors[0]} on the same source water; "
            "clean and check both cells"
        )
        raise NotCarriedError(msg)
    noise = standard_error(ratio)
    relative = float(np.hypot(0.0 if np.isnan(noise) else noise, MATCHED_U))
    drift = UNSEEN_SHARE * gain * head.base.drift_sd if head and head.base.source is None else 0.0
    return FarBase(gain * water, gain, float(np.hypot(relative * np.median(water), drift)), sensors, how)


def _own_water(
    view: RunView, times: Array, values: Array, start: float, delay: float
) -> NDArray[np.intp] | None:
    """Return the far cell's steady readings on source water before the injection reaches it."""
    first = max(view.run.start.timestamp(), start - 900.0)
    here = np.flatnonzero((times >= first) & (times <= start + BEFORE_FRONT * delay))
    while here.size >= 2 * FEWEST:
        half = here.size // 2
        one, two = float(np.median(values[here[:half]])), float(np.median(values[here[half:]]))
        if abs(one - two) <= STEADY * abs(two):
            return here
        here = here[half:]
    return here if here.size >= FEWEST else None


def _reference(
    view: RunView, head: Head | None, edge: Edges
) -> tuple[pd.Series, tuple[str, ...], str] | None:
    """Return the head's source water, the sensors it came from, and words."""
    if head is not None and head.base.source is not None:
        return head.base.series, (head.base.source,), head.base.source
    if head is not None:
        water = (head.times < edge.start - SETTLES_S) | (head.times > edge.end + SETTLES_S + 6.0 * head.lag_s)
        seen = head.base.series + head.excess
        own = seen[water].rolling(SMOOTHING, center=True).median()
        return own, (head.name,), f"{head.name} outside the injection"
    for name in view.sensors("conductivity", "source", "supply"):
        found = cell(view, name)
        if isinstance(found, Cell) and len(found.series) >= FEWEST:
            return found.series.rolling(SMOOTHING, center=True).median(), (name,), name
    return None


def _alone(far: Cell, own: NDArray[np.intp] | None) -> FarBase:
    """Return the far cell's own level before the injection, where nothing at the head tells the water."""
    if own is None:
        msg = (
            f"{far.name} saw no source water before the injection arrived, and no cell at the head tells it; "
            "run clear water first, or add a source cell"
        )
        raise NotCarriedError(msg)
    values = far.series.to_numpy(float)
    level = float(np.median(values[own]))
    return FarBase(
        np.full(values.size, level),
        None,
        UNSEEN_DRIFT * level,
        (),
        f"{far.name} itself before the injection arrived",
    )


SETTLES_S = 20.0
"""Time after an edge of the injection at the injector in which it reaches the cell after it. [s] No source."""

UNSEEN_SHARE = 0.3
"""Part of the drift that the cell after the injector did not see which still matters when the far point runs
clean: by then most of the water at the far point has passed that cell after the injection. [-] No source."""

UNSEEN_DRIFT = 0.01
"""Standard deviation of the source water's EC within a run, where no cell at the head follows it. [-]
Assumed; no source."""
