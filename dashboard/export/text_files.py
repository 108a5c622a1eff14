"""Tables as CSV (RFC 4180, UTF-8): safe to open in a spreadsheet, the same bytes for the same rows."""

from __future__ import annotations

import csv
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from dashboard.export.columns import DIGITS

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from dashboard.export.columns import Column, Table

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")
"""First characters by which a spreadsheet may take a text for a formula, the full-width ones among them. Common
practice, no source."""


def harmless(text: str) -> str:
    """Return a text that no spreadsheet runs: one that could be a formula gets a quote mark before it.

    Parameters
    ----------
    text : str
        A word from a file or from the field.

    Returns
    -------
    str
        The same, or with an apostrophe in front.

    Examples
    --------
    >>> harmless("=1+1"), harmless("bench1")
    ("'=1+1", 'bench1')
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def write_csv(path: Path, table: Table, batches: Iterable[pa.Table]) -> int:
    """Write a table.

    Parameters
    ----------
    path : Path
        The file.
    table : Table
        Its columns, which make the heading.
    batches : iterable of pyarrow.Table
        Its rows.

    Returns
    -------
    int
        How many rows there were.
    """
    count = 0
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([column.name for column in table.columns])
        for batch in batches:
            writer.writerows(zip(*(_cells(batch.column(c.name), c) for c in table.columns), strict=True))
            count += batch.num_rows
    return count


def _cells(values: pa.ChunkedArray, column: Column) -> list[str]:
    """Return a column's cells as text; empty where there is nothing."""
    if column.kind == "time":
        return time_cells(values)
    plain = values.to_pylist()
    if column.kind == "text":
        return ["" if v is None else harmless(v) for v in plain]
    if column.kind == "number":
        return ["" if v is None else f"{v:.{DIGITS}g}" for v in plain]
    if column.kind == "yes or no":
        return ["" if v is None else str(v).lower() for v in plain]
    return ["" if v is None else str(v) for v in plain]


def time_cells(values: pa.ChunkedArray) -> list[str]:
    """Return instants in ISO 8601, UTC: to the second, or to the microsecond where one of them needs it.

    Examples
    --------
    >>> time_cells(pa.chunked_array([pa.array([1_780_000_000_000_000, None], pa.timestamp("us", tz="UTC"))]))
    ['2026-05-28T20:26:40Z', '']
    """
    there = pc.is_valid(values).to_numpy(zero_copy_only=False).astype(bool)
    counts = pc.fill_null(values.cast(pa.int64()), 0).to_numpy().astype(np.int64)
    unit = "us" if (counts % 1_000_000).any() else "s"
    instants: np.ndarray = counts.view("datetime64[us]")
    words = [str(word) for word in np.datetime_as_string(instants, unit="us")]
    end = len("2026-01-01T00:00:00") if unit == "s" else None
    return [f"{word[:end]}Z" if known else "" for word, known in zip(words, there.tolist(), strict=True)]
