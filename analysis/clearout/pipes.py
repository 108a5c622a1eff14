"""The clear-out time that the pipes alone predict, for a zone without an EC cell at its far end.

Travel time is the plug-flow part. What spreads a front on top of it is laminar flow: towards the end of a
lateral the middle runs twice as fast as the mean and the wall hardly moves. How well that profile is stirred
is not known, so the prediction stands between two bounds: perfectly stirred everywhere (plug flow), and one
undisturbed laminar reach. Its middle lies half way between plug flow and laminar flow that is stirred at
every emitter only, about a fifth above the travel time in usual zones.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.hydraulics.friction import LAMINAR_ENDS, reynolds
from analysis.uncertainty import COVERAGE_FACTOR

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.hydraulics.travel_estimate import PipeTravel

    Array = NDArray[np.float64]

GRID = 4096
"""Points of time on which residence times are convolved. [-] Found by trial: the result changes by less
than a thousandth when it is doubled."""

LONGEST = 6.0
"""Longest residence time looked at, in travel times. [-]"""


@dataclass(frozen=True, slots=True)
class Predicted:
    """A predicted clear-out time between its bounds.

    Attributes
    ----------
    seconds, low, high : float
        From the end of the injection. [s]
    laminar : float
        Share of the travel time that is spent in laminar flow. [-]
    """

    seconds: float
    low: float
    high: float
    laminar: float


def laminar_tail(seconds: Array, mean: float) -> Array:
    """Return the share of water that an undisturbed laminar pipe still holds back. [-]

    Parameters
    ----------
    seconds : ndarray
        Time since the step. [s]
    mean : float
        Mean residence time. [s]

    Returns
    -------
    ndarray
        1 until half the mean, then (mean / 2t)^2. [-]

    References
    ----------
    Danckwerts, P.V. (1953). Chem. Eng. Sci. 2(1):1-13, laminar pipe without diffusion; Levenspiel, O.,
    Chemical Reaction Engineering, 3rd ed., ch. 15.

    Examples
    --------
    >>> laminar_tail(np.array([0.4, 1.0, 2.0]), 1.0).tolist()
    [1.0, 0.25, 0.0625]
    """
    late = np.maximum(seconds, 1e-12)
    return np.asarray(np.where(late <= mean / 2.0, 1.0, (mean / (2.0 * late)) ** 2))


def predicted(pipes: PipeTravel, level: float, *, temperature: float = 20.0) -> Predicted:
    """Predict the clear-out time at a zone's last emitter from its pipes.

    Parameters
    ----------
    pipes : PipeTravel
        Travel times with their segments.
    level : float
        Share of the step that counts as clear. [-]
    temperature : float
        Water temperature. [°C]

    Returns
    -------
    Predicted
        Middle and bounds, the uncertainty of the travel time in them.
    """
    times = pipes.times
    lateral = np.diff(times.places[-1], prepend=times.manifold[-1])
    volumes = pipes.layout.lateral.volumes
    flows = volumes / lateral * 3600.0
    laminar = reynolds(flows, pipes.layout.lateral.bore, temperature=temperature) < LAMINAR_ENDS
    slow = lateral[laminar]
    total = times.last
    plug = total - float(slow.sum())
    stirred = max(plug + _stirred(slow, level, total), total)
    middle = (total + stirred) / 2.0
    bound = plug + float(slow.sum()) / (2.0 * float(np.sqrt(level)))
    half = COVERAGE_FACTOR * pipes.relative_u
    return Predicted(
        middle, total * (1.0 - half), max(bound, stirred) * (1.0 + half), float(slow.sum()) / total
    )


def _stirred(means: Array, level: float, total: float) -> float:
    """Return when laminar segments in series, stirred between each other, are clear to a level. [s]"""
    if means.size == 0:
        return 0.0
    step = LONGEST * total / GRID
    edges: Array = np.linspace(0.0, LONGEST * total, GRID + 1)
    spectrum = np.ones(GRID + 1, complex)
    for mean in means:
        density = -np.diff(laminar_tail(edges, float(mean)))
        density[-1] += 1.0 - density.sum()
        spectrum *= np.fft.rfft(density, 2 * GRID)
    left = 1.0 - np.cumsum(np.fft.irfft(spectrum, 2 * GRID)[:GRID])
    late = np.flatnonzero(left > level)
    # each of the n densities sits half a step early in its cell
    return float((late[-1] + 1 + means.size / 2.0) * step) if late.size else 0.0
