"""Tables of readings: made of decoded batches, put in order, their sensors counted by rank."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest.archive import SCHEMA, TIME

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.records import Decoded


def ranks(names: Sequence[str]) -> np.ndarray:
    """Return each name's place in ascending order.

    Examples
    --------
    >>> ranks(["flow", "ec", "level"]).tolist()
    [1, 0, 2]
    """
    rank = np.empty(len(names), np.int32)
    rank[sorted(range(len(names)), key=names.__getitem__)] = np.arange(len(names), dtype=np.int32)
    return rank


def table_of(decoded: Decoded, rows: np.ndarray | slice = slice(None)) -> pa.Table:
    """Return decoded readings as a table.

    Parameters
    ----------
    decoded : Decoded
        Of one batch.
    rows : numpy.ndarray of int, optional
        Which of them, in the order wanted; all in their own order where left out.

    Returns
    -------
    pyarrow.Table
        The dictionary of its sensors is ascending and holds no other names.
    """
    rank = ranks(decoded.names)
    used, codes = np.unique(rank[decoded.code[rows]], return_inverse=True)
    names = sorted(decoded.names)
    return pa.table(
        [
            pa.array(decoded.time_us[rows], TIME),
            pa.DictionaryArray.from_arrays(
                pa.array(codes.astype(np.int32)),
                pa.array([names[code] for code in used.tolist()], pa.string()),
            ),
            pa.array(decoded.value[rows]),
            pa.array(decoded.quality[rows], pa.int8()),
            pa.array(decoded.received_us[rows], TIME),
        ],
        schema=SCHEMA,
    )


def sensors_in(table: pa.Table) -> tuple[list[str], np.ndarray]:
    """Return the sensors' names, ascending, and each row's index into them.

    Parameters
    ----------
    table : pyarrow.Table
        With a column ``sensor``.

    Returns
    -------
    list of str, numpy.ndarray of int32
        So that comparing the indices compares the names.
    """
    column = table.column("sensor").unify_dictionaries().combine_chunks() if table.num_rows else None
    if column is None or len(column) == 0:
        return [], np.empty(0, np.int32)
    names = column.dictionary.to_pylist()
    return sorted(names), ranks(names)[column.indices.to_numpy()]


def in_order(table: pa.Table) -> pa.Table:
    """Return the readings sorted by sensor and time, the sensors' dictionary ascending."""
    names, codes = sensors_in(table)
    times = table.column("time").cast(pa.int64()).to_numpy()
    order = np.lexsort((times, codes))
    if len(order) and not np.array_equal(order, np.arange(len(order))):
        table, codes = table.take(pa.array(order)), codes[order]
    used, codes = np.unique(codes, return_inverse=True)
    found = pa.array([names[code] for code in used.tolist()], pa.string())
    column = pa.DictionaryArray.from_arrays(pa.array(codes.astype(np.int32)), found)
    return table.set_column(table.schema.get_field_index("sensor"), SCHEMA.field("sensor"), column)
