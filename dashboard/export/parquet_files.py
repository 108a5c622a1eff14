"""Tables as Parquet: units and meanings in the schema, the same bytes for the same rows."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING

import pyarrow.parquet as pq

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
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
    with writing(path, table) as add:
        return sum(add(batch) for batch in batches)


@contextmanager
def writing(path: Path, table: Table) -> Iterator[Callable[[pa.Table], int]]:
    """Yield what adds a batch, as a row group, to a new file of a table, and says how many rows it had."""
    with pq.ParquetWriter(path, table.schema, compression="zstd", compression_level=9) as writer:

        def add(batch: pa.Table) -> int:
            if batch.num_rows:
                writer.write_table(batch, row_group_size=batch.num_rows)
            return int(batch.num_rows)

        yield add


def read_batches(path: Path) -> Iterator[pa.Table]:
    """Yield the row groups of a file."""
    with pq.ParquetFile(path, pre_buffer=False) as file:
        for group in range(file.num_row_groups):
            yield file.read_row_group(group, use_threads=False)
