"""Tables as Parquet: units and meanings in the schema, the same bytes for the same rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    import pyarrow as pa

    from dashboard.export.columns import Table


def write_parquet(path: Path, table: Table, batches: Iterable[pa.Table]) -> int:
    """Write a table, each batch a row group.

    Parameters
    ----------
    path : Path
        The file.
    table : Table
        Its columns.
    batches : iterable of pyarrow.Table
        Its rows.

    Returns
    -------
    int
        How many rows there were.
    """
    count = 0
    with pq.ParquetWriter(path, table.schema, compression="zstd", compression_level=9) as writer:
        for batch in batches:
            writer.write_table(batch, row_group_size=max(1, batch.num_rows))
            count += batch.num_rows
    return count


def read_batches(path: Path) -> Iterator[pa.Table]:
    """Yield the row groups of a file."""
    with pq.ParquetFile(path, pre_buffer=False) as file:
        for group in range(file.num_row_groups):
            yield file.read_row_group(group, use_threads=False)
