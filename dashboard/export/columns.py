"""What a table of the export is made of, and how its values become cells of a fixed type."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyarrow as pa

DIGITS = 12
"""Significant digits of every number. Finer than any meter, a register included, and few enough that CSV, Parquet
and a workbook, which keeps 15, hold the very same number. [-]"""

LEAST = 1e-8
"""Down to this size numbers are rounded in bulk: its power of ten is exact in a double. Computed. [-]"""

Kind = Literal["text", "number", "whole", "yes or no", "time", "day"]

ARROW: Mapping[Kind, pa.DataType] = {
    "text": pa.string(),
    "number": pa.float64(),
    "whole": pa.int64(),
    "yes or no": pa.bool_(),
    "time": pa.timestamp("us", tz="UTC"),
    "day": pa.date32(),
}
"""How each kind is kept in Parquet."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name : str
        Its heading.
    kind : str
        A key of `ARROW`.
    meaning : str
        What it says.
    unit : str
        UCUM code; empty for what has no unit, and "see unit" where another column names it.
    empty : str
        What an empty cell means; empty where none is.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str = ""
    empty: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the export: its name, what one row is, and its columns."""

    name: str
    row: str
    columns: tuple[Column, ...]

    @property
    def schema(self) -> pa.Schema:
        """Columns as Parquet has them, each with its unit and meaning."""
        fields = [
            pa.field(c.name, ARROW[c.kind], metadata={"unit": c.unit, "meaning": c.meaning})
            for c in self.columns
        ]
        return pa.schema(fields, metadata={"table": self.name, "row": self.row, "unit_code": "UCUM"})


Batches = Iterator[pa.Table]
"""Rows of one table, a part at a time, so that memory does not grow with the period."""


def rounded(values: Any) -> np.ndarray:
    """Return numbers to `DIGITS` significant digits; not a number where they are not finite.

    Parameters
    ----------
    values : array_like
        Any shape.

    Returns
    -------
    numpy.ndarray
        Same shape.

    Examples
    --------
    >>> rounded([0.1 + 0.2, 1234567.0123456789, float("inf")]).tolist()
    [0.3, 1234567.01235, nan]
    """
    data = np.asarray(values, float)
    finite = np.where(np.isfinite(data), data, np.nan)
    size = np.abs(finite[finite != 0.0])
    if not ((size >= LEAST) & (size < 10.0**DIGITS) | np.isnan(size)).all():
        return np.asarray(np.vectorize(_one, otypes=[float])(finite))
    with np.errstate(divide="ignore"):
        places = DIGITS - 1 - np.floor(np.log10(np.abs(finite)))
    scale = 10.0 ** np.clip(np.nan_to_num(places, posinf=0.0), 0.0, 20.0)
    return np.asarray(np.round(finite * scale) / scale)


def _one(value: float) -> float:
    """Return one number to `DIGITS` significant digits."""
    return float(f"{value:.{DIGITS}g}") if math.isfinite(value) else math.nan


def table_of(table: Table, rows: Iterable[Mapping[str, object]]) -> pa.Table:
    """Return rows as one batch of a table.

    Parameters
    ----------
    table : Table
        Whose columns.
    rows : iterable of mapping
        Column to value; what is left out is empty. Numbers are rounded, instants brought to UTC.

    Returns
    -------
    pyarrow.Table
        In the table's schema.
    """
    kept = list(rows)
    arrays = [
        pa.array([_cell(row.get(c.name), c.kind) for row in kept], ARROW[c.kind]) for c in table.columns
    ]
    return pa.Table.from_arrays(arrays, schema=table.schema)


def _cell(value: object, kind: Kind) -> object:
    """Return a value as its kind has it; None where there is none."""
    if value is None or value is pd.NaT or (isinstance(value, float) and not math.isfinite(value)):
        return None
    if kind == "number":
        return _one(float(str(value)))
    if kind == "time":
        return pd.Timestamp(str(value)).tz_convert("UTC").to_pydatetime(warn=False)
    if kind == "text":
        return str(value) or None
    return value
