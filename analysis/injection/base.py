"""What the source water reads in the mixed cell's own scale, before, during and after an injection."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.injection.cells import Cell, at_times, cell
from analysis.injection.totals import seconds
from analysis.results import Interval
from analysis.uncertainty import standard_error

if TYPE_CHECKING:
    from analysis.view import RunView

BASE_MINUTES = 15.0
"""Source water is compared over at most this long before an injection. [min] No source."""

LEAST_BASE = 4
"""Readings of each cell needed to compare them on the source water. No source."""

STEADY_BASE = 0.02
"""Source water counts as steady at the mixed cell while the two halves agree within this share. No source."""

LARGEST_MISMATCH = 0.15
"""Cells further apart than this on the same water are not matched: one is faulty, or the water differs.
No source."""

UNSEEN_DRIFT = 0.02
"""Standard deviation of the source water's EC between the base and the injection, where no source cell
follows it. [-] Assumed; no source."""

SAME_WATER_MARGIN_S = 30.0
"""Least time left between the source-water stretch and the injection. [s] No source."""


@dataclass(frozen=True, slots=True)
class Base:
    """What the source water reads in the mixed cell's own scale during a run.

    Attributes
    ----------
    series : pandas.Series
        EC of the source water at the mixed cell's times. [mS/cm at 25 °C]
    sd : float
        Standard uncertainty of its level from noise. [mS/cm]
    drift_sd : float
        Standard uncertainty from drift that nothing saw. [mS/cm]
    gain : float or None
        Mixed cell over source cell on the same water; None where it is not known. [-]
    source : str or None
        The source cell, where there is one.
    method : str
        How it was found, in words.
    """

    series: pd.Series
    sd: float
    drift_sd: float
    gain: float | None
    source: str | None
    method: str


def base_window(view: RunView, *, lag_s: float) -> Interval | None:
    """Return the stretch of source water before the injection, at most `BASE_MINUTES` long."""
    injection = view.run.injection
    if injection is None:
        return None
    end = injection.start - pd.Timedelta(seconds=max(SAME_WATER_MARGIN_S, 2.0 * lag_s))
    start = max(view.run.start, end - pd.Timedelta(minutes=BASE_MINUTES))
    return Interval(start, end) if end > start else None


def base(view: RunView, mixed: Cell, *, lag_s: float) -> Base | str:
    """Return what the source water reads at the mixed cell, or why that is not known.

    Before the injection both cells see the same water; what the mixed cell then reads over what the source
    cell reads is carried through the injection, so that the source may drift and the cells may differ. With
    no source cell the mixed cell's own readings before, and after where they have returned, are the base.

    Parameters
    ----------
    view : RunView
        One run with its injection.
    mixed : Cell
        The cell after the injection.
    lag_s : float
        Longest response time of the cells. [s]

    Returns
    -------
    Base or str
        The base, or the reason.
    """
    window = base_window(view, lag_s=lag_s)
    before = _steady(_cut(mixed.series, window)) if window is not None else mixed.series.iloc[:0]
    source = _source_cell(view, mixed)
    if source is None:
        return _own_base(view, mixed, before)
    if len(before) < LEAST_BASE:
        return _unmatched(mixed, source)
    same = _cut(source.series, Interval(before.index[0], before.index[-1]))
    if len(same) < LEAST_BASE:
        return _own_base(view, mixed, before)
    ratio = before.to_numpy(float) / at_times(same, pd.DatetimeIndex(before.index))
    gain = float(ratio.mean())
    if abs(gain - 1.0) > LARGEST_MISMATCH:
        return (
            f"{mixed.name} reads {gain - 1.0:+.0%} against {source.name} on the same source water; "
            "clean and check both cells"
        )
    level = _smooth(source.series, pd.DatetimeIndex(mixed.series.index)) * gain
    noise = standard_error(ratio) * float(np.mean(level))
    series = pd.Series(level, mixed.series.index)
    return Base(series, noise, 0.0, gain, source.name, f"cells matched on source water ({gain:.4f})")


def _source_cell(view: RunView, mixed: Cell) -> Cell | None:
    """Return the first source cell whose readings can be used."""
    for name in view.sensors("conductivity", "source", "supply"):
        found = cell(view, name)
        if name != mixed.name and isinstance(found, Cell) and len(found.series) >= LEAST_BASE:
            return found
    return None


def _unmatched(mixed: Cell, source: Cell) -> Base:
    """Return the source cell's own readings as the base, where the mixed cell saw no source water."""
    level = _smooth(source.series, pd.DatetimeIndex(mixed.series.index))
    return Base(
        pd.Series(level, mixed.series.index),
        0.0,
        0.0,
        None,
        source.name,
        "cells not matched: the mixed cell saw no source water before the injection",
    )


def _own_base(view: RunView, mixed: Cell, before: pd.Series) -> Base | str:
    """Return the mixed cell's own readings before and after the injection as the base."""
    after = _after(view, mixed)
    ends = [part for part in (before, after) if len(part) >= LEAST_BASE]
    if not ends:
        return (
            f"{mixed.name} saw no source water before or after the injection and there is no source cell; "
            "run clear water first, or add a source cell"
        )
    times = [float(seconds(pd.DatetimeIndex(part.index)).mean()) for part in ends]
    levels = [float(part.mean()) for part in ends]
    level = np.interp(seconds(pd.DatetimeIndex(mixed.series.index)), times, levels)
    drift = 0.5 * abs(levels[1] - levels[0]) if len(ends) > 1 else UNSEEN_DRIFT * levels[0]
    noise = max(standard_error(part.to_numpy(float)) for part in ends)
    words = "before and after" if len(ends) > 1 else "before" if len(before) >= LEAST_BASE else "after"
    return Base(
        pd.Series(level, mixed.series.index),
        noise,
        drift / math.sqrt(3.0),
        None,
        None,
        f"base from {mixed.name} itself {words} the injection",
    )


def _after(view: RunView, mixed: Cell) -> pd.Series:
    """Return the mixed cell's last readings after the injection where they are flat, else nothing."""
    injection = view.run.injection
    if injection is None:
        return mixed.series.iloc[:0]
    later = mixed.series[mixed.series.index > injection.end]
    flowing = later[later.index <= max(view.run.end, injection.end)]
    tail = flowing.iloc[-max(LEAST_BASE, len(flowing) // 4) :]
    peak = float(_cut(mixed.series, injection).median())
    half = len(tail) // 2
    if half < LEAST_BASE // 2 or not math.isfinite(peak):
        return tail.iloc[:0]
    fall = peak - float(tail.mean())
    flat = abs(float(tail.iloc[:half].mean() - tail.iloc[half:].mean())) < STEADY_BASE * max(fall, 0.0)
    return tail if flat else tail.iloc[:0]


def _cut(series: pd.Series, window: Interval | None) -> pd.Series:
    """Return the readings inside a window."""
    if window is None:
        return series.iloc[:0]
    return series[(series.index >= window.start) & (series.index <= window.end)]


def _steady(series: pd.Series) -> pd.Series:
    """Return the readings, or their last halves, once two halves agree within `STEADY_BASE`."""
    part = series
    while len(part) >= 2 * LEAST_BASE:
        half = len(part) // 2
        first, last = float(part.iloc[:half].median()), float(part.iloc[half:].median())
        if abs(first - last) <= STEADY_BASE * abs(last):
            return part
        part = part.iloc[half:]
    return part.iloc[:0] if len(series) >= 2 * LEAST_BASE else series


def _smooth(series: pd.Series, index: pd.DatetimeIndex) -> np.ndarray:
    """Return a source series at other times, as a running median over two minutes."""
    calm = series.rolling("120s", center=True).median()
    return at_times(calm, index)
