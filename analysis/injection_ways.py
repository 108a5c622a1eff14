"""The independent ways to one run's injection fraction, and what each has to say."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.uncertainty import Source, Uncertain, interval_of_log, rectangular

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.results import Interval
    from ingest.installation import Installation, Sensor

UNSTATED_ACCURACY: Mapping[str, tuple[float, float]] = {
    "flow": (0.05, 0.0),
    "volume": (0.05, 0.0),
    "conductivity": (0.03, 0.02),
    "temperature": (0.0, 1.0),
    "level": (0.0, 5.0),
    "concentration": (0.05, 0.0),
}
"""Limits of error assumed where a sensor states none: share, and absolute in the stored unit. Flow: the lower
zone of a class 2 water meter, ISO 4064-1:2014; the others common practice, no source."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way's answer: the logarithm of the injection fraction.

    Attributes
    ----------
    name : str
        "meters", "EC" or "laboratory".
    log_fraction : Uncertain
        ln f with its contributions. [-]
    window : Interval
        The part of the run that it rests on. [UTC]
    sensors : tuple of str
        The sensors that it rests on.
    method : str
        How, in words that name every choice.
    """

    name: str
    log_fraction: Uncertain
    window: Interval
    sensors: tuple[str, ...]
    method: str

    def words(self) -> str:
        """Return the answer with its interval, for a sentence."""
        value, low, high = interval_of_log(self.log_fraction)
        return f"{self.name} {value:.6g} ({low:.6g} to {high:.6g})"


@dataclass(frozen=True, slots=True)
class NoWay:
    """Why one way has no answer.

    Attributes
    ----------
    name : str
        The way.
    reason : str
        Why not, and what would mend it.
    sensors : tuple of str
        The sensors that were looked at.
    """

    name: str
    reason: str
    sensors: tuple[str, ...] = ()


def limit_of(sensor: Sensor, value: float) -> float:
    """Return a sensor's limit of error at a reading, or the assumed one where it states none.

    Parameters
    ----------
    sensor : Sensor
        The sensor.
    value : float
        The reading. [stored unit]

    Returns
    -------
    float
        Limit of error. [stored unit]
    """
    limit = sensor.accuracy.limit(value)
    if limit > 0:
        return limit
    share, absolute = UNSTATED_ACCURACY.get(sensor.quantity, (0.05, 0.0))
    return share * abs(value) + absolute


def gain_term(installation: Installation, sensor: str, value: float) -> tuple[Source, float]:
    """Return the systematic relative contribution of one meter at a reading: rectangular limits.

    Parameters
    ----------
    installation : Installation
        The system.
    sensor : str
        The meter's name.
    value : float
        The reading that counts, above 0. [stored unit]

    Returns
    -------
    Source, float
        The source of error and its relative standard contribution. [-]
    """
    relative = limit_of(installation.sensor[sensor], value) / value
    return Source("meter gain", sensor), rectangular(relative)


def log_of(value: float, terms: Mapping[Source, float]) -> Uncertain:
    """Return ln value with relative contributions."""
    return Uncertain(math.log(value), dict(terms))
