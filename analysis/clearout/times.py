"""How long after the end of an injection a far point runs clean, where it was seen to run clean.

Everything here is in shares of the injection's step, against seconds from the start of the injection.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import isotonic_regression

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    Array = NDArray[np.float64]

SUSTAINED_S = 20.0
"""How long the excess must stay below the threshold before it counts as clear. [s] The prototypes' value;
longer than the slowest conductivity cell's response."""

BAND = (0.6, 1.8)
"""Shares of the threshold between which the tail is fitted to find the crossing. [-] Found by trial on
inverse Gaussian tails: wide enough to average noise, narrow enough that a cubic follows the tail."""

FEWEST = 7
"""Readings that a local fit of the tail takes at least, where there are so many. [-] A cubic and `SPARE`."""

SPARE = 3
"""Readings beyond its degree that a local fit keeps, to see the scatter. [-] No source."""

NEAR_PLATEAU = 0.8
"""Share of its top above which the far curve still counts as at its plateau. [-] No source."""


class NotCarriedError(ValueError):
    """Raised when readings cannot carry a clear-out time; the text is the reason for people."""


@dataclass(frozen=True, slots=True)
class FarShare:
    """What a far point saw of one injection.

    Attributes
    ----------
    seconds : ndarray
        Time of each reading after the injection began, ascending; while water flowed. [s]
    share : ndarray
        Excess concentration above the source water's, as a share of the step at the injection's end. [-]
    injection_s : float
        How long the injection lasted. [s]
    passed : ndarray or None
        The same times on a clock that runs with the flow and at its own pace after the injection; None
        where flow did not change or was not measured. [s]
    level : ndarray
        Strength of the injection from its start to its end, at equal distances, the last one 1. [-]
    step_u : float or None
        Relative standard uncertainty of the step; None where only the far point itself tells it. [-]
    base_u : float
        Standard uncertainty of the base, as a share of the step. [-]
    pace_u : float
        Relative standard uncertainty of the flow that would have run on. [-]
    """

    seconds: Array
    share: Array
    injection_s: float
    passed: Array | None = None
    level: Array = field(default_factory=lambda: np.ones(2))
    step_u: float | None = None
    base_u: float = 0.0
    pace_u: float = 0.0


@dataclass(frozen=True, slots=True)
class ClearOut:
    """A clear-out time with what makes it uncertain.

    Attributes
    ----------
    seconds : float
        From the end of the injection until clear. [s]
    method : str
        How it was found.
    slope : float
        How fast the excess falls there, as a share of the step. [1/s]
    terms : mapping of str to float
        Standard uncertainty by its cause. [s]
    curve : tuple of ndarray or None
        The falling curve that crosses the threshold: times after the end of the injection [s], and shares of
        the step [-].
    """

    seconds: float
    method: str
    slope: float
    terms: Mapping[str, float] = field(default_factory=dict)
    curve: tuple[Array, Array] | None = field(default=None, compare=False, repr=False)

    @property
    def sd(self) -> float:
        """Combined standard uncertainty. [s]"""
        return float(np.sqrt(sum(u * u for u in self.terms.values())))


@dataclass(frozen=True, slots=True)
class Crossing:
    """Where a falling tail crosses a level.

    Attributes
    ----------
    seconds : float
        When. [s]
    slope : float
        How fast it falls there, positive. [1/s]
    seconds_u : float
        Standard uncertainty from the scatter of the readings. [s]
    """

    seconds: float
    slope: float
    seconds_u: float


def falling_crossing(seconds: Array, values: Array, level: float) -> Crossing:
    """Return where a noisy falling tail crosses a level for good.

    Parameters
    ----------
    seconds, values : ndarray
        The tail: times, ascending, and readings that fall but for noise; shape (n,). [s], [-]
    level : float
        The level. [-]

    Returns
    -------
    Crossing
        From a cubic through the readings near the level; which readings are near is told by isotonic
        regression, so that no single reading decides.

    Raises
    ------
    ValueError
        If the tail does not cross the level.

    Examples
    --------
    >>> t = np.arange(0.0, 600.0, 5.0)
    >>> round(falling_crossing(t, np.exp(-t / 100.0), 0.05).seconds, 0)
    300.0
    """
    trend = isotonic_regression(values, increasing=False).x
    if not trend[0] > level >= trend[-1]:
        msg = f"the tail runs from {trend[0]:.3g} to {trend[-1]:.3g} and does not cross {level:.3g}"
        raise ValueError(msg)
    at = int(np.argmax(trend <= level))
    first = min(int(np.argmax(trend < BAND[1] * level)), at - FEWEST // 2)
    below = trend < BAND[0] * level
    last = max(int(np.argmax(below)) if below.any() else trend.size, at + FEWEST // 2 + 1)
    near = slice(max(first, 0), min(last, trend.size))
    return _local_root(seconds[near], values[near], level, float(seconds[at]))


def _local_root(seconds: Array, values: Array, level: float, guess: float) -> Crossing:
    """Return the root of a local polynomial fit nearest to a guess."""
    scale = max(float(np.ptp(seconds)), 1.0)
    x = (seconds - guess) / scale
    degree = int(np.clip(x.size - SPARE, 1, 3))
    design = np.vander(x, degree + 1)
    coefficients, *_ = np.linalg.lstsq(design, values - level, rcond=None)
    roots = np.roots(coefficients)
    real = np.real(roots[np.isclose(np.imag(roots), 0.0)])
    inside = real[(real >= x[0] - 0.2) & (real <= x[-1] + 0.2)]
    root = float(inside[np.argmin(np.abs(inside))]) if inside.size else 0.0
    slope = max(-float(np.polyval(np.polyder(coefficients), root)), 1e-12)
    rest = values - level - design @ coefficients
    sigma = float(np.sqrt(rest @ rest / max(x.size - degree - 1, 1)))
    row = np.vander([root], degree + 1)[0]
    leverage = float(row @ np.linalg.pinv(design.T @ design) @ row)
    return Crossing(guess + root * scale, slope / scale, sigma * float(np.sqrt(leverage)) / slope * scale)


def observed(far: FarShare, level: float) -> ClearOut:
    """Return the clear-out time where the far point was seen to run clean.

    Parameters
    ----------
    far : FarShare
        What the far point saw.
    level : float
        Share of the step that counts as clear. [-]

    Returns
    -------
    ClearOut
        From the end of the injection to the last fall below the level.

    Raises
    ------
    NotCarriedError
        If the excess does not stay below the level for `SUSTAINED_S` before the water stops.

    Examples
    --------
    >>> t = np.arange(0.0, 2000.0, 5.0)
    >>> share = np.where(t < 600.0, 1.0, np.exp(-(t - 600.0) / 200.0))
    >>> round(observed(FarShare(t, share, 600.0), 0.05).seconds, 0)
    599.0
    """
    tail = _falling_limb(far)
    seconds, share = far.seconds[tail], far.share[tail]
    if seconds[-1] - _last_above(seconds, share, level) < SUSTAINED_S:
        msg = f"the water stopped before the excess stayed below {100 * level:.3g} % of the step"
        raise NotCarriedError(msg)
    try:
        crossing = falling_crossing(seconds, share, level)
    except ValueError as error:
        msg = f"the excess did not fall below {100 * level:.3g} % of the step"
        raise NotCarriedError(msg) from error
    terms = {
        "noise": crossing.seconds_u,
        "step": level * (far.step_u or 0.0) / crossing.slope,
        "base": far.base_u / crossing.slope,
    }
    trend = seconds - far.injection_s, isotonic_regression(share, increasing=False).x
    return ClearOut(crossing.seconds - far.injection_s, "observed", crossing.slope, terms, trend)


def _falling_limb(far: FarShare) -> slice:
    """Return the readings from the last one near the plateau to the end."""
    after = far.seconds >= far.injection_s
    if not after.any():
        msg = "the water stopped with the injection"
        raise NotCarriedError(msg)
    top = float(np.max(far.share[after]))
    if top <= 0.0:
        msg = "no stock was seen at the far point after the injection; the source water changed, or a cell has moved"
        raise NotCarriedError(msg)
    start = int(np.flatnonzero(after & (far.share >= NEAR_PLATEAU * top))[-1])
    return slice(start, far.share.size)


def _last_above(seconds: Array, share: Array, level: float) -> float:
    """Return when the smoothed tail was last above the level. [s]"""
    trend = isotonic_regression(share, increasing=False).x
    above = np.flatnonzero(trend > level)
    return float(seconds[above[-1]]) if above.size else float(seconds[0])
