"""What runs' clear-out times were read from, kept for as long as the runs and their numbers stay the same."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pandas as pd

    from analysis.clearout.picture import Picture
    from analysis.results import Estimate, Run
    from dashboard.feed import Feed

KEPT = 32
"""Most pictures in memory: more than ten viewers look at. [-]"""

Key = tuple["Run", tuple[float | str | None, ...]]


class Pictures:
    """Pictures of runs, read from the archive when they are asked for.

    Parameters
    ----------
    feed : Feed
        Where readings come from.
    """

    def __init__(self, feed: Feed) -> None:
        self.feed = feed
        self._kept: dict[Key, Picture | str] = {}
        self._lock = threading.Lock()

    def of(self, run: Run, estimates: Sequence[Estimate]) -> Picture | str:
        """Return a run's picture; made anew where the run or its clear-out time has changed."""
        found = [e for e in estimates if e.quantity == "clear-out time"]
        key = run, tuple(part for e in found for part in (e.value, e.reason))
        with self._lock:
            if key not in self._kept:
                self._kept = dict([*self._kept.items(), (key, self._made(run))][-KEPT:])
            return self._kept[key]

    def _made(self, run: Run) -> Picture | str:
        from analysis.clearout.picture import picture  # noqa: PLC0415 - the analysis is large, and few look at runs

        names = list(self.feed.installation.sensor)

        def read(start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
            return self.feed.read(names, start, end)

        return picture(self.feed.installation, read, run)
