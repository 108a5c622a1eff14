"""Readings of some sensors in a short stretch, as plain arrays: what a curve needs, read as quickly as it can be."""

from __future__ import annotations

import functools
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest.days import days_of, each_file
from ingest.layout import day_folder
from ingest.row_groups import QUALITY, SENSOR, may_hold, only
from ingest.store import overlaps, tail_table
from ingest.tables import in_order

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from ingest.day_file import DayFile
    from ingest.installation import Installation

FEW_DAYS = 8
"""Up to so many days are looked into one by one; listing a year costs as much as reading one of its hours. [d]"""


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one sensor.

    Attributes
    ----------
    time : numpy.ndarray of int64
        Ascending, no instant twice. [µs since 1970, UTC]
    value : numpy.ndarray of float64
        Of the same length. [stored unit]
    quality : numpy.ndarray of int8
        Their flags, see `ingest.readings.Quality`.
    """

    time: NDArray[np.int64]
    value: NDArray[np.float64]
    quality: NDArray[np.int8]


def read_series(
    archive: Path, installation: Installation, sensors: Sequence[str], start_us: int, end_us: int
) -> dict[str, Series]:
    """Return stored readings, archived or not yet: those of `ingest.store.read_readings`, without a table.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Whose readings.
    sensors : sequence of str
        Names wanted.
    start_us, end_us : int
        First instant wanted, and the first one not wanted any more. [µs since 1970, UTC]

    Returns
    -------
    dict of str to Series
        Only sensors that have any reading there.

    Raises
    ------
    BusyArchiveError
        If the archive changed every time that it was read.

    Examples
    --------
    >>> from pathlib import Path
    >>> import tomllib
    >>> from ingest.installation import Installation
    >>> text = '''name = "Home"
    ... timezone = "UTC"
    ... supply = { kind = "well", backflow_preventer = "none" }
    ... zone.a = {}
    ... sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { csv = "ec" } }'''
    >>> read_series(Path("nowhere"), Installation.model_validate(tomllib.loads(text)), ["ec"], 0, 1)
    {}
    """
    span = (start_us, end_us - 1)
    tail = tail_table(archive, installation, sensors, span)
    read = functools.partial(_in_file, sensors=frozenset(sensors), span=span)
    parts: dict[str, list[Series]] = {}
    for folder in _folders(archive, installation.site, span):
        for found in each_file(archive, folder, read):
            _sort_in(parts, found)
    if tail.num_rows:
        _sort_in(parts, _parts_of(in_order(tail), None, None, frozenset(sensors), span))
    return {name: _one(found) for name, found in parts.items()}


def _folders(archive: Path, site: str, span: tuple[int, int]) -> list[str]:
    """Return the folders of days to be looked into, oldest first; few are not looked for among all of a long archive."""
    first, last = (at // parquet.US_PER_DAY for at in span)
    if last - first < FEW_DAYS:
        return [day_folder("readings", site, day) for day in range(first, last + 1)]
    days = (day for day in days_of(archive, site) if overlaps(day, span))
    return [f"readings/site={site}/date={day}" for day in days]


def _sort_in(parts: dict[str, list[Series]], found: Iterable[tuple[str, Series]]) -> None:
    for name, series in found:
        parts.setdefault(name, []).append(series)


def _in_file(file: DayFile, sensors: Collection[str], span: tuple[int, int]) -> list[tuple[str, Series]]:
    """Return the stretches of sensors that a file holds; only row groups that may hold any are decoded."""
    found: list[tuple[str, Series]] = []
    with parquet.opened(file) as source:
        for number in range(source.num_row_groups):
            group = source.metadata.row_group(number)
            if not may_hold(group, sensors, span):
                continue
            alone, flag = only(group, SENSOR), only(group, QUALITY)
            names = ["time", "value", *(["sensor"] * (alone is None)), *(["quality"] * (flag is None))]
            table = source.read_row_group(number, columns=names, use_threads=False)
            found += _parts_of(table, alone, flag, sensors, span)
    return found


def _parts_of(
    table: pa.Table,
    alone: str | int | None,
    flag: str | int | None,
    sensors: Collection[str],
    span: tuple[int, int],
) -> list[tuple[str, Series]]:
    """Return the stretches of single sensors that are wanted; the rest of the table is let go."""
    time, value = _array(table, "time").view(np.int64), _array(table, "value")
    quality = _array(table, "quality") if flag is None else np.full(len(time), flag, np.int8)
    names, edges = ([str(alone)], [0, len(time)]) if alone is not None else _edges(table)
    found = []
    for name, (a, b) in zip(names, pairwise(edges), strict=True):
        if name in sensors:
            low, high = np.searchsorted(time[a:b], span[0]), np.searchsorted(time[a:b], span[1], "right")
            kept = slice(a + int(low), a + int(high))
            if low < high:
                found.append((name, Series(time[kept].copy(), value[kept].copy(), quality[kept].copy())))
    return found


def _array(table: pa.Table, column: str) -> np.ndarray:
    """Return a column without copying it where it lies in one piece."""
    chunks = table.column(column).chunks
    array = chunks[0] if len(chunks) == 1 else pa.concat_arrays(chunks)
    return np.asarray(array.to_numpy(zero_copy_only=False))


def _edges(table: pa.Table) -> tuple[list[str], list[int]]:
    """Return the sensor of each stretch of one sensor, and where the stretches begin and end."""
    column = table.column("sensor").unify_dictionaries().combine_chunks()
    codes, names = column.indices.to_numpy(), column.dictionary.to_pylist()
    edges = [0, *(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist(), len(codes)] if len(codes) else [0]
    return [str(names[code]) for code in codes[edges[:-1]]], edges


def _one(parts: Sequence[Series]) -> Series:
    """Put stretches of one sensor together; of readings at one instant, that of the first stretch stays."""
    first, *more = parts
    whole = first if not more else Series(*map(np.concatenate, zip(*map(_columns, parts), strict=True)))
    if bool((whole.time[1:] > whole.time[:-1]).all()):
        return whole
    order = np.argsort(whole.time, kind="stable")
    time = whole.time[order]
    order = order[np.concatenate([[True], time[1:] != time[:-1]])]
    return Series(*(column[order] for column in _columns(whole)))


def _columns(series: Series) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return series.time, series.value, series.quality
