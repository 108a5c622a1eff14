"""The flags of one day: provisional while it is open, final once it is closed and the hour after it is known.

A flag depends on the day's readings, on those of the hour before and after it, and on the description, and on
nothing else: whoever asks again for a day that is closed gets the same flags.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from analysis.prepare import prepare
from analysis.quality.checks import seconds
from analysis.quality.flags import DRY_MARGIN_S, failed_test
from analysis.quality.limits import limits_of
from analysis.quality.outcomes import FLAG_OF, Count, Outcome, Status
from ingest.readings import Quality

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from analysis.quality.limits import Limits
    from ingest.installation import Installation

EDGE = pd.Timedelta(hours=1)
"""Readings before and after a day that its flags may depend on: more than any test reaches, see
`analysis.quality.limits.SPIKE_LONGEST_S`. A day is closed an hour after its end (`ingest.closing.EDGE`)."""

REACH = 2
"""Readings after one that tell whether it is a spike: half of `analysis.quality.checks.SPIKE_WINDOW`. [-]"""


@dataclass(frozen=True, slots=True)
class DayFlags:
    """The flags of one day.

    Attributes
    ----------
    day : pandas.Timestamp
        Midnight at which it begins. [UTC]
    status : {"provisional", "final"}
        Whether they can still change.
    readings : pandas.DataFrame
        The readings of that day, by sensor and time: ``time`` (UTC), ``sensor`` (categorical), ``value`` (stored unit),
        ``flag`` (`ingest.readings.Quality`) and ``outcome`` (`analysis.quality.outcomes.Outcome`).
    """

    day: pd.Timestamp
    status: Status
    readings: pd.DataFrame


def day_flags(
    installation: Installation, readings: pd.DataFrame, day: pd.Timestamp, status: Status
) -> DayFlags:
    """Return the flags of one day.

    Parameters
    ----------
    installation : Installation
        The system.
    readings : pandas.DataFrame
        From `EDGE` before the day to `EDGE` after it, as far as they have come: ``time`` (UTC), ``sensor``, ``value``
        (stored unit), ``quality``. Others are left out.
    day : pandas.Timestamp
        Midnight at which it begins. [UTC]
    status : {"provisional", "final"}
        Final only where the day is closed: then what has not come never will.

    Returns
    -------
    DayFlags
        While they are provisional, the last readings of each sensor that is tested for spikes are not evaluated (2) where
        nothing else speaks against them: the readings that would tell have not come.

    References
    ----------
    UNESCO/IOC Manuals and Guides 54 volume 3 (2013), primary flags; U.S. IOOS QARTOD manuals: of several tests the
    gravest outcome stands.

    Examples
    --------
    >>> import tomllib
    >>> from ingest.installation import Installation
    >>> text = '''name = "Home"
    ... timezone = "UTC"
    ... supply = { kind = "well", backflow_preventer = "none" }
    ... zone.a = {}
    ... sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { csv = "ec" } }'''
    >>> times = pd.date_range("2026-05-01 06:00", periods=8, freq="10s", tz="UTC")
    >>> frame = pd.DataFrame({"time": times, "sensor": pd.Categorical(["ec"] * 8), "quality": np.int8(2)})
    >>> frame["value"] = [0.5, 0.5, 0.5, 3.0, 0.5, 0.5, 0.5, 0.5]
    >>> home, day = Installation.model_validate(tomllib.loads(text)), pd.Timestamp("2026-05-01", tz="UTC")
    >>> day_flags(home, frame, day, "provisional").readings["flag"].tolist()
    [1, 1, 1, 3, 1, 1, 2, 2]
    >>> day_flags(home, frame, day, "final").readings["flag"].tolist()
    [1, 1, 1, 3, 1, 1, 1, 1]
    """
    end = day + pd.Timedelta(days=1)
    asked = (readings["time"] >= day - EDGE) & (readings["time"] < end + EDGE)
    near = readings.loc[asked, ["time", "sensor", "value", "quality"]]
    ready = prepare(installation, near)
    parts = []
    for key, part in near.groupby("sensor", observed=True, sort=True):
        name = str(key)
        if name not in ready.flags:
            continue
        rows = part.sort_values("time").drop_duplicates("time", keep="last")
        limits = limits_of(installation.sensor[name])
        outcome = _outcomes(rows, ready.flags[name].to_numpy(), limits)
        if status == "provisional":
            _wait(rows, outcome, limits)
        inside = ((rows["time"] >= day) & (rows["time"] < end)).to_numpy()
        kept = rows.loc[inside, ["time", "sensor", "value"]]
        parts.append(kept.assign(flag=FLAG_OF[outcome[inside]], outcome=outcome[inside]))
    empty = near.iloc[:0][["time", "sensor", "value"]].assign(flag=np.int8(0), outcome=np.int8(0))
    return DayFlags(day, status, pd.concat(parts, ignore_index=True) if parts else empty)


def _outcomes(rows: pd.DataFrame, flags: NDArray[np.int8], limits: Limits) -> NDArray[np.int8]:
    """Return why each reading of a sensor has its flag."""
    if not (flags >= Quality.SUSPECT).any():
        return np.full(len(flags), Outcome.PASSED, np.int8)
    index = pd.DatetimeIndex(rows["time"])
    series = pd.Series(rows["value"].to_numpy(float), index)
    stored = pd.Series(rows["quality"].to_numpy(np.int8), index)
    outcome = failed_test(series, stored, limits).to_numpy().copy()
    before = FLAG_OF[outcome]
    dry = (flags == Quality.BAD) & (before != Quality.BAD)
    doubted = (flags == Quality.SUSPECT) & (before != Quality.SUSPECT)
    outcome[dry] = Outcome.DRY
    beside = doubted & _near(seconds(index), dry)
    outcome[beside] = Outcome.BESIDE_DRY
    outcome[doubted & ~beside] = Outcome.FLAT
    return outcome


def _near(times: NDArray[np.float64], dry: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return which readings lie no further than `DRY_MARGIN_S` from a dry one."""
    at = times[dry]
    if not len(at):
        return np.zeros(len(times), dtype=bool)
    after = np.searchsorted(at, times)
    left, right = at[np.maximum(after - 1, 0)], at[np.minimum(after, len(at) - 1)]
    return np.asarray(np.minimum(np.abs(times - left), np.abs(right - times)) <= DRY_MARGIN_S)


def _wait(rows: pd.DataFrame, outcome: NDArray[np.int8], limits: Limits) -> None:
    """Mark the last readings, which may still turn out to be spikes, as waiting."""
    known = np.flatnonzero(outcome != Outcome.MISSING)[-REACH - 1 :]
    if limits.spike_s is None or len(known) <= REACH:
        return
    times = seconds(pd.DatetimeIndex(rows["time"]))[known]
    if (times[-1] - times[0]) > limits.spike_s:
        return  # readings so far apart are never tested for spikes
    last = known[-REACH:]
    outcome[last[outcome[last] == Outcome.PASSED]] = Outcome.WAITING


def counts(flags: DayFlags) -> tuple[Count, ...]:
    """Return how many readings of each sensor have each outcome.

    Parameters
    ----------
    flags : DayFlags
        Of one day.

    Returns
    -------
    tuple of Count
        By sensor, then outcome; outcomes that no reading has are left out.
    """
    rows = flags.readings
    sizes = pd.crosstab(rows["sensor"], rows["outcome"])
    return tuple(
        Count(flags.day, flags.status, str(sensor), Outcome(int(outcome)), int(sizes.loc[sensor, outcome]))
        for sensor in sizes.index
        for outcome in sizes.columns
        if sizes.loc[sensor, outcome]
    )
