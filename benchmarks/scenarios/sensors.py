"""What sensors make of the truth: gains, lags, noise, counts, clocks and gaps."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SPREAD: Mapping[str, float] = MappingProxyType(
    {
        "flow gain": 0.01,
        "EC gain": 0.01,
        "dilutions": 0.006,
        "thermometer": 0.15,
        "coefficient": 0.0003,
        "flow repeatability": 0.003,
        "EC repeatability": 0.002,
        "strength": 0.0,
        "clock": 1.5,
    }
)
"""Standard deviations of what is drawn: relative, but thermometer [K], coefficient [1/K], clock [s]. The
first three are the specification of the prototypes; the others are assumed."""


@dataclass(frozen=True, slots=True)
class Device:
    """How one sensor errs.

    Attributes
    ----------
    gain : float
        Factor on the true value. [-]
    noise : float
        Standard deviation of single readings, relative for flow, absolute otherwise. [-] or [stored unit]
    lag_s : float
        First-order response time. [s]
    clock_s : float
        Added to the time stamps. [s]
    interval_s : float
        Time between readings. [s]
    resolution : float
        Step of the readings; 0 for none. [stored unit]
    missing : float
        Share of readings lost one by one. [-]
    gap_s : float
        Length of one silence somewhere in the run. [s]
    """

    gain: float
    noise: float
    lag_s: float = 0.0
    clock_s: float = 0.0
    interval_s: float = 5.0
    resolution: float = 0.0
    missing: float = 0.0
    gap_s: float = 0.0


def lagged(values: Array, lag_s: float, step_s: float) -> Array:
    """Return values through a first-order response on an even grid."""
    if lag_s <= 0:
        return values
    from scipy.signal import lfilter  # noqa: PLC0415 - slow to import

    keep = math.exp(-step_s / lag_s)
    start = np.array([keep * values[0]])
    return np.asarray(lfilter([1.0 - keep], [1.0, -keep], values, zi=start)[0])


def sample(truth: Array, device: Device, rng: np.random.Generator, *, relative: bool = False) -> pd.Series:
    """Return readings of one sensor by seconds since the start of the record.

    Parameters
    ----------
    truth : numpy.ndarray
        True value each second, shape (n,). [stored unit]
    device : Device
        How it errs.
    rng : numpy.random.Generator
        Source of noise.
    relative : bool
        Whether noise is a share of the value.

    Returns
    -------
    pandas.Series
        Readings by time stamp. [s]
    """
    seen = lagged(truth, device.lag_s, 1.0) * device.gain
    at = np.arange(int(rng.integers(0, max(1, int(device.interval_s)))), len(truth), int(device.interval_s))
    values = seen[at]
    noise = rng.normal(0.0, 1.0, len(at)) * device.noise
    values = values * (1.0 + noise) if relative else values + noise
    if device.resolution > 0:
        values = np.round(values / device.resolution) * device.resolution
    return _lose(pd.Series(values, at + device.clock_s), device, rng)


def count(truth: Array, device: Device, rng: np.random.Generator, *, pulses_per_litre: float) -> pd.Series:
    """Return a pulse register's readings by seconds: litres in whole counts.

    Parameters
    ----------
    truth : numpy.ndarray
        True flow each second, shape (n,). [L/h]
    device : Device
        How it errs; noise is not used.
    rng : numpy.random.Generator
        Source of the register's start.
    pulses_per_litre : float
        Counts a litre. [1/L]

    Returns
    -------
    pandas.Series
        Register by time stamp. [L]
    """
    litres = np.cumsum(truth) * device.gain / 3600.0 + float(rng.uniform(0.0, 1.0)) / pulses_per_litre
    at = np.arange(int(rng.integers(0, int(device.interval_s))), len(truth), int(device.interval_s))
    values = np.floor(litres[at] * pulses_per_litre + 1e-9) / pulses_per_litre + float(rng.integers(0, 9000))
    return _lose(pd.Series(values, at + device.clock_s), device, rng)


def _lose(series: pd.Series, device: Device, rng: np.random.Generator) -> pd.Series:
    """Return the readings without those that got lost."""
    kept = rng.random(len(series)) >= device.missing
    if device.gap_s > 0:
        start = float(rng.uniform(series.index[0], series.index[-1]))
        kept &= ~np.asarray((series.index >= start) & (series.index <= start + device.gap_s))
    return series[kept]
