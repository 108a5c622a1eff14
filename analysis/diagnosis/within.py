"""A restriction or a break within one run: the flow leaves the level that it held minutes before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from numpy.typing import NDArray

BLOCK = "20s"
"""Readings are averaged over this. Measured loop data: noise of single readings is 1 to 2 %."""

REFERENCE, GAP, RECENT = 15, 2, 2
"""Blocks of the reference, blocks left out after it, and blocks of the present. [-] Five minutes against 40 s."""

LEAST_SHARE = 0.035
"""Change that counts. [-] A measured sound loop wanders by up to 3.2 % in these windows (water loop data, anomaly-free
file, 2.6 h): one file, so the rate of false alarms beyond it is not known."""


@dataclass(frozen=True, slots=True)
class Departure:
    """One departure of the flow.

    Attributes
    ----------
    start, end : pandas.Timestamp
        First and last block of it.
    share : float
        Largest change against the minutes before. [-]
    """

    start: pd.Timestamp
    end: pd.Timestamp
    share: float


def departures(flow: pd.Series, *, share: float = LEAST_SHARE) -> list[Departure]:
    """Return where a flow that was steady falls or rises.

    Parameters
    ----------
    flow : pandas.Series
        Flow in a run by ascending time, start-up left out. [any]
    share : float
        Change that counts. [-]

    Returns
    -------
    list of Departure
        By time. A departure ends when the flow has been at its new level for the length of the reference.

    Examples
    --------
    >>> times = pd.date_range("2026-05-01", periods=900, freq="1s", tz="UTC")
    >>> values = np.where(np.arange(900) < 600, 100.0, 90.0)
    >>> [round(d.share, 2) for d in departures(pd.Series(values, times))]
    [-0.1]
    """
    blocks = flow.resample(BLOCK).mean()
    reference = blocks.rolling(REFERENCE, min_periods=REFERENCE - 2).median().shift(GAP)
    recent = blocks.rolling(RECENT).mean()
    change = ((recent - reference) / reference).to_numpy(dtype=float)
    found = []
    for start, stop in _spans(np.abs(np.nan_to_num(change)) > share):
        part = change[start:stop]
        worst = float(part[np.abs(part).argmax()])
        found.append(Departure(blocks.index[start], blocks.index[stop - 1], worst))
    return found


def _spans(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edges = np.flatnonzero(np.diff(np.concatenate(([False], mask, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
