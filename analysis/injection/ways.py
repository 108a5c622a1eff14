"""The independent ways to one run's injection fraction, and what each has to say."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.uncertainty import (
    COVERAGE_FACTOR,
    Source,
    Uncertain,
    combine,
    interval_of_log,
    linear,
    rectangular,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from analysis.results import Interval
    from analysis.view import RunView
    from ingest.installation import Installation, Sensor, Stock

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


MAIN_SHARE = 0.25
"""A nutrient that makes this share of the stock's nutrients by mass decides how it conducts. No source."""

MAGNESIUM, PHOSPHATE = ("Mg", "MgO"), ("P", "P2O5", "PO4")
"""Names under which an installation may state a nutrient."""


@dataclass(frozen=True, slots=True)
class Way:
    """One way's answer: the logarithm of the injection fraction, or of a stock volume in litres.

    Attributes
    ----------
    name : str
        "meters", "EC", "laboratory", "stock meter" or "stock tank".
    log : Uncertain
        Its logarithm with its contributions. [-]
    window : Interval
        The part of the run that it rests on. [UTC]
    sensors : tuple of str
        The sensors that it rests on.
    method : str
        How, in words that name every choice.
    """

    name: str
    log: Uncertain
    window: Interval
    sensors: tuple[str, ...]
    method: str

    def words(self) -> str:
        """Return the answer with its interval, for a sentence."""
        value, low, high = interval_of_log(self.log)
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


def stock_name(view: RunView) -> str:
    """Return the name of the stock that the run's injector draws; empty where none is described."""
    stocks = view.installation.stock
    return next((name for name, stock in stocks.items() if stock is view.stock), "")


def mostly(stock: Stock, *nutrients: str) -> bool:
    """Return True where nutrients make at least `MAIN_SHARE` of the strength that is stated."""
    total = sum(stock.nutrients.values())
    named = sum(stock.nutrients.get(name, 0.0) for name in nutrients)
    return bool(total > 0 and named >= MAIN_SHARE * total)


def run_label(view: RunView, window: Interval | None = None) -> str:
    """Return what marks an error as this run's own, or as one part's of it."""
    part = "" if window is None else f" {window.start.isoformat()}"
    return f"{view.run.zone} {view.run.start.isoformat()}{part}"


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


def disagreement(found: Sequence[Way]) -> tuple[Way, Way, float] | None:
    """Return the first two ways whose 95 % intervals do not meet, with the gap of their logarithms.

    Parameters
    ----------
    found : sequence of Way
        Ways to one quantity.

    Returns
    -------
    tuple or None
        One, the other, and ln one - ln other; None where all intervals meet.

    Notes
    -----
    Two right ways of like uncertainty miss each other so in 0.6 % of the runs (computed, normal errors).
    """
    for i, one in enumerate(found):
        for other in found[i + 1 :]:
            gap = linear([1.0, -1.0], [one.log, other.log])
            if abs(gap.value) > COVERAGE_FACTOR * (one.log.sd + other.log.sd):
                return one, other, gap.value
    return None


def pooled(found: Sequence[Way], name: str, method: str) -> Way:
    """Return ways that agree as one, by inverse covariance."""
    names = tuple(dict.fromkeys(s for one in found for s in one.sensors))
    return Way(name, combine([one.log for one in found]), found[0].window, names, method)
