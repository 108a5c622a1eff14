"""Summaries as Parquet files beside the archive: made from it, and made again wherever it has changed.

``ARCHIVE/rollups/site=SLUG/step=SECONDS/PERIOD.parquet``: a month in each file of the fine tiers, a year
in each of the hours', and all days in one. A file is sorted by sensor and time and its row groups hold one sensor each,
so a window reads a few of them. Files are replaced whole; one that cannot be read counts as not made.
"""

from __future__ import annotations

import json
import os
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from dashboard.rollup_periods import periods
from dashboard.rollups import joined
from dashboard.windows import SECOND, Readings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from pathlib import Path

GROUP_ROWS = 10_080
"""Rows in a row group: a week of minutes. [-]"""

READ_ROWS = 16_384
"""Rows that are decoded at once: 0.9 MB; a read of its own for each small row group costs more time. [-]"""

FORMAT = 2
"""Of these files; those of another one count as not made."""

FOOTERS = 64
"""Footers that are kept in memory, each about 0.2 MB; one more costs 0.4 ms to read (measured). [-]"""

_TIME = pa.timestamp("us", tz="UTC")
_SCHEMA = pa.schema(
    [
        ("sensor", pa.string()),
        ("time", _TIME),
        ("low", pa.float64()),
        ("high", pa.float64()),
        ("total", pa.float64()),
        ("count", pa.int64()),
        ("flagged", pa.int64()),
    ]
)
_ARRAYS = ("low", "high", "total", "count", "flagged")


@dataclass(frozen=True, slots=True)
class _Footer:
    """What a file's footer says: the row groups, each with its sensor and its first and last time."""

    stamp: tuple[int, int]
    metadata: pq.FileMetaData
    groups: tuple[tuple[str, int, int], ...]


class RollupFiles:
    """The summaries of one site.

    Parameters
    ----------
    folder : Path
        Where they lie; it is made when the first file is.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._footers: OrderedDict[Path, _Footer] = OrderedDict()
        self._lock = threading.Lock()

    def path(self, tier: int, period: str) -> Path:
        """Return the file of one tier [us] and period."""
        return self.folder / f"step={tier // SECOND}" / f"{period}.parquet"

    def read(self, sensors: Sequence[str], tier: int, start: int, end: int) -> dict[str, Readings]:
        """Return the summaries of some sensors in a stretch.

        Parameters
        ----------
        sensors : sequence of str
            Their names.
        tier : int
            Which summaries. [us]
        start, end : int
            The stretch. [us]

        Returns
        -------
        dict of str to Readings
            Each sensor's rows, possibly none.
        """
        parts: dict[str, list[Readings]] = {sensor: [] for sensor in sensors}
        for period in periods(start, end, tier):
            for sensor, rows in self._read_file(self.path(tier, period), set(sensors), start, end):
                parts[sensor].append(rows)
        return {sensor: joined(found) for sensor, found in parts.items()}

    def _read_file(self, path: Path, sensors: set[str], start: int, end: int) -> list[tuple[str, Readings]]:
        footer = self._footer(path)
        if footer is None:
            return []
        wanted = [
            (number, sensor)
            for number, (sensor, first, last) in enumerate(footer.groups)
            if sensor in sensors and last >= start and first < end
        ]
        if not wanted:
            return []
        found: list[tuple[str, Readings]] = []
        with pq.ParquetFile(path, metadata=footer.metadata, pre_buffer=False) as file:
            for batch in _batches(footer.metadata, wanted):
                found += _parts_of(file, batch, start, end)
        return found

    def _footer(self, path: Path) -> _Footer | None:
        """Return a file's footer, from memory where the file is still the same."""
        try:
            status = path.stat()
        except FileNotFoundError:
            return None
        stamp = (status.st_mtime_ns, status.st_ino)
        with self._lock:
            known = self._footers.get(path)
            if known is not None and known.stamp == stamp:
                self._footers.move_to_end(path)
                return known
        try:
            metadata = pq.read_metadata(path)
        except (pa.ArrowInvalid, OSError):
            return None
        groups = tuple(_described(metadata.row_group(n)) for n in range(metadata.num_row_groups))
        footer = _Footer(stamp, metadata, groups)
        with self._lock:
            self._footers[path] = footer
            while len(self._footers) > FOOTERS:
                self._footers.popitem(last=False)
        return footer

    def replace(self, tier: int, period: str, days: Mapping[int, Mapping[str, Readings]]) -> None:
        """Write one file anew: the rows of some days are replaced, the others stay.

        Parameters
        ----------
        tier : int
            Which summaries. [us]
        period : str
            Which file.
        days : mapping of int to mapping of str to Readings
            Day [days since 1970] to each sensor's summaries of that day.
        """
        path = self.path(tier, period)
        old = self._all(path)
        gone = np.array(sorted(days), np.int64)
        tables = []
        for sensor in sorted(set(old) | {name for day in days.values() for name in day}):
            kept = old.get(sensor)
            parts = [] if kept is None else [_without(kept, gone)]
            parts += [days[day][sensor] for day in sorted(days) if sensor in days[day]]
            rows = joined(parts)
            if len(rows.time):
                tables.append((sensor, _sorted(rows)))
        _write(path, tables)

    def _all(self, path: Path) -> dict[str, Readings]:
        footer = self._footer(path)
        if footer is None:
            return {}
        sensors = {sensor for sensor, _, _ in footer.groups}
        parts: dict[str, list[Readings]] = {}
        for sensor, rows in self._read_file(path, sensors, -(2**62), 2**62):
            parts.setdefault(sensor, []).append(rows)
        return {sensor: joined(found) for sensor, found in parts.items()}

    def known_days(self) -> dict[str, str]:
        """Return each day that is summed up, with the mark of the files that it was made from."""
        try:
            found = json.loads((self.folder / "days.json").read_text("utf-8"))
        except (FileNotFoundError, ValueError):
            return {}
        if (
            not isinstance(found, dict)
            or found.get("format") != FORMAT
            or not isinstance(found.get("days"), dict)
        ):
            return {}
        return {str(day): str(mark) for day, mark in found["days"].items()}

    def note_days(self, days: Mapping[str, str]) -> None:
        """Keep which days are summed up, and from what."""
        self.folder.mkdir(parents=True, exist_ok=True)
        spare = self.folder / f".days.{os.getpid()}"
        spare.write_text(json.dumps({"format": FORMAT, "days": dict(sorted(days.items()))}), "utf-8")
        spare.replace(self.folder / "days.json")


def _described(group: pq.RowGroupMetaData) -> tuple[str, int, int]:
    sensor, time = group.column(0).statistics, group.column(1).statistics
    first, last = (
        int(np.datetime64(t.replace(tzinfo=None), "us").astype(np.int64)) for t in (time.min, time.max)
    )
    return str(sensor.min), first, last


def _batches(
    metadata: pq.FileMetaData, wanted: Sequence[tuple[int, str]]
) -> Iterator[list[tuple[int, str, int]]]:
    """Yield row groups, each with its number, sensor and rows, as many at once as memory is well spent on."""
    batch: list[tuple[int, str, int]] = []
    for number, sensor in wanted:
        rows = metadata.row_group(number).num_rows
        if batch and sum(known for _, _, known in batch) + rows > READ_ROWS:
            yield batch
            batch = []
        batch.append((number, sensor, rows))
    yield batch


def _parts_of(
    file: pq.ParquetFile, batch: Sequence[tuple[int, str, int]], start: int, end: int
) -> list[tuple[str, Readings]]:
    """Return the rows of some row groups in a stretch [us]; the rest is let go, so that many readers need little."""
    numbers = [number for number, _, _ in batch]
    table = file.read_row_groups(numbers, columns=["time", *_ARRAYS], use_threads=False).combine_chunks()
    time, *others = (
        table.column(name).chunk(0).to_numpy(zero_copy_only=False) for name in table.column_names
    )
    time, after, found = time.view(np.int64), 0, []
    for _, sensor, rows in batch:
        first, after = after, after + rows
        low, high = first + np.searchsorted(time[first:after], [start, end])
        rest = (array[low:high].copy() for array in (time, *others))
        found.append((sensor, Readings(*rest)))
    return found


def _without(data: Readings, days: np.ndarray) -> Readings:
    return data.part(~np.isin(data.time // (86400 * SECOND), days))


def _sorted(data: Readings) -> Readings:
    return data.part(np.argsort(data.time, kind="stable"))


def _write(path: Path, tables: Sequence[tuple[str, Readings]]) -> None:
    """Write a file under another name and put it in place."""
    path.parent.mkdir(parents=True, exist_ok=True)
    spare = path.with_name(f".{path.name}.{os.getpid()}")
    with pq.ParquetWriter(
        spare,
        _SCHEMA,
        compression="zstd",
        use_dictionary=["sensor"],
        column_encoding={
            **dict.fromkeys(("low", "high", "total"), "BYTE_STREAM_SPLIT"),
            **dict.fromkeys(("time", "count", "flagged"), "DELTA_BINARY_PACKED"),
        },
    ) as writer:
        for sensor, rows in tables:
            columns = [pa.array([sensor] * len(rows.time)), pa.array(rows.time, _TIME)]
            columns += [pa.array(getattr(rows, name)) for name in _ARRAYS]
            writer.write_table(pa.Table.from_arrays(columns, schema=_SCHEMA), row_group_size=GROUP_ROWS)
    spare.replace(path)
