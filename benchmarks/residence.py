"""Light virtual runs: a residence-time distribution between head and far point, EC cells with lag and noise.

The second generator beside ``benchmarks/scenarios``: no hydraulic engine, any shape of residence times,
so that clear-out is also judged on shapes that no fit uses.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from scipy.ndimage import gaussian_filter1d
from scipy.signal import fftconvolve, lfilter

from analysis.results import Interval, Run
from analysis.view import RunView
from ingest.installation import Installation

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FINE = 0.5
"""Step of the truth. [s]"""

WATER = 0.7
"""EC of the source water. [mS/cm]"""

NEAR_S = 4.0
"""From the injector to the mixed cell. [s]"""

CLOCK_S = 1.5
"""Standard deviation of the devices' clocks. [s]"""

START = pd.Timestamp("2026-05-04T06:00Z")


FOREIGN = ("two paths", "partly laminar", "power tail", "slow corners", "tanks and delay")
"""Shapes that no fit of the project uses."""


def _two_paths(t: Array, mean: float, spread: float, rng: np.random.Generator) -> Array:
    weight, apart = rng.uniform(0.6, 0.85), rng.uniform(1.15, 1.4)
    late = (1 - weight) * stats.norm.pdf(t, apart * mean, spread * mean / 2)
    return np.asarray(weight * stats.norm.pdf(t, mean, spread * mean / 2) + late)


def _partly_laminar(t: Array, mean: float, spread: float, rng: np.random.Generator) -> Array:
    plug = rng.uniform(0.6, 0.85) * mean
    laminar = mean - plug
    tail = np.where(t - plug > laminar / 2, laminar**2 / 2 / np.maximum(t - plug, 1.0) ** 3, 0.0)
    return np.asarray(gaussian_filter1d(tail, spread * mean / 4 / FINE))


def _power_tail(t: Array, mean: float, spread: float, rng: np.random.Generator) -> Array:
    front = stats.norm.pdf(t, mean, spread * mean / 2)
    late = np.where(t > mean, (t / mean) ** -rng.uniform(5.0, 8.0), 0.0)
    return np.asarray(front / front.sum() + rng.uniform(0.1, 0.25) * late / late.sum())


def _slow_corners(t: Array, mean: float, spread: float, rng: np.random.Generator) -> Array:
    held = stats.exponnorm.pdf(t, rng.uniform(1.0, 2.5), loc=mean, scale=spread * mean)
    return np.asarray(0.85 * stats.norm.pdf(t, mean, spread * mean / 2) + 0.15 * held)


def _tanks_and_delay(t: Array, mean: float, spread: float, rng: np.random.Generator) -> Array:
    share = rng.uniform(0.3, 0.5)
    rest = t - (1.0 - share) * mean
    return np.asarray(stats.gamma.pdf(rest, a=(share / spread) ** 2, scale=mean * spread**2 / share))


SHAPES = {
    "two paths": _two_paths,
    "partly laminar": _partly_laminar,
    "power tail": _power_tail,
    "slow corners": _slow_corners,
    "tanks and delay": _tanks_and_delay,
}


def residence(shape: str, mean: float, rng: np.random.Generator) -> Array:
    """Return the share of water by residence time, on a grid of `FINE` seconds, up to eight times the mean.

    Parameters
    ----------
    shape : str
        A key of `SHAPES`.
    mean : float
        About the mean residence time. [s]
    rng : numpy.random.Generator
        Draws the spread, 8 to 18 % of the mean, and the shape's own parameters.
    """
    t = np.arange(FINE / 2, 8.0 * mean, FINE)
    density = SHAPES[shape](t, mean, rng.uniform(0.08, 0.18), rng)
    return np.asarray(density / density.sum())


@dataclass(frozen=True, slots=True)
class VirtualRun:
    """A run with its truth: time from the end of the injection to the level, and what was seen."""

    view: RunView
    truth: float
    short: bool


def _dilutions(step: float) -> list[list[str]]:
    """Return the dilutions of a stock whose EC is proportional to its fraction, `step` at 1:100. [mS/cm]"""
    rows = [[f"1:{n}", f"{WATER + step * 100.0 / n:.4f} mS/cm"] for n in (800, 400, 200, 100, 50)]
    return [["water", f"{WATER} mS/cm"], *rows]


def _installation(settings: Mapping[str, float]) -> Installation:
    def cell(point: str, **keys: object) -> dict[str, object]:
        return {
            "quantity": "conductivity",
            "point": point,
            "unit": "mS/cm",
            "accuracy": "1 %",
            "lag": ["3 s", "12 s"],
            "interval": f"{settings['interval']} s",
            "source": {"csv": point},
            **keys,
        }

    return Installation.model_validate(
        {
            "name": "Virtual",
            "timezone": "UTC",
            "supply": {"kind": "well", "backflow_preventer": "reduced pressure"},
            "injector": {"pump": {"kind": "proportional pump", "ratio": "1:100"}},
            "stock": {"s": {"injector": "pump", "dilutions": _dilutions(settings["step"])}},
            "zone": {"z": {"clear_share": f"{100 * settings['level']} %"}},
            "sensor": {
                "source": cell("source"),
                "mixed": cell("mixed"),
                "end": cell("lateral end", zone="z"),
            },
        }
    )


def _cell(truth: Array, lag: float, gain: float, noise: float, every: int, rng: np.random.Generator) -> Array:
    """Return what a cell of first-order response reads, sampled."""
    a = np.exp(-FINE / lag)
    slow = lfilter([1 - a], [1, -a], truth, zi=[a * truth[0]])[0]
    sampled = gain * slow[::every]
    return np.asarray(np.round(sampled * (1 + rng.normal(0, noise, sampled.size)), 4))


def virtual_run(
    shape: str, seed: int, *, short: bool, level: float = 0.05, noise: float = 0.002, interval: float = 5.0
) -> VirtualRun:
    """Return one run with a drifting source, an injection and a flush, long enough or cut short."""
    rng = np.random.default_rng(seed)
    mean = rng.uniform(600.0, 1800.0)
    density = residence(shape, mean, rng)
    cumulated = np.cumsum(density)
    lead, injection = rng.uniform(1.2, 1.6) * mean, rng.uniform(1.3, 2.5) * mean
    grid = (np.arange(cumulated.size) + 1) * FINE
    later = np.interp(grid + injection, grid, cumulated, right=1.0) - cumulated
    truth = float(grid[np.flatnonzero(later > level)[-1]] + FINE / 2)
    flush = truth * (rng.uniform(0.35, 0.9) if short else rng.uniform(1.2, 1.5))
    n = int((lead + injection + flush) / FINE)
    t = np.arange(n) * FINE
    step = rng.uniform(0.8, 2.0)
    source = WATER + 0.02 * np.sin(2 * np.pi * t / rng.uniform(3000, 9000) + rng.uniform(0, 6))
    on = (t >= lead) & (t < lead + injection)
    fed = source + on * step
    padded = np.concatenate((np.full(density.size, source[0]), fed))
    mixed = np.concatenate((np.full(round(NEAR_S / FINE), source[0]), fed))[:n]
    end = fftconvolve(padded, density)[density.size : density.size + n]
    every = round(interval / FINE)
    installation = _installation({"interval": interval, "level": level, "step": step})
    series = {}
    for name, clean in (("source", source), ("mixed", mixed), ("end", end)):
        phase = int(rng.integers(0, every))
        values = _cell(clean[phase:], rng.uniform(3, 12), 1 + rng.normal(0, 0.01), noise, every, rng)
        clock = phase * FINE + rng.normal(0.0, CLOCK_S)
        times = START + pd.to_timedelta(np.arange(values.size) * interval + clock, unit="s")
        series[name] = pd.Series(values, times)
    run = Run(
        "z",
        START,
        START + pd.Timedelta(seconds=n * FINE),
        None,
        None,
        Interval(START + pd.Timedelta(seconds=lead), START + pd.Timedelta(seconds=lead + injection)),
    )
    return VirtualRun(RunView(installation, run, series), truth, short)
