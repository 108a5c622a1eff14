"""Windows of the archive: reads what a window needs, and no more."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dashboard.windows import Readings, Window, readings, step_for, window
from ingest.readings import Quality

NONE = readings(np.empty(0, np.int64), np.empty(0))
"""No readings."""

if TYPE_CHECKING:
    from collections.abc import Sequence

    from dashboard.feed import Feed


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
    first, last = start // step * step, -(-end // step) * step
    frame = feed.read(sensors, *(pd.Timestamp(at, unit="us", tz="UTC") for at in (first, last)))
    found = readings_by_sensor(frame)
    return {name: window(found.get(name, NONE), start=start, end=end, step=step) for name in sensors}


def readings_by_sensor(frame: pd.DataFrame) -> dict[str, Readings]:
    """Return each sensor's readings.

    Parameters
    ----------
    frame : pandas.DataFrame
        Readings in the columns of the archive, sorted by sensor and time.

    Returns
    -------
    dict of str to Readings
        Only sensors that have any.
    """
    codes = frame["sensor"].astype("category").cat
    names = [str(name) for name in codes.categories]
    order = codes.codes.to_numpy()
    edges = np.flatnonzero(np.diff(order, prepend=-1, append=-1))
    quality = frame["quality"].to_numpy(np.int64)
    time = frame["time"].dt.as_unit("us").astype("int64").to_numpy()
    value = frame["value"].to_numpy(np.float64)
    value = np.where(quality == Quality.MISSING, np.nan, value)
    flagged = (quality == Quality.SUSPECT) | (quality == Quality.BAD)
    return {names[order[a]]: readings(time[a:b], value[a:b], flagged[a:b]) for a, b in pairwise(edges)}
