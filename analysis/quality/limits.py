"""What a sensor's readings are tested against, from its description and from physics."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

from analysis.quality.gaps import longest_gap_s

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Sensor

PHYSICAL_SPAN: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "flow": (-math.inf, math.inf),
        "volume": (-math.inf, math.inf),
        "pressure": (-101.3, math.inf),  # below a vacuum there is nothing
        "conductivity": (0.0, math.inf),
        "temperature": (-20.0, 80.0),  # water in a drip system; common practice, no source
        "level": (-math.inf, math.inf),
        "mass": (-math.inf, math.inf),
        "valve state": (0.0, 1.0),
        "concentration": (0.0, math.inf),
    }
)
"""What each quantity can be at all, where the sensor's own range is not given. [stored unit]"""

FASTEST: Mapping[str, float] = MappingProxyType({"temperature": 2.0, "level": 100.0, "mass": 20.0})
"""Fastest change of quantities that have inertia. [stored unit per s] Water of another temperature reaches a
sensor at once, but its probe needs some ten seconds; a tank is not filled faster. Common practice, no source.
Flow, pressure, EC and valves have none: a valve that opens and an injection that starts are steps."""

SPIKE_LONGEST_S: Mapping[str, float] = MappingProxyType(
    {
        "conductivity": 180.0,
        "temperature": 600.0,
        "level": 600.0,
        "mass": 600.0,
        "flow": 30.0,
        "pressure": 30.0,
    }
)
"""Longest time from the calm reading before a spike to the one after it. [s] Longer excursions, and those
of sensors read too seldom, can be real: a pulse of water or a short slug of stock. No source."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What one sensor's readings are tested against.

    Attributes
    ----------
    low, high : float
        Span outside which a reading is bad. [stored unit]
    per_second : float or None
        Fastest change. [stored unit per s]
    error : float
        Constant part of the limit of error. [stored unit]
    share : float
        Part of the limit of error that grows with the reading. [-]
    spike_s : float or None
        Longest spike; None where spikes are not looked for. [s]
    gap_s : float
        Longest time between readings that is no gap. [s]
    """

    low: float
    high: float
    per_second: float | None
    error: float
    share: float
    spike_s: float | None
    gap_s: float


def limits_of(sensor: Sensor) -> Limits:
    """Return the limits that a sensor's description implies.

    Parameters
    ----------
    sensor : Sensor
        Its quantity, range, accuracy, lag and interval.

    Returns
    -------
    Limits
        With `PHYSICAL_SPAN` where it gives no range.
    """
    low, high = sensor.range or PHYSICAL_SPAN[sensor.quantity]
    return Limits(
        low=low - sensor.accuracy.limit(low) if math.isfinite(low) else low,
        high=high + sensor.accuracy.limit(high) if math.isfinite(high) else high,
        per_second=FASTEST.get(sensor.quantity),
        error=sensor.accuracy.absolute,
        share=sensor.accuracy.share,
        spike_s=SPIKE_LONGEST_S.get(sensor.quantity),
        gap_s=longest_gap_s(sensor.interval),
    )
