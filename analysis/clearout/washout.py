"""How long stock takes to leave a cell, counted from the fall at the cell itself."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy.optimize import isotonic_regression

from analysis.clearout.arrival import NEAR_TOP, crossing
from analysis.clearout.fronts import POINTS, UNKNOWN_LAG, Front, front
from analysis.injection.cells import Cell, cell
from analysis.quality.checks import seconds
from analysis.quality.flags import noise
from analysis.results import ESTIMATE_UNITS, Estimate
from analysis.samples import is_spot
from analysis.uncertainty import COVERAGE_FACTOR, Source, Uncertain

if TYPE_CHECKING:
    from analysis.view import RunView

QUANTITY = "clear-out time"

HALF = 0.5
"""The fall is counted from the instant at which half the step has gone, as a front is from its half height. [-]"""

WATCHED = pd.Timedelta(hours=1)
"""The water after an injection is looked for within this time of the fall. No source."""

CALM = pd.Timedelta(minutes=5)
"""Length of the stretch whose median is the water's EC after an injection. No source."""

LARGEST_SHIFT = 0.2
"""The water may have changed over the injection by this share of the step. [-] Beyond it what is left of the
stock and what the water did cannot be told apart. No source."""

SUSTAINED_S = 60.0
"""How long the excess must stay below the threshold. [s] As long as a cell needs to settle, five times."""

WHY = "no sensor near the injector tells when it ended, so the travel from there to the cell is not in it"


def washout(view: RunView) -> list[Estimate]:
    """Estimate the clear-out at each cell from the cell's own fall, where nothing tells the injection's end.

    Parameters
    ----------
    view : RunView
        One run.

    Returns
    -------
    list of Estimate
        One for each cell that saw stock leave down to the zone's share of the step, counted from the half
        height of the fall. Cells that did not see it, or whose error is as large as that share, are passed over.
        Nothing where a cell or a meter stands near the injector, and tells the end.

    References
    ----------
    Residence-time tail after a step: Levenspiel, Chemical Reaction Engineering, ch. 13. Isotonic regression:
    Barlow et al., Statistical Inference under Order Restrictions (1972).
    """
    near = view.sensors("conductivity", "mixed", "after filter") or [
        *view.sensors("flow", "stock"),
        *view.sensors("volume", "stock"),
    ]
    if view.run.injection is None or near:
        return []
    names = [n for n in view.sensors("conductivity", *POINTS) if not is_spot(view.installation.sensor[n])]
    found = [_at(view, name) for name in names]
    return [estimate for estimate in found if estimate is not None]


def _at(view: RunView, name: str) -> Estimate | None:
    """Return one cell's clear-out; None where it did not see the stock leave."""
    passed, seen = front(view, name), cell(view, name)
    if not isinstance(passed, Front) or not isinstance(seen, Cell):
        return None
    series, share = seen.series, view.zone.clear_share
    step = passed.top - passed.base
    high = series.index[(series >= passed.base + NEAR_TOP * step).to_numpy() & (series.index > passed.at)]
    if len(high) == 0:
        return None
    fall = series[(series.index >= high[-1]) & (series.index <= high[-1] + WATCHED)]
    after = _water_after(fall)
    unseen = share * step <= view.installation.sensor[name].accuracy.absolute
    if after is None or unseen or abs(after - passed.base) > LARGEST_SHIFT * step:
        return None
    excess = (fall - after) / (passed.top - after)
    gone = _falls(excess, (HALF, share))
    if gone is None:
        return None
    (half, _), (clear, slope) = gone
    step_s = float(np.median(np.diff(seconds(pd.DatetimeIndex(series.index)))))
    low, high_lag = view.installation.sensor[name].lag or UNKNOWN_LAG
    drift = abs(after - passed.base) / (passed.top - after) / math.sqrt(12.0)
    terms = {
        Source("noise", name): noise(series) / (passed.top - after) / slope,
        Source("time between readings", name): step_s / math.sqrt(6.0),
        Source("the water's own EC meanwhile", name): drift / slope,
        Source("lag of the cell", name): (high_lag - low) / math.sqrt(12.0),
    }
    words = (
        f"from the half height of the fall at {name} to {share:.3g} of its step ({passed.top:.4g} to "
        f"{after:.4g} mS/cm), for good; {WHY}"
    )
    return _estimate(clear - half, terms, words, name)


def _water_after(fall: pd.Series) -> float | None:
    """Return the EC of the water once the stock has gone: the calmest stretch's; None without one. [mS/cm]"""
    rolled = fall.rolling(CALM, min_periods=4)
    spread = (rolled.quantile(0.9) - rolled.quantile(0.1)).dropna()
    full = spread[spread.index >= fall.index[0] + 2 * CALM]
    if full.empty:
        return None
    end = full.idxmin()
    return float(fall[(fall.index > end - CALM) & (fall.index <= end)].median())


def _falls(excess: pd.Series, levels: tuple[float, float]) -> list[tuple[float, float]] | None:
    """Return when an excess falls below each level for good, and how steeply. [s], [1/s]"""
    times = seconds(pd.DatetimeIndex(excess.index))
    trend = np.asarray(isotonic_regression(excess.to_numpy(dtype=float), increasing=False).x, dtype=float)
    found = []
    for level in levels:
        if not trend[0] > level >= trend[-1]:
            return None
        at = crossing(times, -trend, -level)
        around = crossing(times, -trend, -0.8 * level) - crossing(times, -trend, -min(1.2 * level, trend[0]))
        found.append((at, 0.4 * level / max(around, 1e-9)))
    return found if times[-1] - found[-1][0] >= SUSTAINED_S else None


def _estimate(value: float, terms: dict[Source, float], method: str, sensor: str) -> Estimate:
    """Return the estimate."""
    found = Uncertain(value, terms)
    half = COVERAGE_FACTOR * found.sd
    return Estimate(
        QUANTITY,
        None,
        None,
        value,
        ESTIMATE_UNITS[QUANTITY],
        max(value - half, 0.0),
        value + half,
        method,
        (sensor,),
        budget=found.budget(),
    )
