"""The decay of a displacement tank's strength with the water that passed, fitted to readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

ROUNDS = 3
"""Rounds of reweighting; the weights no longer change after two."""

LEAST_READINGS = 12
"""Readings that a fit needs. No source."""

LEAST_FALL = 0.25
"""Strength must fall by this share within the fit, or the decay volume cannot be told. [-] No source."""

BLOCKS = 10
"""Blocks of readings whose means tell how far the readings leave the curve."""

DEPLETED = 0.05
"""Strength at which a tank counts as used up: three tank volumes of bypass. [-] Common practice, no source."""


@dataclass(frozen=True, slots=True)
class Decay:
    """C = C0 exp(-V / Va).

    Attributes
    ----------
    log_initial : float
        ln C0, C0 at V = 0. [ln of the fractions' unit]
    log_decay : float
        ln Va. [ln L]
    covariance : numpy.ndarray
        Of these two from the readings' scatter alone; shape (2, 2). It is far too small as an uncertainty:
        the meters' gains are not in it.
    misfit : float
        Root mean square of block means of ln C about the line. [-]
    """

    log_initial: float
    log_decay: float
    covariance: np.ndarray
    misfit: float


def fit_decay(volume: ArrayLike, fraction: ArrayLike) -> Decay:
    """Fit an exponential decay in volume.

    Weighted least squares of ln C on V with weights C, reweighted with the fitted C: between weights C^2 for
    noise that does not depend on the reading, and equal weights for errors of the dilution curve.

    Parameters
    ----------
    volume : array_like
        Water that passed since the start, shape (n,). [L]
    fraction : array_like
        Concentration in any unit, or fraction of stock, above 0, same shape.

    Returns
    -------
    Decay
        The curve.

    Raises
    ------
    ValueError
        If there are too few readings, or the strength falls too little to tell its pace.

    Notes
    -----
    Right for a tank whose content is well mixed and whose share of the flow is constant. Fitting EC itself
    instead of the fraction biases Va by about 3 %.

    References
    ----------
    Mass balance of a stirred tank passed by a constant share of the flow (textbook). Weighting of a
    log-linear fit: Bevington and Robinson, Data Reduction and Error Analysis, 3rd ed. (2003), section 7.

    Examples
    --------
    >>> water = np.linspace(0.0, 200.0, 50)
    >>> decay = fit_decay(water, 0.05 * np.exp(-water / 100.0))
    >>> round(math.exp(decay.log_decay), 6), round(math.exp(decay.log_initial), 6)
    (100.0, 0.05)
    """
    x, y = np.asarray(volume, float), np.asarray(fraction, float)
    if len(x) < LEAST_READINGS:
        msg = f"only {len(x)} readings of the decay; {LEAST_READINGS} are needed"
        raise ValueError(msg)
    logs, weights = np.log(y), y.copy()
    slope = level = 0.0
    for _ in range(ROUNDS):
        slope, level, spread = _line(x, logs, weights)
        weights = np.exp(level + slope * x)
    if -slope * float(x[-1] - x[0]) < -math.log1p(-LEAST_FALL):
        msg = f"the strength fell by less than {LEAST_FALL:.0%}, so the pace of the decay cannot be told"
        raise ValueError(msg)
    left = logs - (level + slope * x)
    noise = float(np.average(left**2, weights=weights))
    parts = zip(np.array_split(left, BLOCKS), np.array_split(weights, BLOCKS), strict=True)
    blocks = [float(np.average(part, weights=weight)) for part, weight in parts]
    misfit = float(np.sqrt(np.mean(np.square(blocks))))
    inflation = max(1.0, misfit**2 / max(noise * BLOCKS / len(x), 1e-30))
    jacobian = np.array([[1.0, 0.0], [0.0, -1.0 / slope]])  # d(ln C0, ln Va) / d(level, slope)
    covariance = jacobian @ (spread * noise * inflation) @ jacobian.T
    return Decay(level, -math.log(-slope), covariance, misfit)


def _line(x: np.ndarray, y: np.ndarray, weights: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Return slope, level and the covariance of (level, slope) for unit noise at the mean weight."""
    scaled = weights / weights.mean()
    design = np.column_stack([np.ones_like(x), x])
    normal = design.T @ (scaled[:, None] * design)
    inverse = np.linalg.inv(normal)
    level, slope = inverse @ (design.T @ (scaled * y))
    return float(slope), float(level), inverse


def litres_until(decay_l: float, passed_l: float, *, strength: float = DEPLETED) -> float:
    """Return the water until a tank's strength has fallen to a share of its start.

    Parameters
    ----------
    decay_l : float
        Water that takes the strength to 1/e. [L]
    passed_l : float
        Water that has passed already. [L]
    strength : float
        Share of the strength at the start that counts as used up. [-]

    Returns
    -------
    float
        Water still to come, 0 where it has fallen there already. [L]

    References
    ----------
    C / C0 = exp(-V / Va).

    Examples
    --------
    >>> round(litres_until(100.0, 0.0), 1)
    299.6
    """
    return max(0.0, -math.log(strength) * decay_l - passed_l)


def strength_after(tank_volumes: float) -> float:
    """Return the share of its strength that a stirred tank keeps after some tank volumes passed through it.

    Parameters
    ----------
    tank_volumes : float
        Volume through the tank over the tank's volume. [-]

    Returns
    -------
    float
        exp(-x). [-]

    References
    ----------
    Mass balance of a stirred tank (textbook).

    Examples
    --------
    >>> round(100 * strength_after(4), 2)
    1.83
    """
    return math.exp(-tank_volumes)
