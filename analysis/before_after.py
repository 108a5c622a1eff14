"""What a service changed: run values of the days before it against those of the days after it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from analysis.diagnosis.baseline_line import CORRELATION
from analysis.diagnosis.clogging import BESIDE_SERVICE, FEWEST_BESIDE
from analysis.results import LEVEL

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from analysis.results import Estimate

DAY = pd.Timedelta(days=1)

SURE = 1.0 - LEVEL
"""A probability by chance below this is told as a change. [-]"""


@dataclass(frozen=True, slots=True)
class BeforeAfter:
    """A quantity before and after a service, or why the data cannot tell.

    Attributes
    ----------
    quantity : str
        What was compared.
    unit : str
        Its unit.
    before, after : tuple of float or None
        Mean of the days' means and its 95 % interval: value, low, high. [`unit`]
    change : tuple of float or None
        After less before, with its 95 % interval. [`unit`]
    p : float or None
        Two-sided probability of as much by chance. [-]
    days : tuple of int
        Days compared before and after.
    reason : str
        Why there is no comparison; empty where there is one.
    """

    quantity: str
    unit: str
    before: tuple[float, float, float] | None = None
    after: tuple[float, float, float] | None = None
    change: tuple[float, float, float] | None = None
    p: float | None = None
    days: tuple[int, int] = (0, 0)
    reason: str = ""

    @property
    def changed(self) -> bool:
        """Whether the change is more than chance."""
        return self.p is not None and self.p < SURE


def compare(
    quantity: str,
    estimates: Sequence[Estimate],
    service: pd.Timestamp,
    tz: ZoneInfo,
    *,
    since: pd.Timestamp | None = None,
    until: pd.Timestamp | None = None,
) -> BeforeAfter:
    """Compare the days before a service with the days after it.

    Parameters
    ----------
    quantity : str
        What is compared, for the words.
    estimates : sequence of Estimate
        Its estimates, one a run; refused ones are left out.
    service : pandas.Timestamp
        When the service was done. [UTC]
    tz : ZoneInfo
        Whose days.
    since, until : pandas.Timestamp, optional
        The service before and the one after, which end what can be compared. [UTC]

    Returns
    -------
    BeforeAfter
        Of at most `BESIDE_SERVICE` days on each side, the nearest ones; the day of the service is split at its
        moment. With fewer than `FEWEST_BESIDE` days on a side, the reason.

    References
    ----------
    Welch, B.L. (1947). The generalization of Student's problem. Biometrika 34:28-35 (from memory), on daily
    means, their variance widened by (1 + r) / (1 - r) for the day-to-day correlation r of the diagnosis.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> compare("flow", [], pd.Timestamp("2026-05-01", tz="UTC"), ZoneInfo("UTC")).reason
    'no run before the service and none after it has this number'
    """
    told = [e for e in estimates if e.status == "ok" and e.value is not None and e.run_start is not None]
    unit = told[0].unit if told else ""
    rows = [(e.run_start, e.value) for e in told if _within(e, since, until)]
    frame = pd.DataFrame(rows, columns=["at", "value"])
    sides = [
        _daily(frame[frame["at"] < service], tz)[-BESIDE_SERVICE:],
        _daily(frame[frame["at"] >= service], tz)[:BESIDE_SERVICE],
    ]
    days = (sides[0].size, sides[1].size)
    if min(days) < FEWEST_BESIDE:
        return BeforeAfter(quantity, unit, days=days, reason=_lacking(days))
    return _welch(quantity, unit, sides[0], sides[1])


def _within(estimate: Estimate, since: pd.Timestamp | None, until: pd.Timestamp | None) -> bool:
    """Return whether a run lies between the services next to the one that is judged."""
    at = estimate.run_start
    return at is not None and (since is None or at >= since) and (until is None or at < until)


def _daily(frame: pd.DataFrame, tz: ZoneInfo) -> np.ndarray:
    """Return the mean of each local day's runs, in order."""
    if frame.empty:
        return np.zeros(0)
    days = pd.DatetimeIndex(frame["at"]).tz_convert(tz).normalize()
    return frame["value"].astype(float).groupby(days).mean().to_numpy(float)


def _lacking(days: tuple[int, int]) -> str:
    """Return why there is no comparison."""
    if days == (0, 0):
        return "no run before the service and none after it has this number"
    return f"{days[0]} days before and {days[1]} days after the service have this number; {FEWEST_BESIDE} are needed on each side"


def _welch(quantity: str, unit: str, before: np.ndarray, after: np.ndarray) -> BeforeAfter:
    """Return the comparison of two samples of daily means."""
    wide = (1.0 + CORRELATION) / (1.0 - CORRELATION)
    parts = [wide * float(side.var(ddof=1)) / side.size for side in (before, after)]
    freedom = [side.size - 1 for side in (before, after)]
    spread = sum(parts)
    change = float(after.mean() - before.mean())
    if spread == 0.0:
        return BeforeAfter(
            quantity,
            unit,
            days=(before.size, after.size),
            reason="the values do not scatter at all, so chance cannot be judged",
        )
    joint = spread**2 / sum(part**2 / free for part, free in zip(parts, freedom, strict=True))
    p = float(2.0 * stats.t.sf(abs(change) / np.sqrt(spread), joint))
    ends = [
        _spread(float(side.mean()), part, free)
        for side, part, free in zip((before, after), parts, freedom, strict=True)
    ]
    return BeforeAfter(
        quantity, unit, ends[0], ends[1], _spread(change, spread, joint), p, (before.size, after.size)
    )


def _spread(value: float, variance: float, freedom: float) -> tuple[float, float, float]:
    """Return a value with the ends of its interval."""
    half = float(stats.t.isf(SURE / 2.0, freedom)) * float(np.sqrt(variance))
    return value, value - half, value + half
