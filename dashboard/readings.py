"""Windows of the archive: reads what a window needs, and no more."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from dashboard.windows import Readings, Window, readings, step_for, window
from ingest.readings import Quality

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
    parts = {str(name): rows for name, rows in frame.groupby("sensor", observed=True, sort=False)}
    return {
        name: window(_of_frame(parts.get(name, frame.iloc[:0])), start=start, end=end, step=step)
        for name in sensors
    }


def _of_frame(frame: pd.DataFrame) -> Readings:
    quality = frame["quality"].to_numpy(np.int64)
    kept = quality != Quality.MISSING
    return readings(
        frame["time"].dt.as_unit("us").astype("int64").to_numpy()[kept],
        frame["value"].to_numpy(np.float64)[kept],
        (quality[kept] == Quality.SUSPECT) | (quality[kept] == Quality.BAD),
    )
