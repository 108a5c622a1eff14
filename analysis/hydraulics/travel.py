"""How long water takes from the head to each emitter: the sum of segment volume over segment flow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.hydraulics.layout import Layout
    from analysis.hydraulics.zones import ZoneFlow

SECONDS_PER_HOUR = 3600.0


@dataclass(frozen=True, slots=True)
class TravelTimes:
    """Plug-flow travel times of a zone.

    Attributes
    ----------
    main : float
        Through the main. [s]
    manifold : ndarray
        From the head to the start of each lateral; shape (laterals,). [s]
    places : ndarray
        From the head to each emitting place; shape (laterals, places). [s]
    """

    main: float
    manifold: NDArray[np.float64]
    places: NDArray[np.float64]

    @property
    def last(self) -> float:
        """To the emitter that the water reaches last. [s]"""
        return float(self.places.max())


def travel_times(layout: Layout, state: ZoneFlow, *, scale: float = 1.0) -> TravelTimes:
    """Return the travel time to every emitter.

    Parameters
    ----------
    layout : Layout
        The zone's pipes.
    state : ZoneFlow
        Their flows.
    scale : float
        Factor on all flows, where the measured flow differs from the computed one. [-]

    Returns
    -------
    TravelTimes
        Sums of segment volume over segment flow: plug flow, no dispersion. It is not the clear-out
        time, which is longer.

    References
    ----------
    First principles; in the uniform case the harmonic sum of `uniform_lateral_time`.

    Examples
    --------
    >>> from analysis.hydraulics.emitters import Emitter
    >>> from analysis.hydraulics.zones import zone_at_pressure
    >>> from analysis.hydraulics.layout import Layout, Reach
    >>> pipe = Reach(np.full(100, 0.3), 16.0)
    >>> layout = Layout((), Reach(np.zeros(1), 16.0), pipe, 1, (Emitter(1.6, exponent=0.0),))
    >>> round(travel_times(layout, zone_at_pressure(layout, 100.0)).last / 60.0, 3)
    11.734
    """
    main = sum(float(reach.volumes.sum()) / state.flow for reach in layout.main)
    with np.errstate(divide="ignore"):
        manifold = main + np.cumsum(layout.manifold.volumes / state.manifold_flow)
        lateral = np.cumsum(layout.lateral.volumes / state.lateral_flow, axis=1)
    hours = SECONDS_PER_HOUR / scale
    return TravelTimes(main * hours, manifold * hours, (manifold[:, None] + lateral) * hours)


def uniform_lateral_time(*, bore: float, spacing: float, flow: float, emitters: int, place: int) -> float:
    """Return the travel time in a lateral of equal emitters. [s]

    Parameters
    ----------
    bore : float
        Inner diameter. [mm]
    spacing : float
        Distance between emitters, and from the inlet to the first. [m]
    flow : float
        Flow of each emitter. [L/h]
    emitters : int
        Emitters on the lateral.
    place : int
        Which emitter, counted from the inlet.

    Returns
    -------
    float
        A S / q (H_N - H_(N-k)), H the harmonic numbers. [s]

    References
    ----------
    First principles (plug flow).

    Examples
    --------
    >>> round(uniform_lateral_time(bore=16, spacing=0.3, flow=1.6, emitters=100, place=100) / 60, 3)
    11.734
    """
    area = np.pi / 4.0 * (bore / 1000.0) ** 2
    downstream = np.arange(emitters - place + 1, emitters + 1)
    return float(area * spacing / (flow / 1000.0) * SECONDS_PER_HOUR * np.sum(1.0 / downstream))
