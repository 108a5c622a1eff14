"""Residence-time shapes: how a sharp front is spread on its way, mean residence time 1."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from scipy import stats

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    Curve = Callable[[NDArray[np.float64], float], NDArray[np.float64]]


def _inverse_gaussian(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    shape = 1.0 / sd**2
    return np.asarray(stats.invgauss.cdf(x, 1.0 / shape, scale=shape))


def _gamma(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    return np.asarray(stats.gamma.cdf(x, 1.0 / sd**2, scale=sd**2))


def _lognormal(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    width = np.sqrt(np.log1p(sd**2))
    return np.asarray(stats.lognorm.cdf(x, width, scale=np.exp(-0.5 * width**2)))


def _two_path(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    return 0.8 * _inverse_gaussian(x / 0.95, sd) + 0.2 * _inverse_gaussian(x / 1.2, sd)


def _partly_laminar(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    laminar = np.where(x > 0.5, 1.0 - 0.25 / np.maximum(x, 0.5) ** 2, 0.0)
    return 0.9 * _inverse_gaussian(x, sd) + 0.1 * laminar


def _power_tail(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    # Pareto with exponent 3 and mean 1.2 for a tenth of the water, the rest a little early
    start = 1.2 * 2.0 / 3.0
    tail = np.where(x > start, 1.0 - (start / np.maximum(x, start)) ** 3, 0.0)
    return 0.9 * _inverse_gaussian(x / (0.88 / 0.9), sd) + 0.1 * tail


def _slow_tail(x: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    # a tenth of the water exchanges with slow corners: exponential delay of mean 0.15
    spread = np.asarray(stats.exponnorm.cdf(x, 0.15 / sd, loc=0.865, scale=sd))
    return 0.9 * _inverse_gaussian(x, sd) + 0.1 * spread


SHAPES: Mapping[str, Curve] = MappingProxyType(
    {
        "inverse Gaussian": _inverse_gaussian,
        "gamma": _gamma,
        "lognormal": _lognormal,
        "two paths": _two_path,
        "partly laminar": _partly_laminar,
        "power tail": _power_tail,
        "slow tail": _slow_tail,
    }
)
"""Name to cumulative distribution F(t / mean, relative sd). Mean 1 but for the shapes made of two."""


def step_response(
    seconds: NDArray[np.float64], *, travel_s: float, relative_sd: float, shape: str
) -> NDArray[np.float64]:
    """Return the response to a unit step: share of new water at each time since the step.

    Parameters
    ----------
    seconds : numpy.ndarray
        Times since the step, any shape. [s]
    travel_s : float
        Travel time by EPANET; the shape's unit of time. [s]
    relative_sd : float
        Standard deviation over mean of the basic shape, sqrt(2 / Peclet number). [-]
    shape : str
        A key of `SHAPES`.

    Returns
    -------
    numpy.ndarray
        Same shape, from 0 to 1. [-]
    """
    return SHAPES[shape](np.maximum(seconds, 0.0) / travel_s, relative_sd)
