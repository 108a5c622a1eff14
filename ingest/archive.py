"""The Parquet form of what is stored: schemas, encodings, one file's bytes, and reading files back."""

from __future__ import annotations

import io
import json
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from ingest.errors import UserError
from ingest.quantities import QUANTITIES
from ingest.row_groups import cuts, may_hold

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from ingest.day_file import DayFile
    from ingest.installation import Installation

US_PER_DAY = 86_400_000_000
"""Microseconds of a day."""

TIME = pa.timestamp("us", tz="UTC")
SCHEMA = pa.schema(
    [
        pa.field("time", TIME, nullable=False),
        pa.field("sensor", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("value", pa.float64(), nullable=False),
        pa.field("quality", pa.int8(), nullable=False),
        pa.field("received", TIME, nullable=False),
    ]
)
"""Columns of the readings; `value` has the stored unit of the sensor's quantity."""

QUARANTINE_SCHEMA = pa.schema(
    [
        pa.field("received", TIME, nullable=False),
        pa.field("reason", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("detail", pa.string(), nullable=False),
        pa.field("count", pa.int64(), nullable=False),
        pa.field("topic", pa.string(), nullable=False),
        pa.field("payload", pa.binary()),
    ]
)
"""Columns of what could not be stored: why, and its bytes in the first of a message's rows."""

EVENTS_SCHEMA = pa.schema(
    [
        pa.field("time", TIME, nullable=False),
        pa.field("kind", pa.dictionary(pa.int32(), pa.string()), nullable=False),
        pa.field("detail", pa.string(), nullable=False),
    ]
)
"""Columns of what the ingester has to tell: sessions that the broker lost, messages that it dropped."""

SCHEMAS = {"readings": SCHEMA, "quarantine": QUARANTINE_SCHEMA, "events": EVENTS_SCHEMA}
"""Folder of the archive to the columns of its files."""

SORTED_BY = {"readings": ("sensor", "time"), "quarantine": ("received",), "events": ("time",)}
"""Folder of the archive to the columns that its files are sorted by."""

METADATA = b"tricklebook"
"""Key of the schema metadata: a JSON object with quantity and UCUM unit of each sensor."""

_DELTA = "DELTA_BINARY_PACKED"
_ENCODINGS = {"time": _DELTA, "received": _DELTA}
_DICTIONARY = {
    "readings": ["sensor", "value", "quality"],
    "quarantine": ["reason", "detail", "topic", "payload"],
    "events": ["kind", "detail"],
}


class DamagedFileError(UserError):
    """Raised when a file of the archive cannot be read."""


def describe(installation: Installation) -> dict[bytes, bytes]:
    """Return the schema metadata that says what each sensor measures, in which unit.

    Returns
    -------
    dict of bytes to bytes
        One key, `METADATA`.
    """
    sensors = {
        name: {"quantity": sensor.quantity, "unit": QUANTITIES[sensor.quantity].ucum}
        for name, sensor in sorted(installation.sensor.items())
    }
    text = json.dumps({"site": installation.site, "unit_code": "UCUM", "sensors": sensors}, sort_keys=True)
    return {METADATA: text.encode()}


def joined_description(files: Sequence[Path]) -> dict[bytes, bytes]:
    """Return the schema metadata of files that become one: every sensor, as the newest file has it.

    Parameters
    ----------
    files : sequence of Path
        Oldest first.
    """
    joined: dict[str, Any] = {}
    for path in files:
        found = json.loads((pq.read_schema(path).metadata or {}).get(METADATA, b"{}"))
        joined = {**joined, **found, "sensors": {**joined.get("sensors", {}), **found.get("sensors", {})}}
    return {METADATA: json.dumps(joined, sort_keys=True).encode()}


def encode(table: pa.Table, kind: str, *, level: int = 1) -> bytes:
    """Return a file's bytes.

    Times in whole steps are stored as differences, values of a quantised sensor by dictionary: a third of
    the default's size or less, and faster.

    Parameters
    ----------
    table : pyarrow.Table
        Rows in the order that `SORTED_BY` says.
    kind : str
        A key of `SCHEMAS`.
    level : int
        Effort of the compression: 1 for files that are merged soon, 9 for those that stay.

    Returns
    -------
    bytes
        A Parquet file, always the same for the same rows.
    """
    sink = io.BytesIO()
    schema = table.schema
    keys = SORTED_BY[kind]
    with pq.ParquetWriter(
        sink,
        schema,
        compression="zstd",
        compression_level=level,
        use_dictionary=_DICTIONARY[kind],
        column_encoding={name: way for name, way in _ENCODINGS.items() if name in schema.names},
        data_page_version="2.0",
        sorting_columns=[pq.SortingColumn(schema.names.index(name)) for name in keys],
    ) as writer:
        for first, after in pairwise(cuts(table) if kind == "readings" else [0, table.num_rows]):
            writer.write_table(table.slice(first, after - first), row_group_size=max(after - first, 1))
    return sink.getvalue()


def read_file(
    path: Path | DayFile,
    *,
    kind: str = "readings",
    columns: Sequence[str] | None = None,
    sensors: Sequence[str] | None = None,
    span_us: tuple[int, int] | None = None,
) -> pa.Table:
    """Read one file, or what it holds of some sensors in some time.

    Parameters
    ----------
    path : Path or DayFile
        A file of the archive.
    kind : str
        A key of `SCHEMAS`.
    columns : sequence of str, optional
        All where left out.
    sensors : sequence of str, optional
        Names wanted, all where left out.
    span_us : (int, int), optional
        First and last instant wanted, both included. [µs since 1970, UTC]

    Returns
    -------
    pyarrow.Table
        In the order of the file.

    Raises
    ------
    FileNotFoundError
        If it is not there.
    DamagedFileError
        If it cannot be read.
    DepotError
        If it stands in a depot that does not answer.
    """
    wanted = list(columns or SCHEMAS[kind].names)
    needed = [*wanted, *(name for name in ("sensor", "time") if name not in wanted and (sensors or span_us))]
    with opened(path) as file:
        groups = [
            index
            for index in range(file.num_row_groups)
            if kind != "readings" or may_hold(file.metadata.row_group(index), sensors, span_us)
        ]
        if kind == "readings" and (sensors or span_us) and groups:
            parts = (file.read_row_group(n, columns=needed, use_threads=False) for n in groups)
            table = pa.concat_tables([_sliced(part, sensors, span_us) for part in parts])
        else:
            table = file.read_row_groups(groups, columns=needed, use_threads=False)
    if kind != "readings":
        table = _filtered(table, sensors, span_us)
    return table.select(wanted).replace_schema_metadata(None)


@contextmanager
def opened(path: Path | DayFile) -> Iterator[pq.ParquetFile]:
    """Open one file for as long as the block lasts.

    Parameters
    ----------
    path : Path or DayFile
        A file of the archive.

    Yields
    ------
    pyarrow.parquet.ParquetFile
        To read from.

    Raises
    ------
    FileNotFoundError
        If it is not there.
    DamagedFileError
        If it cannot be read, also where that shows within the block.
    DepotError
        If it stands in a depot that does not answer.
    """
    try:
        source = path if isinstance(path, Path) else path.open()
        with pq.ParquetFile(source, pre_buffer=False) as file:
            yield file
    except FileNotFoundError:
        raise
    except (OSError, pa.ArrowException) as error:
        if not isinstance(path, Path) and path.depot is not None:
            path.read_bytes()  # a depot that is silent says so itself
        msg = f"{path} is damaged and cannot be read; run: tricklebook archive verify"
        raise DamagedFileError(msg) from error


def _filtered(table: pa.Table, sensors: Sequence[str] | None, span_us: tuple[int, int] | None) -> pa.Table:
    """Return the rows that are wanted of a table in any order."""
    if sensors is not None:
        table = table.filter(pc.is_in(table.column("sensor"), pa.array(sensors, pa.string())))
    if span_us is not None:
        times = table.column("time").cast(pa.int64())
        table = table.filter(pc.and_(pc.greater_equal(times, span_us[0]), pc.less_equal(times, span_us[1])))
    return table


def _sliced(table: pa.Table, sensors: Sequence[str] | None, span_us: tuple[int, int] | None) -> pa.Table:
    """Return the rows that are wanted of a table sorted by sensor and time; the others are let go."""
    column = table.column("sensor").combine_chunks()
    names, codes = column.dictionary.to_pylist(), column.indices.to_numpy()
    times = table.column("time").cast(pa.int64()).to_numpy()
    first, last = (None, None) if span_us is None else span_us
    parts = []
    edges = [0, *(np.flatnonzero(codes[1:] != codes[:-1]) + 1).tolist(), len(codes)]
    for a, b in pairwise(edges if len(codes) else []):
        if sensors is not None and names[codes[a]] not in sensors:
            continue
        low = 0 if first is None else int(np.searchsorted(times[a:b], first))
        high = b - a if last is None else int(np.searchsorted(times[a:b], last, "right"))
        parts.append(np.arange(a + low, a + high))
    rows = np.concatenate(parts) if parts else np.empty(0, np.int64)
    return table if len(rows) == table.num_rows else table.take(pa.array(rows))
