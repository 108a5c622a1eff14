"""Row groups of a file of readings: where they are cut, and what their statistics say without decoding them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime

    import pyarrow as pa
    import pyarrow.parquet as pq

LEAST, MOST = 8_192, 32_768
"""Rows of a row group: one sensor's where it has at least so many, so that reading one does not decode the others, and
some hours of it where it has more. A group costs half a kilobyte and a tenth of a millisecond (measured)."""

TIME, SENSOR, QUALITY = 0, 1, 3
"""Places of columns in `ingest.archive.SCHEMA`."""


def cuts(table: pa.Table) -> list[int]:
    """Return where the row groups of a file of readings begin and end.

    Parameters
    ----------
    table : pyarrow.Table
        Sorted by sensor and time.

    Returns
    -------
    list of int
        From 0 to the number of rows; few readings share one row group, whatever their sensors.

    Examples
    --------
    >>> import pyarrow as pa
    >>> names = pa.array(["a"] * 9_000 + ["b"] * 40_000).dictionary_encode()
    >>> cuts(pa.table({"sensor": names}))
    [0, 9000, 29000, 49000]
    """
    ends = [table.num_rows]
    if table.num_rows > LEAST:
        codes = table.column("sensor").unify_dictionaries().combine_chunks().indices.to_numpy()
        ends = [*(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist(), table.num_rows]
    found = [0]
    for end in ends:
        rows = end - found[-1]
        if rows >= LEAST or end == table.num_rows:
            count = max(1, -(-rows // MOST))
            found += [end - rows + rows * n // count for n in range(1, count + 1)]
    return found


def may_hold(
    group: pq.RowGroupMetaData, sensors: Collection[str] | None, span_us: tuple[int, int] | None
) -> bool:
    """Tell from its statistics whether a row group can hold what is wanted.

    Parameters
    ----------
    group : pyarrow.parquet.RowGroupMetaData
        Of one row group.
    sensors : collection of str or None
        Names wanted, all where None.
    span_us : (int, int) or None
        First and last instant wanted, both included. [µs since 1970, UTC]
    """
    if sensors is not None:
        found = limits(group, SENSOR)
        if found is not None and not any(found.min <= name <= found.max for name in sensors):
            return False
    if span_us is not None:
        found = limits(group, TIME)
        if found is not None:
            first, last = (int(end.timestamp() * 1e6) for end in (found.min, found.max))
            return last + 1 >= span_us[0] and first - 1 <= span_us[1]
    return True


def newest(metadata: pq.FileMetaData) -> list[int]:
    """Return the row groups of a file that can hold the newest reading of a sensor.

    Parameters
    ----------
    metadata : pyarrow.parquet.FileMetaData
        Of a file of readings.

    Returns
    -------
    list of int
        Their numbers: of those with one sensor alone, its last one; all others.
    """
    found: list[int] = []
    last: dict[str | int, tuple[datetime, int]] = {}
    for number in range(metadata.num_row_groups):
        group = metadata.row_group(number)
        sensor, time = only(group, SENSOR), limits(group, TIME)
        if sensor is None or time is None:
            found.append(number)
        else:
            last[sensor] = max(last.get(sensor, (time.max, number)), (time.max, number))
    return sorted([*found, *(number for _, number in last.values())])


def only(group: pq.RowGroupMetaData, column: int) -> str | int | None:
    """Return the one value that a column has in a row group; None where its statistics do not say that.

    Parameters
    ----------
    group : pyarrow.parquet.RowGroupMetaData
        Of one row group.
    column : int
        `SENSOR` or `QUALITY`.
    """
    found = limits(group, column)
    if found is None or found.min != found.max:
        return None
    value: str | int = found.min
    return value


def limits(group: pq.RowGroupMetaData, column: int) -> pq.Statistics | None:
    """Return what a row group says of a column's least and greatest value, if it does.

    Parameters
    ----------
    group : pyarrow.parquet.RowGroupMetaData
        Of one row group.
    column : int
        `TIME`, `SENSOR` or `QUALITY`.
    """
    found = group.column(column).statistics
    return found if found is not None and found.has_min_max else None
