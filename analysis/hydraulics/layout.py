"""The pipes of a zone as segments: main, manifold, laterals, and the emitters on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from analysis.amounts import amount
from analysis.hydraulics.emitters import Emitter

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from ingest.installation import Zone

FITS = 0.05
"""Share of a lateral's length by which emitters times spacing may miss it. [-] Common practice, no
source: lengths are written down rounded."""


class LayoutError(ValueError):
    """Raised when the description of a zone's pipes does not say how its water flows."""


@dataclass(frozen=True, slots=True)
class Reach:
    """Pipe in consecutive segments of one bore.

    Attributes
    ----------
    lengths : ndarray
        Length of each segment, from the inlet. [m]
    bore : float
        Inner diameter. [mm]
    rise : float
        How far each metre rises in the direction of flow. [m/m]
    """

    lengths: NDArray[np.float64]
    bore: float
    rise: float = 0.0

    @property
    def volumes(self) -> NDArray[np.float64]:
        """Volume of each segment. [L]"""
        return np.asarray(np.pi / 4.0 * (self.bore / 1000.0) ** 2 * self.lengths * 1000.0)


@dataclass(frozen=True, slots=True)
class Layout:
    """A zone's pipes.

    Attributes
    ----------
    main : tuple of Reach
        From the head to the manifold, all flow in each.
    manifold : Reach
        One segment before each lateral; zero lengths where all laterals start at one place.
    lateral : Reach
        One segment before each emitter.
    laterals : int
        Number of like laterals.
    emitters : tuple of Emitter
        The kinds of emitters, evenly mixed along every lateral.
    per_point : float
        Emitters at each place of a lateral. [-]
    elevation : float
        Height of the zone above the head. [m]
    """

    main: tuple[Reach, ...]
    manifold: Reach
    lateral: Reach
    laterals: int
    emitters: tuple[Emitter, ...]
    per_point: float = 1.0
    elevation: float = 0.0


def layout_of(zone: Zone) -> Layout:
    """Return the segments that a zone's description means.

    Parameters
    ----------
    zone : Zone
        The zone as described.

    Returns
    -------
    Layout
        Its pipes. The manifold feeds one lateral at the end of each of its equal parts. On a lateral,
        the last emitter sits at the far end and the others before it at the spacing; pipe that is left
        over leads from the manifold to the first emitter.

    Raises
    ------
    LayoutError
        If emitters, laterals or their numbers are missing or contradict each other.

    Examples
    --------
    >>> from ingest.installation import Zone
    >>> zone = Zone.model_validate({
    ...     "emitters": [{"count": 400, "flow": "2 L/h"}],
    ...     "manifold": {"length": "10 m", "diameter": "23 mm"},
    ...     "laterals": {"count": 10, "length": "12 m", "diameter": "12 mm", "spacing": "0.3 m"},
    ... })
    >>> layout = layout_of(zone)
    >>> layout.lateral.lengths.size, layout.manifold.lengths.size
    (40, 10)
    """
    if zone.laterals is None or not zone.emitters:
        msg = "the zone's emitters and laterals must both be described"
        raise LayoutError(msg)
    points, per_point = _points(zone)
    lead = max(zone.laterals.length - (points - 1) * zone.laterals.spacing, 0.0)
    lengths = np.full(points, zone.laterals.spacing)
    lengths[0] = lead
    count = zone.laterals.count
    manifold = zone.manifold
    total = sum(group.count for group in zone.emitters)
    return Layout(
        main=tuple(Reach(np.array([pipe.length]), pipe.diameter) for pipe in zone.main),
        manifold=Reach(np.zeros(count), zone.laterals.diameter)
        if manifold is None
        else Reach(np.full(count, manifold.length / count), manifold.diameter),
        lateral=Reach(lengths, zone.laterals.diameter, zone.laterals.slope),
        laterals=count,
        emitters=tuple(Emitter(g.flow, g.at, g.exponent, g.count / total) for g in zone.emitters),
        per_point=per_point,
        elevation=zone.elevation,
    )


def _points(zone: Zone) -> tuple[int, float]:
    """Return the emitting places on a lateral and the emitters at each, or say what contradicts."""
    laterals = zone.laterals
    if laterals is None:
        return 0, 0.0
    total = sum(group.count for group in zone.emitters)
    each = total / laterals.count
    places = max(1, round(laterals.length / laterals.spacing))
    slack = max(laterals.spacing, FITS * laterals.length)
    fits = abs(each * laterals.spacing - laterals.length) <= slack
    if fits:
        points = min(max(1, round(each)), int(laterals.length / laterals.spacing) + 1)
        return points, each / points
    doubled = round(each / places)
    if doubled > 1 and abs(each / doubled * laterals.spacing - laterals.length) <= slack:
        return places, each / places
    msg = (
        f"{total} emitters on {laterals.count} laterals are {each:.4g} on each, but {amount(laterals.length, 'm', '.4g')} "
        f"at {amount(laterals.spacing, 'm', '.4g')} hold {places}; correct the count, the length or the spacing"
    )
    raise LayoutError(msg)
