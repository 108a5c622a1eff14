"""What a plug of stock looks like further down the pipe: travel and dispersion, in closed form.

Time here is a zone's own clock, which stands still while no water moves; so a line that was not flushed
keeps its solution until the next run pushes it out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr, ndtr

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def arrived(age_s: ArrayLike, *, mean_s: float, peclet: float, decay: float = 0.0) -> NDArray[np.float64]:
    r"""Return what has come through of one unit that entered some time ago.

    Parameters
    ----------
    age_s : array_like
        Time since it entered, on the zone's clock. [s]
    mean_s : float
        Mean travel time. [s]
    peclet : float
        Peclet number; the spread of travel times is ``mean_s * sqrt(2 / peclet)``. [-]
    decay : float
        With a rate, each part is weighted by exp(decay times its travel time), which is what a source
        of falling strength needs. [1/s]

    Returns
    -------
    numpy.ndarray
        Weighted share, same shape; the inverse Gaussian distribution function where `decay` is 0. [-]

    Raises
    ------
    ValueError
        If the source falls too fast for the dispersion, where the integral has no bound.

    References
    ----------
    Inverse Gaussian distribution (first passage of advection with dispersion), with shape
    ``mean_s * peclet / 2``; weighting it by an exponential gives another one (exponential tilting,
    derived from its density).

    Examples
    --------
    >>> round(float(arrived(400.0, mean_s=400.0, peclet=120.0)), 3)
    0.526
    """
    age = np.maximum(np.asarray(age_s, dtype=float), 0.0)
    shape = mean_s * peclet / 2.0
    inner = 1.0 - 2.0 * decay * mean_s**2 / shape
    if inner <= 0.0:
        msg = (
            f"a decay of {decay:g}/s is too fast for a mean of {mean_s:g} s and a Peclet number of {peclet:g}"
        )
        raise ValueError(msg)
    weight = np.exp(shape / mean_s * (1.0 - np.sqrt(inner)))
    return np.asarray(weight * _inverse_gaussian(age, mean_s / np.sqrt(inner), shape))


def _inverse_gaussian(age: NDArray[np.float64], mean: float, shape: float) -> NDArray[np.float64]:
    """Return the distribution function, without overflow at large Peclet numbers. [-]"""
    safe = np.maximum(age, 1e-9)
    root = np.sqrt(shape / safe)
    below = ndtr(root * (safe / mean - 1.0)) + np.exp(
        2.0 * shape / mean + log_ndtr(-root * (safe / mean + 1.0))
    )
    return np.where(age > 0.0, np.minimum(below, 1.0), 0.0)


def response(
    clock_s: ArrayLike, *, begin_s: float, end_s: float, mean_s: float, peclet: float, decay: float = 0.0
) -> NDArray[np.float64]:
    """Return the strength at a point, as a share of the strength at the injection's first moment.

    Parameters
    ----------
    clock_s : array_like
        The zone's clock. [s]
    begin_s, end_s : float
        When stock entered, on the same clock. [s]
    mean_s, peclet : float
        Travel time [s] and Peclet number [-] from the injector to the point.
    decay : float
        Rate at which the entering strength falls, exp(-decay t); 0 for a pump. [1/s]

    Returns
    -------
    numpy.ndarray
        Share, same shape as `clock_s`. [-]

    References
    ----------
    Convolution of the entering strength with the travel times, taken exactly: see `arrived`.

    Examples
    --------
    >>> float(response(2000.0, begin_s=0.0, end_s=1500.0, mean_s=400.0, peclet=120.0).round(3))
    0.036
    """
    clock = np.asarray(clock_s, dtype=float)
    ages = {"mean_s": mean_s, "peclet": peclet, "decay": decay}
    through = arrived(clock - begin_s, **ages) - arrived(clock - end_s, **ages)
    return np.asarray(np.exp(-decay * np.maximum(clock - begin_s, 0.0)) * through)
