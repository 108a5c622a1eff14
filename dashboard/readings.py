"""Windows of the archive: reads what a window needs, and no more."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from dashboard.windows import Readings, Window, readings, step_for, window
from ingest.readings import Quality

NONE = readings(np.empty(0, np.int64), np.empty(0))
"""No readings."""

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.feed import Feed
    from ingest.series import Series


def raw_windows(feed: Feed, sensors: Sequence[str], start: int, end: int, width: int) -> dict[str, Window]:
    """Return the windows of some sensors from their readings, read at one go.

    Parameters
    ----------
    feed : Feed
        Where the readings are.
    sensors : sequence of str
        Their names.
    start, end : int
        The window. [us]
    width : int
        Most buckets. [-]

    Returns
    -------
    dict of str to Window
        Readings that are marked missing are left out; those marked suspect or bad are counted as flagged.
    """
    step = step_for(start, end, width)
    found = readings_of(feed, sensors, start // step * step, -(-end // step) * step)
    return {name: window(found[name], start=start, end=end, step=step) for name in sensors}


def readings_of(feed: Feed, sensors: Sequence[str], start: int, end: int) -> dict[str, Readings]:
    """Return the readings of some sensors in a stretch, as windows take them.

    Parameters
    ----------
    feed : Feed
        Where the readings are.
    sensors : sequence of str
        Their names.
    start, end : int
        The stretch, end excluded. [us]

    Returns
    -------
    dict of str to Readings
        Each sensor's, possibly none; flags as for `raw_windows`.
    """
    found = feed.series(sensors, start, end)
    return {name: _readings(found[name]) if name in found else NONE for name in sensors}


def _readings(series: Series) -> Readings:
    quality = series.quality
    if bool((quality <= Quality.NOT_EVALUATED).all()):
        return readings(series.time, series.value)
    value = np.where(quality == Quality.MISSING, np.nan, series.value)
    return readings(series.time, value, (quality == Quality.SUSPECT) | (quality == Quality.BAD))
