"""How much water a run delivered, and by which meter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Protocol

from analysis.quality.gaps import longest_gap_s
from analysis.runs.detect import FLOW_POINTS
from analysis.runs.volumes import Volume, integrate, register_volume

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import pandas as pd

    from ingest.installation import Installation

OVERLAP_SHARE = 0.05
"""Largest share of a run during which another zone may draw through the same meter: valves that change over
overlap by seconds. Beyond it the meter cannot tell the zones' shares. [-] No source."""

UNSEEN_SHARE = 0.1
"""Largest share of a run without readings of its meter. [-] No source."""


class Span(Protocol):
    """Anything with a zone, a start and an end: a run, found or still being told."""

    @property
    def zone(self) -> str:
        """The zone's name."""

    @property
    def start(self) -> pd.Timestamp:
        """First instant. [UTC]"""

    @property
    def end(self) -> pd.Timestamp:
        """End, excluded. [UTC]"""


@dataclass(frozen=True, slots=True)
class Delivered:
    """A run's volume and where it came from.

    Attributes
    ----------
    volume : Volume
        What the meter saw. [L]
    sensor : str
        The meter.
    filled : float
        What short holes in its readings are taken to have let through: the run's mean flow. [L]
    """

    volume: Volume
    sensor: str
    filled: float

    @property
    def litres(self) -> float:
        """The volume, holes filled. [L]"""
        return self.volume.litres + self.filled


def overlap_s(zone: str, start: pd.Timestamp, end: pd.Timestamp, others: Sequence[Span]) -> float:
    """Return how long other zones were watered at the same time. [s]"""
    shared = 0.0
    for other in others:
        if other.zone != zone:
            both = min(end, other.end) - max(start, other.start)
            shared += max(0.0, both.total_seconds())
    return shared


def measure(
    installation: Installation,
    name: str,
    start: pd.Timestamp,
    end: pd.Timestamp,
    series: Mapping[str, pd.Series],
) -> Volume:
    """Return what one meter or register saw between two instants. [L]"""
    sensor = installation.sensor[name]
    if sensor.quantity == "volume":
        return register_volume(series[name], start, end, size_known=sensor.rolls_over_at is not None)
    return integrate(series[name], start, end, longest_gap_s=longest_gap_s(sensor.interval or 60.0))


def delivered(
    installation: Installation, told: Span, others: Sequence[Span], series: Mapping[str, pd.Series]
) -> Delivered | None:
    """Return the water of one run by the best meter that saw it.

    Registers are preferred to flows, because a total loses nothing between readings; the zone's own meter
    to the head's. A meter that had holes or resets during the run is passed over.

    Parameters
    ----------
    installation : Installation
        The system.
    told : Run or Told
        The run.
    others : sequence of Run or Told
        Other runs, to see who shares a meter.
    series : mapping of str to pandas.Series
        Good readings by sensor. [stored units]

    Returns
    -------
    Delivered or None
        None where no meter saw it all, or where zones that ran together share the meter.
    """
    length = (told.end - told.start).total_seconds()
    if length <= 0:
        return None
    busy = overlap_s(told.zone, told.start, told.end, others) > OVERLAP_SHARE * length
    for name in meters(installation, told.zone):
        own = installation.sensor[name].zone == told.zone
        if len(series.get(name, ())) < 2 or (busy and not own):  # noqa: PLR2004 - a volume takes two readings
            continue
        volume = measure(installation, name, told.start, told.end, series)
        if volume.readings and not volume.resets and volume.unseen_s <= UNSEEN_SHARE * length:
            filled = volume.litres * volume.unseen_s / (length - volume.unseen_s)
            return Delivered(volume, name, filled)
    return None


def meters(installation: Installation, zone: str) -> list[str]:
    """Return meters and registers that see a zone's water, the best first.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str
        A zone's name.

    Returns
    -------
    list of str
        Nearest point first; at one point registers before flow meters.
    """
    names = [n for q in ("volume", "flow") for n in installation.sensors_of(zone, q, *FLOW_POINTS)]
    return sorted(names, key=lambda n: FLOW_POINTS.index(installation.sensor[n].point))
