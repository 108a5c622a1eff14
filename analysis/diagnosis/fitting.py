"""Faults fitted to a shift: how well they explain it while their sizes are unknown, and the best sizes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import log_ndtr

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from analysis.diagnosis.faults import Fault

    Array = NDArray[np.float64]

SIZES = ((1.0, 0.7), (4.0, 0.3))
"""Sizes of faults, as multiples of their scales, and their odds: most are small, some are large. [-]
A judgement, no source."""

ALIKE = 1e-9
"""Weight that shares a change evenly between two faults that look alike. [of the information]"""


def gauss(z: Array, c: Array) -> float:
    """Return the log density of a normal law at z, without the constant."""
    root = np.linalg.cholesky(c)
    white = np.linalg.solve(root, z)
    return float(-0.5 * white @ white - np.log(np.diag(root)).sum())


@dataclass(frozen=True, slots=True)
class Fit:
    """Some faults fitted to a shift.

    Attributes
    ----------
    evidence, likelihood : float
        Log evidence with sizes unknown, and log likelihood at the best sizes, without their constant.
    misfit : float
        Squared distance of the shift from the best sizes, in standard deviations of noise, drift and what the
        signatures leave open. [-]
    size, covariance : ndarray
        Best sizes, and the covariance of their estimate. [as the faults]
    """

    evidence: float
    likelihood: float
    misfit: float
    size: Array
    covariance: Array


def fitted(shift: Array, covariance: Array, members: Sequence[Fault], *, signed: bool = True) -> Fit:
    """Fit some faults of unknown size; what their signatures leave open widens the covariance.

    Parameters
    ----------
    shift, covariance : ndarray
        Of one day, shapes (relations,) and (relations, relations).
    members : sequence of Fault
        The faults that are there.
    signed : bool
        Whether faults that only make sense one way are held to it.

    Returns
    -------
    Fit
        Evidence and sizes.
    """
    s = np.stack([f.signature for f in members], axis=1)
    signs = np.array([f.one_sided and signed for f in members])
    size, wide = np.zeros(len(members)), covariance
    for _ in range(2):
        size = _fit(shift, wide, s, signs)
        wide = covariance + sum(_unsure(x, f) for x, f in zip(size, members, strict=True))
    size = _fit(shift, wide, s, signs)
    logs = []
    for stretch, weight in SIZES:
        tau = np.diag([(stretch * f.scale) ** 2 for f in members])
        whole = wide + s @ tau @ s.T
        gain = tau @ s.T @ np.linalg.inv(whole)
        spread = tau - gain @ s @ tau
        odds = log_ndtr(gain @ shift / np.sqrt(np.maximum(np.diag(spread), 1e-30)))
        logs.append(
            np.log(weight) + gauss(shift, whole) + float(np.log(2.0) * signs.sum() + odds[signs].sum())
        )
    left = shift - s @ size
    misfit = float(left @ np.linalg.solve(wide, left))
    return Fit(float(np.logaddexp.reduce(logs)), gauss(left, wide), misfit, size, np.asarray(spread))


def _unsure(size: float, fault: Fault) -> Array:
    """Return the covariance of what the signature leaves open: its spread, and its curvature."""
    spread = size * fault.spread
    bent = fault.curved * (size * fault.signature) ** 2
    return np.asarray(spread.T @ spread + np.diag(bent**2))


def _fit(z: Array, c: Array, s: Array, one_sided: NDArray[np.bool_]) -> Array:
    """Return the sizes of largest likelihood; one-sided ones that come out negative are nought."""
    weighted = np.linalg.solve(c, s)
    told = s.T @ weighted
    told = told + ALIKE * np.trace(told) * np.eye(told.shape[0])
    size = np.linalg.solve(told, weighted.T @ z)
    wrong = one_sided & (size < 0.0)
    if not wrong.any() or wrong.all():
        return np.where(wrong, 0.0, size)
    rest = np.zeros_like(size)
    rest[~wrong] = _fit(z, c, s[:, ~wrong], one_sided[~wrong])
    return rest
