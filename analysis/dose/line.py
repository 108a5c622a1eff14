"""What is still in a zone's pipes: how much of what was injected has not reached an emitter yet."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from analysis.hydraulics.layout import LayoutError, layout_of
from analysis.hydraulics.travel import SECONDS_PER_HOUR, travel_times
from analysis.hydraulics.zones import zone_at_pressure

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike

    from ingest.installation import Zone

REFERENCE_PRESSURE = 100.0
"""Head pressure at which the zone's shares of flow are computed; they hardly depend on it. [kPa]"""


@dataclass(frozen=True, slots=True)
class Line:
    """A zone's pipes as seen by what travels in them.

    Attributes
    ----------
    litres : numpy.ndarray
        Water that must pass the head until what entered there reaches each emitting place, rising. [L]
    share : numpy.ndarray
        Share of the zone's flow up to and with each place. [-]
    shared : dict of str to tuple of float
        Lines that other zones' water passes too: water from the head to where each begins and ends. [L]
    """

    litres: np.ndarray
    share: np.ndarray
    shared: Mapping[str, tuple[float, float]] = field(default_factory=dict)

    @property
    def volume(self) -> float:
        """Water in the pipes. [L]"""
        steps = np.diff(np.concatenate([[0.0], self.share]))
        return float((self.litres * steps).sum())


def line_of(zone: Zone) -> Line | str:
    """Return a zone's pipes, or why they are not known.

    Parameters
    ----------
    zone : Zone
        The zone's description.

    Returns
    -------
    Line or str
        The pipes; or what is missing in the description.

    References
    ----------
    Plug flow, `analysis.hydraulics.travel.travel_times`.
    """
    try:
        layout = layout_of(zone)
        state = zone_at_pressure(layout, REFERENCE_PRESSURE + 9.81 * max(zone.elevation, 0.0))
    except (LayoutError, ValueError) as error:
        return str(error)
    times = travel_times(layout, state).places.ravel()
    flows = state.emitter_flow.ravel()
    order = np.argsort(times)
    litres = times[order] * state.flow / SECONDS_PER_HOUR
    ends = np.cumsum([0.0, *(float(reach.volumes.sum()) for reach in layout.main)])
    shared: dict[str, tuple[float, float]] = {}
    for pipe, start, end in zip(zone.main, ends[:-1], ends[1:], strict=True):
        if pipe.shared:
            first, _ = shared.get(pipe.shared, (float(start), 0.0))
            shared[pipe.shared] = first, float(end)
    return Line(litres, np.cumsum(flows[order]) / flows.sum(), shared)


def places(line: Line, passed: ArrayLike, amount: ArrayLike) -> dict[str, float]:
    """Return where parcels of an amount stand that some water has followed.

    Parameters
    ----------
    line : Line
        The pipes.
    passed : array_like
        Water that entered the zone after each parcel, shape (n,). [L]
    amount : array_like
        Each parcel, same shape.

    Returns
    -------
    dict of str to float
        Name of a shared line, or ``""`` for the zone's own pipes, to what stands there. [as `amount`]

    References
    ----------
    As `remaining`.

    Examples
    --------
    >>> line = Line(np.array([10.0, 20.0]), np.array([0.5, 1.0]), {"north": (0.0, 4.0)})
    >>> places(line, [2.0, 8.0, 15.0, 25.0], [1.0, 1.0, 1.0, 1.0])
    {'north': 1.0, '': 1.5}
    """
    gone, parcels = np.asarray(passed, float), np.asarray(amount, float)
    own, found = parcels * remaining(line, gone), {}
    for name, (start, end) in line.shared.items():
        here = (gone >= start) & (gone < end)
        found[name] = float(own[here].sum())
        own = np.where(here, 0.0, own)
    return {**found, "": float(own.sum())}


def remaining(line: Line, passed: ArrayLike) -> np.ndarray:
    """Return the share of an amount that is still in the pipes after some water has followed it.

    Parameters
    ----------
    line : Line
        The pipes.
    passed : array_like
        Water that entered the zone after it, any shape. [L]

    Returns
    -------
    numpy.ndarray
        From 1 down to 0, same shape. [-]

    Notes
    -----
    Plug flow: mixing along the way moves some of it later and some of it earlier.

    References
    ----------
    First principles: what reaches a place leaves there in proportion to its flow.

    Examples
    --------
    >>> line = Line(np.array([10.0, 20.0]), np.array([0.5, 1.0]))
    >>> remaining(line, [5.0, 15.0, 25.0]).tolist()
    [1.0, 0.5, 0.0]
    """
    reached = np.searchsorted(line.litres, np.asarray(passed, float), side="right")
    return np.asarray(1.0 - np.concatenate([[0.0], line.share])[reached])
