"""One quality flag a reading, from the tests of `analysis.quality.checks` and what the sensor's description says."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.quality.checks import out_of_range, seconds, spikes, stuck, too_fast
from analysis.quality.gaps import longest_gap_s
from analysis.quality.outcomes import FLAG_OF, Outcome, at_the_door
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.quality.limits import Limits
    from analysis.results import Interval
    from ingest.installation import Sensor

SPIKE_SHARE = 0.1
"""Least height of a spike against the reading around it. [-] Common practice, no source."""

SPIKE_NOISES = 8.0
"""Least height of a spike in standard deviations of the sensor's own noise; at 8 normal noise gives
less than one false spike in a million sensor-years at one reading in 10 s. [-] Computed."""

STUCK_AT_LEAST_S = 900.0
"""Shortest stretch of one value that is called stuck while water flows. [s] Common practice, no source."""

STUCK_TIMES = 20.0
"""How much longer than all other stretches a stuck one is. [-] Common practice, no source."""

DRY_EC = 0.02
"""EC below which a cell is out of the water, unless the water is known to be that pure. [mS/cm]
Cells in air read 0.001 to 0.02 mS/cm in the measured stream data of the tests (NEON, DP1.20190.001)."""

DRY_SHARE = 0.6
"""The same for water of known EC below `DRY_EC` / `DRY_SHARE`, as a share of that EC. [-] No source."""

DRY_MARGIN_S = 60.0
"""How long before and after a dry stretch an EC cell is not trusted: half in, half out. [s] No source."""


def noise(series: pd.Series) -> float:
    """Return a sensor's noise from the differences of successive readings.

    Parameters
    ----------
    series : pandas.Series
        Readings by time, none missing. [any]

    Returns
    -------
    float
        Standard deviation, blind to steps and spikes; 0 for a quantised sensor at rest. [as `series`]

    References
    ----------
    Median absolute deviation over 0.6745 for a normal population (computed), of differences, hence over
    the square root of 2.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=5, freq="10s", tz="UTC")
    >>> noise(pd.Series([1.0, 1.0, 1.0, 5.0, 5.0], times))
    0.0
    """
    if len(series) < 2:  # noqa: PLR2004 - a difference takes two readings
        return 0.0
    return float(np.median(np.abs(np.diff(series.to_numpy()))) / 0.6745 / math.sqrt(2.0))


def flag(series: pd.Series, stored: pd.Series, limits: Limits) -> pd.Series:
    """Return one flag a reading.

    Parameters
    ----------
    series : pandas.Series
        Readings of one sensor, by ascending time. [stored unit]
    stored : pandas.Series of int
        Their flags as stored, on the same index: what was called suspect, bad or missing at the door
        stays so.
    limits : Limits
        See `analysis.quality.limits.limits_of`.

    Returns
    -------
    pandas.Series of int8
        `ingest.readings.Quality`, on the index of `series`.

    Examples
    --------
    >>> from analysis.quality.limits import limits_of
    >>> from ingest.installation import Sensor
    >>> sensor = Sensor(quantity="pressure", point="supply", unit="kPa", source={"csv": "p"},
    ...                 range=["0 kPa", "600 kPa"])
    >>> times = pd.date_range("2026-01-01", periods=4, freq="10s", tz="UTC")
    >>> readings = pd.Series([300.0, 900.0, np.nan, 310.0], times)
    >>> flag(readings, pd.Series(1, times), limits_of(sensor)).tolist()
    [1, 4, 9, 1]
    """
    return pd.Series(FLAG_OF[failed_test(series, stored, limits).to_numpy()], index=series.index)


def failed_test(series: pd.Series, stored: pd.Series, limits: Limits) -> pd.Series:
    """Return the test that each reading failed, the gravest where there are several.

    Parameters
    ----------
    series, stored, limits
        As for `flag`.

    Returns
    -------
    pandas.Series of int8
        `analysis.quality.outcomes.Outcome`, on the index of `series`; `FLAG_OF` has the flag of each.
    """
    found = pd.Series(np.int8(Outcome.PASSED), index=series.index)
    outside = out_of_range(series, low=limits.low, high=limits.high)
    usable = series.where(~outside & ~stored.isin((Quality.BAD, Quality.MISSING)))
    brief, fast = _jumps(usable, limits)
    found[fast] = Outcome.RATE
    found[brief] = Outcome.SPIKE
    found[outside] = Outcome.RANGE
    found[series.isna()] = Outcome.MISSING
    return pd.Series(np.maximum(found, at_the_door(stored.to_numpy())).astype(np.int8), index=series.index)


def _jumps(usable: pd.Series, limits: Limits) -> tuple[pd.Series, pd.Series]:
    """Flag spikes, and impossible rates of change."""
    brief = pd.Series(data=False, index=usable.index)
    fast = brief
    known = usable.dropna()
    if known.empty:
        return brief, fast
    sd = noise(known)
    if limits.spike_s is not None:
        level = np.abs(known.to_numpy())
        scale = float(np.median(level[level > 0])) if (level > 0).any() else 0.0
        limit = max(SPIKE_NOISES * sd, SPIKE_SHARE * scale, limits.error + limits.share * scale)
        if limit > 0:
            brief = spikes(usable, limit=limit, longest_s=limits.spike_s, share=SPIKE_SHARE)
    if limits.per_second is not None:
        calm = usable.where(~brief)
        fast = too_fast(calm, per_second=limits.per_second, slack=SPIKE_NOISES * sd + limits.error)
    return brief, fast


def flag_stuck(series: pd.Series, flags: pd.Series, moving: Sequence[Interval], sensor: Sensor) -> pd.Series:
    """Return the flags with a sensor that is stuck while water moves marked as suspect.

    Parameters
    ----------
    series : pandas.Series
        Readings of one sensor, by ascending time. [stored unit]
    flags : pandas.Series of int8
        Their flags, on the same index.
    moving : sequence of Interval
        When the quantity should move: runs. At rest a flow of 0, a shut valve or a static pressure
        repeats itself for hours, and that is health.
    sensor : Sensor
        Its description.

    Returns
    -------
    pandas.Series of int8
        On the index of `series`.
    """
    if sensor.quantity not in ("flow", "pressure", "conductivity"):
        return flags
    during = np.zeros(len(series), dtype=bool)
    for stretch in moving:
        during |= (series.index >= stretch.start) & (series.index < stretch.end)
    part = series[during & (flags == Quality.GOOD).to_numpy()]
    part = part[part != 0.0]
    found = stuck(
        part,
        eps=0.0,
        at_least_s=STUCK_AT_LEAST_S,
        times_longer=STUCK_TIMES,
        longest_gap_s=longest_gap_s(sensor.interval),
    )
    return flags.mask(found.reindex(series.index, fill_value=False), np.int8(Quality.SUSPECT)).astype(np.int8)


def flag_dry(series: pd.Series, flags: pd.Series, water_ec: float | None = None) -> pd.Series:
    """Return the flags of an EC cell with its readings out of the water marked as bad.

    Parameters
    ----------
    series : pandas.Series
        EC readings by ascending time. [mS/cm]
    flags : pandas.Series of int8
        Their flags, on the same index.
    water_ec : float or None
        EC of the water alone, where it is known. [mS/cm]

    Returns
    -------
    pandas.Series of int8
        On the index of `series`; readings within `DRY_MARGIN_S` of a dry one are suspect.

    Examples
    --------
    >>> times = pd.date_range("2026-01-01", periods=4, freq="50s", tz="UTC")
    >>> flag_dry(pd.Series([0.5, 0.5, 0.4, 0.004], times), pd.Series(np.int8(1), times)).tolist()
    [1, 1, 3, 4]
    """
    floor = DRY_EC if water_ec is None else min(DRY_EC, DRY_SHARE * water_ec)
    dry = (series < floor).to_numpy()
    if not dry.any():
        return flags
    times = seconds(pd.DatetimeIndex(series.index))
    at = times[dry]
    after = np.searchsorted(at, times)
    near = np.minimum(
        np.abs(times - at[np.maximum(after - 1, 0)]), np.abs(at[np.minimum(after, len(at) - 1)] - times)
    )
    doubt = np.where(dry, Quality.BAD, np.where(near <= DRY_MARGIN_S, Quality.SUSPECT, Quality.GOOD))
    return pd.Series(np.maximum(flags.to_numpy(), doubt).astype(np.int8), index=series.index)
