"""How complete the readings of a period are, sensor by sensor, counted a day at a time."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from ingest.readings import Quality
from ingest.store import read_readings

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.installation import Installation


@dataclass(frozen=True, slots=True)
class Completeness:
    """What one sensor sent in a period.

    Attributes
    ----------
    sensor : str
        Its name.
    readings : int
        Readings that were stored.
    bad : int
        Of these, flagged suspect, bad or missing when they came in.
    expected : int or None
        Readings that its interval promises; None where it states no interval.
    """

    sensor: str
    readings: int
    bad: int
    expected: int | None

    @property
    def share(self) -> float | None:
        """Readings stored over readings expected, at most 1. [-]"""
        return None if not self.expected else min(1.0, self.readings / self.expected)


def completeness(
    archive: Path, installation: Installation, start: pd.Timestamp, end: pd.Timestamp
) -> tuple[Completeness, ...]:
    """Count what every sensor sent.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose sensors.
    start, end : pandas.Timestamp
        The period. [UTC]

    Returns
    -------
    tuple of Completeness
        One a sensor, in the file's order. Memory is bounded by a day of readings.
    """
    kept = dict.fromkeys(installation.sensor, 0)
    bad = dict.fromkeys(installation.sensor, 0)
    edges = [start, *pd.date_range(start.ceil("D"), end, freq="D"), end]
    for first, last in itertools.pairwise(edges):
        if last <= first:
            continue
        day = read_readings(archive, installation, start=first, end=last)
        flagged = day["quality"].to_numpy() >= Quality.SUSPECT
        names = day["sensor"].astype(str).to_numpy()
        for values, into in ((names, kept), (names[flagged], bad)):
            for name, count in zip(*np.unique(values, return_counts=True), strict=True):
                into[str(name)] = into.get(str(name), 0) + int(count)
    span = (end - start).total_seconds()
    return tuple(
        Completeness(
            name,
            kept[name],
            bad[name],
            None if sensor.interval is None else max(1, round(span / sensor.interval)),
        )
        for name, sensor in installation.sensor.items()
    )
