"""From the features of a season to one row a day for each zone."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from analysis.results import Feature

    Array = NDArray[np.float64]

KEYS = {
    "steady flow": "flow",
    "steady pressure": "pressure",
    "steady temperature": "temperature",
    "rest pressure": "rest",
}
"""Feature to the word that stands before its sensor in the table's columns."""

DAY_NS = 86_400_000_000_000


@dataclass(frozen=True, slots=True)
class Table:
    """One zone's days with runs.

    Attributes
    ----------
    days : ndarray
        Mean time of the day's runs since 1970. [d]
    first, last : tuple of pandas.Timestamp
        Start of the day's first and last run. [UTC]
    columns : mapping of str to ndarray
        ``"flow:<sensor>"`` [L/h], ``"pressure:<sensor>"``, ``"rest:<sensor>"`` [kPa] and
        ``"temperature:<sensor>"`` [°C] to the day's mean; NaN where there is none.
    """

    days: Array
    first: tuple[pd.Timestamp, ...]
    last: tuple[pd.Timestamp, ...]
    columns: Mapping[str, Array]


def tabulate(features: Iterable[Feature], zone: str) -> Table | None:
    """Gather a zone's features by day.

    Parameters
    ----------
    features : iterable of Feature
        What the runs left behind.
    zone : str
        The zone.

    Returns
    -------
    Table or None
        One row a day (UTC) with a run, in order; None where there is no feature.
    """
    rows = [
        (f.at, f"{KEYS[f.name]}:{f.sensors[0]}", f.value)
        for f in features
        if f.zone == zone and f.name in KEYS and np.isfinite(f.value)
    ]
    if not rows:
        return None
    frame = pd.DataFrame(rows, columns=["at", "key", "value"])
    frame["day"] = frame["at"].dt.floor("D")
    wide = frame.pivot_table(index="day", columns="key", values="value", aggfunc="mean")
    runs = frame.drop_duplicates("at").copy()
    runs["days"] = runs["at"].dt.as_unit("ns").astype("int64") / DAY_NS
    by_day = runs.groupby("day")
    middle = by_day["days"].mean()
    return Table(
        middle.to_numpy(dtype=float),
        tuple(by_day["at"].min()),
        tuple(by_day["at"].max()),
        {str(key): wide[key].to_numpy(dtype=float) for key in wide.columns},
    )


def day_after(table: Table, when: pd.Timestamp) -> int:
    """Return the first day whose last run starts at a time or after it; the number of days where none does.

    Parameters
    ----------
    table : Table
        A zone's days.
    when : pandas.Timestamp
        The time. [UTC]

    Returns
    -------
    int
        Its place in the table.
    """
    return next((i for i, start in enumerate(table.last) if start >= when), len(table.last))
