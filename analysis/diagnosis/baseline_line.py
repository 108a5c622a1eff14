"""One relation followed through time: its moving mean, its baseline, its scatter, its temperature slope."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Array = NDArray[np.float64]
    Mask = NDArray[np.bool_]

BASELINE_DAYS = 20
"""Days with runs that make a full baseline. [-] Prototype."""

GUARD_DAYS = 5
"""Newest days that a growing baseline leaves out. [-] About the moving mean's memory."""

FEWEST_DAYS = 6
"""Days of baseline below which nothing is judged. [-] No source: the scatter is guessed below it."""

CORRELATION = 0.3
"""Day-to-day correlation of the scatter that is reckoned with. [-] Prototype."""

FAR = 5.0
"""Scatters from the days before beyond which one day alone is left out, until the next confirms it. [-]
No source: once in a million days by chance."""

CLIP = 3.0
"""Scatters at which day-to-day changes are clipped before the scatter is learned from them. [-] Huber."""

PRIOR_DAYS = 6.0
"""Days that the scatter thought of beforehand is worth. [-] No source."""

STALE = 10.0
"""Days after which a relation without a run says nothing about now. [d] No source."""


@dataclass(frozen=True, slots=True)
class Line:
    """One relation followed through time; every array has one value a day."""

    mean: Array
    weight: Array
    base: Array
    base_days: Array
    since: Array
    warmer: Array
    driven: Array
    single: Array
    single_warmer: Array
    beta: Array
    beta_variance: Array
    variance: Array
    ready: Mask


def follow(y: Array, days: Array, warm: Array, driver: Array, restart: Mask,
            prior: tuple[float, float, float], memory: float) -> Line:  # fmt: skip
    """Follow one relation."""
    variance = _scatter(y, days, restart, prior[0])
    beta, beta_variance = _temperature(y, days, warm, restart, variance, prior)
    kept = np.where(lonely(y, variance, restart), np.nan, y)
    epoch = np.cumsum(restart.astype(np.int64))
    (mean, weight), count = _moving(kept, days, epoch, memory), _count(kept, epoch)
    warm_mean, _ = _moving(np.where(np.isfinite(kept), warm, np.nan), days, epoch, memory)
    drive_mean, _ = _moving(np.where(np.isfinite(kept), driver, np.nan), days, epoch, memory)
    base_days = np.clip(count - GUARD_DAYS, 0, BASELINE_DAYS)
    base, since, base_warm, base_drive = (
        _first_mean(x, kept, epoch, base_days) for x in (kept, days, warm, driver)
    )
    last = pd.Series(np.where(np.isfinite(kept), days, np.nan)).ffill().to_numpy()
    fresh = (days - last < STALE) & (base_days >= FEWEST_DAYS) & np.isfinite(mean) & np.isfinite(base)
    return Line(
        mean,
        weight,
        base,
        base_days.astype(float),
        since,
        warm_mean - base_warm,
        np.nan_to_num(drive_mean - base_drive),
        y - base,
        warm - base_warm,
        beta,
        beta_variance,
        variance,
        fresh,
    )


def _scatter(y: Array, days: Array, restart: Mask, prior: float) -> Array:
    """Return the variance of one day about the level, learned so far from day-to-day changes."""
    change = _changes(y, days, restart)
    white = 2.0 * (1.0 - CORRELATION)
    rough = pd.Series(np.abs(change)).expanding(1).median().to_numpy() * 1.4826 / np.sqrt(white)
    n = np.cumsum(np.isfinite(change))
    guess = (PRIOR_DAYS * prior + n * np.nan_to_num(rough) ** 2) / (PRIOR_DAYS + n)
    clipped = np.minimum(np.nan_to_num(change) ** 2, CLIP**2 * white * guess)
    return np.asarray((PRIOR_DAYS * prior + np.cumsum(clipped) / white) / (PRIOR_DAYS + n))


def _temperature(y: Array, days: Array, warm: Array, restart: Mask, variance: Array,
                 prior: tuple[float, float, float]) -> tuple[Array, Array]:  # fmt: skip
    """Return the temperature coefficient and its variance, learned so far from day-to-day changes.

    Changes leave slow faults out; that neighbouring changes share a day doubles the variance.
    """
    _, mean, sd = prior
    if sd == 0.0:
        return np.full(y.size, mean), np.zeros(y.size)
    change, heat = _changes(y, days, restart), _changes(warm, days, restart)
    limit = CLIP * np.sqrt(2.0 * (1.0 - CORRELATION) * variance)
    usable = np.isfinite(change) & np.isfinite(heat) & (np.abs(np.nan_to_num(change)) < limit)
    noise = 2.0 * 2.0 * (1.0 - CORRELATION) * variance
    heat, change = np.where(usable, heat, 0.0), np.where(usable, change, 0.0)
    precision = 1.0 / sd**2 + np.cumsum(heat**2) / noise
    return (mean / sd**2 + np.cumsum(heat * change) / noise) / precision, 1.0 / precision


def _changes(x: Array, days: Array, restart: Mask) -> Array:
    """Return each day's change since the day before; NaN across gaps and services."""
    change = np.diff(x, prepend=np.nan)
    broken = restart | (np.diff(days, prepend=-np.inf) > STALE)
    return np.where(broken, np.nan, change)


def lonely(y: Array, variance: Array, restart: Mask) -> Mask:
    """Flag days that lie far from the days before and are not confirmed by the day before them."""
    before = pd.Series(y).rolling(5, min_periods=3).median().shift(1).to_numpy()
    apart = (y - before) / np.sqrt(variance)
    far = np.nan_to_num(np.where(np.abs(apart) > FAR, np.sign(apart), 0.0))
    confirmed = np.concatenate(([0.0], far[:-1])) == far
    return np.asarray((far != 0.0) & ~confirmed & ~restart)


def _moving(x: Array, days: Array, epoch: NDArray[np.int64], memory: float) -> tuple[Array, Array]:
    """Return the mean of an epoch's days weighted by age, and the variance factor of that mean."""
    keep = (1.0 - memory) ** np.clip(np.diff(days, prepend=days[0]), 0.0, None)
    keep[1:][np.diff(epoch) > 0] = 0.0
    seen = np.isfinite(x)
    filled = np.where(seen, x, 0.0)
    sums = np.zeros((3, x.size))
    total = np.zeros(3)
    for i in range(x.size):
        total = total * (keep[i], keep[i], keep[i] ** 2) + (filled[i], seen[i], seen[i])
        sums[:, i] = total
    with np.errstate(invalid="ignore", divide="ignore"):
        return sums[0] / sums[1], sums[2] / sums[1] ** 2


def _count(x: Array, epoch: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return how many values an epoch has had so far."""
    total = np.cumsum(np.isfinite(x))
    started = np.searchsorted(epoch, epoch, side="left")
    before = np.where(started > 0, total[np.maximum(started - 1, 0)], 0)
    return np.asarray(total - before)


def _first_mean(x: Array, kept: Array, epoch: NDArray[np.int64], wanted: NDArray[np.int64]) -> Array:
    """Return the mean of each epoch's first wanted days, where `kept` has a value."""
    out = np.full(x.size, np.nan)
    for e in np.unique(epoch):
        here = np.flatnonzero(epoch == e)
        chosen = here[np.isfinite(kept[here])]
        means = np.cumsum(x[chosen]) / np.arange(1, chosen.size + 1)
        some = here[wanted[here] > 0]
        out[some] = means[wanted[some] - 1]
    return out
