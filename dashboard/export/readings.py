"""Readings at the resolution that was asked for, a day at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from analysis.quality.outcomes import WORDS, Outcome
from dashboard.export.catalogue import FLAGGED, READINGS
from dashboard.export.columns import Batches, rounded
from ingest.errors import UserError
from ingest.quantities import QUANTITIES, parse
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Iterable

    from analysis.quality.daily import DayFlags
    from analysis.quality.outcomes import Status
    from ingest.installation import Installation

DAY_S = 86_400
"""Seconds of a day."""

Keep = Callable[[pa.Table], object]
"""Takes a batch of a table that is written beside another."""


def resolution_s(text: str) -> int:
    """Read a resolution as a person writes it.

    Parameters
    ----------
    text : str
        For example ``"1min"``, ``"10 s"`` or ``"1 h"``.

    Returns
    -------
    int
        Length of a bucket: whole seconds that divide a day. [s]

    Raises
    ------
    UserError
        If it is none.

    Examples
    --------
    >>> resolution_s("1min"), resolution_s("10 s"), resolution_s("1 h")
    (60, 10, 3600)
    """
    try:
        seconds = parse(text, "time")
    except ValueError as error:
        msg = f'--resolution {text!r}: expected a time, like "1min", "10 s" or "1 h" ({error})'
        raise UserError(msg) from error
    whole = round(seconds)
    if whole < 1 or abs(seconds - whole) > 1e-9 * whole or DAY_S % whole:
        msg = f'--resolution {text!r}: expected whole seconds that divide a day, like "1min", "10 s" or "1 h"'
        raise UserError(msg)
    return whole


def reading_batches(
    installation: Installation,
    days: Iterable[DayFlags],
    start: pd.Timestamp,
    end: pd.Timestamp,
    bucket_s: int,
    keep: Keep,
) -> Batches:
    """Yield the readings of a period, one batch a day.

    Parameters
    ----------
    installation : Installation
        The system.
    days : iterable of DayFlags
        Readings and their flags, day by day, as `analysis.flagged.flagged_days`.
    start, end : pandas.Timestamp
        The period, end excluded. [UTC]
    bucket_s : int
        Length of a bucket, which divides a day. [s]
    keep : callable
        Takes the readings of each day that are not good, in the columns of `FLAGGED`.

    Yields
    ------
    pyarrow.Table
        In the columns of `READINGS`, by sensor in the order of the installation, then time.
    """
    for day in days:
        inside = (day.readings["time"] >= start) & (day.readings["time"] < end)
        frame = day.readings[inside]
        if len(frame):
            keep(flagged(installation, frame, day.status))
            yield bucketed(installation, frame, bucket_s, day.status)


def flagged(installation: Installation, frame: pd.DataFrame, status: Status) -> pa.Table:
    """Return the readings of a day that are not good, each with the test that says so.

    Parameters
    ----------
    installation : Installation
        The system.
    frame : pandas.DataFrame
        As `analysis.quality.daily.DayFlags.readings`.
    status : {"provisional", "final"}
        Of the day.

    Returns
    -------
    pyarrow.Table
        In the columns of `FLAGGED`.
    """
    place = {name: rank for rank, name in enumerate(installation.sensor)}
    rows = frame[frame["flag"] != Quality.GOOD]
    rows = rows.assign(rank=rows["sensor"].astype(str).map(place)).sort_values(["rank", "time"])
    sensors = [installation.sensor[name] for name in rows["sensor"].astype(str)]
    columns = {
        "time": pa.array(rows["time"]).cast(FLAGGED.schema.field("time").type),
        "sensor": pa.array(rows["sensor"].astype(str), pa.string()),
        "quantity": pa.array([sensor.quantity for sensor in sensors], pa.string()),
        "unit": pa.array([QUANTITIES[sensor.quantity].ucum for sensor in sensors], pa.string()),
        "value": pa.array(rounded(rows["value"]), from_pandas=True),
        "quality": pa.array(rows["flag"].astype(np.int64)),
        "test": pa.array([WORDS[Outcome(int(outcome))] for outcome in rows["outcome"]], pa.string()),
        "status": pa.array([status] * len(rows), pa.string()),
    }
    return pa.Table.from_arrays([columns[c.name] for c in FLAGGED.columns], schema=FLAGGED.schema)


def bucketed(installation: Installation, frame: pd.DataFrame, bucket_s: int, status: Status) -> pa.Table:
    """Return readings summed up in buckets.

    Parameters
    ----------
    installation : Installation
        The system.
    frame : pandas.DataFrame
        As `analysis.quality.daily.DayFlags.readings`.
    bucket_s : int
        Length of a bucket. [s]
    status : {"provisional", "final"}
        Of the day.

    Returns
    -------
    pyarrow.Table
        In the columns of `READINGS`.
    """
    names = [str(name) for name in frame["sensor"].cat.categories]
    place = {name: rank for rank, name in enumerate(installation.sensor)}
    rank = np.array([place.get(name, len(place)) for name in names])[frame["sensor"].cat.codes.to_numpy()]
    instants = pd.DatetimeIndex(frame["time"]).as_unit("us").asi8
    times = instants // (bucket_s * 1_000_000)
    order = np.lexsort((instants, rank))
    order = order[rank[order] < len(place)]
    rank, times = rank[order], times[order]
    value = frame["value"].to_numpy(float)[order]
    quality = frame["flag"].to_numpy()[order].astype(np.int64)
    first = np.flatnonzero(np.append([True], (np.diff(rank) != 0) | (np.diff(times) != 0))[: len(rank)])
    sums = _sums(value, quality, first)
    return _table(installation, rank[first], times[first] * bucket_s * 1_000_000, sums, status)


def _sums(value: np.ndarray, quality: np.ndarray, first: np.ndarray) -> dict[str, np.ndarray]:
    """Return each bucket's numbers over the readings that are not flagged, given where each bucket begins."""
    if not len(first):
        return {name: np.zeros(0) for name in ("mean", "min", "max", "last", "n", "n_flagged", "quality")}
    good = (quality < Quality.SUSPECT) & np.isfinite(value)
    count = np.add.reduceat(good.astype(np.int64), first)
    size = np.diff(np.append(first, len(value)))
    none = count == 0
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = np.add.reduceat(np.where(good, value, 0.0), first) / count
    newest = np.maximum.reduceat(np.where(good, np.arange(len(value)), -1), first)
    found = {
        "mean": mean,
        "min": np.minimum.reduceat(np.where(good, value, np.inf), first),
        "max": np.maximum.reduceat(np.where(good, value, -np.inf), first),
        "last": value[newest],
    }
    told = {name: np.where(none, np.nan, numbers) for name, numbers in found.items()}
    worst = np.maximum.reduceat(quality, first)
    return told | {"n": count, "n_flagged": size - count, "quality": worst}


def _table(
    installation: Installation,
    rank: np.ndarray,
    begin_us: np.ndarray,
    sums: dict[str, np.ndarray],
    status: Status,
) -> pa.Table:
    """Return buckets as a batch."""
    sensors = list(installation.sensor.items())
    words = {
        "sensor": [name for name, _ in sensors],
        "quantity": [sensor.quantity for _, sensor in sensors],
        "unit": [QUANTITIES[sensor.quantity].ucum for _, sensor in sensors],
    }
    columns = {
        "time": pa.array(begin_us, pa.int64()).cast(READINGS.schema.field("time").type),
        **{name: pa.array(np.array(texts, object)[rank], pa.string()) for name, texts in words.items()},
        **{name: pa.array(rounded(sums[name]), from_pandas=True) for name in ("mean", "min", "max", "last")},
        **{name: pa.array(sums[name].astype(np.int64)) for name in ("n", "n_flagged", "quality")},
        "status": pa.array([status] * len(rank), pa.string()),
    }
    return pa.Table.from_arrays([columns[c.name] for c in READINGS.columns], schema=READINGS.schema)
