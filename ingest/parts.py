"""One file of a day: written with its record, or recorded as it is found."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import pyarrow.parquet as pq

from ingest import archive as parquet
from ingest.checkpoint import FileRecord
from ingest.files import publish
from ingest.layout import kind_of

if TYPE_CHECKING:
    from pathlib import Path

    import pyarrow as pa

LASTING = 9
"""Effort of the compression of files that stay."""


def write_part(archive: Path, folder: str, name: str, table: pa.Table) -> FileRecord:
    """Publish the file of a round and return its record."""
    kind = kind_of(folder)
    data = parquet.encode(table, kind)
    publish(archive / folder / name, data, "parquet" if kind == "readings" else kind)
    return FileRecord(name, hashlib.sha256(data).hexdigest(), table.num_rows, len(data), table.nbytes)


def write_merged(path: Path, kind: str, table: pa.Table) -> FileRecord:
    """Publish a file that stays and return its record."""
    data = parquet.encode(table, kind, level=LASTING)
    publish(path, data, "merged")
    return FileRecord(path.name, hashlib.sha256(data).hexdigest(), table.num_rows, len(data), table.nbytes)


def record_of(path: Path) -> FileRecord:
    """Return the record of a file as it is found."""
    data = path.read_bytes()
    metadata = pq.read_metadata(path)
    weight = sum(metadata.row_group(index).total_byte_size for index in range(metadata.num_row_groups))
    return FileRecord(path.name, hashlib.sha256(data).hexdigest(), metadata.num_rows, len(data), weight)
