"""Readings at the resolution that was asked for, a day at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from dashboard.export.catalogue import READINGS
from dashboard.export.columns import Batches, rounded
from ingest.errors import UserError
from ingest.quantities import QUANTITIES, parse
from ingest.readings import Quality

if TYPE_CHECKING:
    from ingest.installation import Installation

DAY_S = 86_400
"""Seconds of a day."""

Reader = Callable[[pd.Timestamp, pd.Timestamp], pd.DataFrame]
"""Returns the stored readings between two instants, by sensor and time, as `ingest.store.read_readings`."""


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
    installation: Installation, read: Reader, start: pd.Timestamp, end: pd.Timestamp, bucket_s: int
) -> Batches:
    """Yield the readings of a period, one batch a day.

    Parameters
    ----------
    installation : Installation
        The system.
    read : Reader
        Where readings come from.
    start, end : pandas.Timestamp
        The period, end excluded. [UTC]
    bucket_s : int
        Length of a bucket, which divides a day. [s]

    Yields
    ------
    pyarrow.Table
        In the columns of `READINGS`, by sensor in the order of the installation, then time.
    """
    midnight = start.floor("D")
    while midnight < end:
        following = midnight + pd.Timedelta(days=1)
        frame = read(max(start, midnight), min(end, following))
        if len(frame):
            yield bucketed(installation, frame, bucket_s)
        midnight = following


def bucketed(installation: Installation, frame: pd.DataFrame, bucket_s: int) -> pa.Table:
    """Return readings summed up in buckets.

    Parameters
    ----------
    installation : Installation
        The system.
    frame : pandas.DataFrame
        Readings by sensor and time, as `ingest.store.read_readings`.
    bucket_s : int
        Length of a bucket. [s]

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
    quality = frame["quality"].to_numpy()[order].astype(np.int64)
    first = np.flatnonzero(np.append([True], (np.diff(rank) != 0) | (np.diff(times) != 0))[: len(rank)])
    return _table(
        installation, rank[first], times[first] * bucket_s * 1_000_000, _sums(value, quality, first)
    )


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
    installation: Installation, rank: np.ndarray, begin_us: np.ndarray, sums: dict[str, np.ndarray]
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
    }
    return pa.Table.from_arrays([columns[c.name] for c in READINGS.columns], schema=READINGS.schema)
