"""What a chart shows, as a file: each bucket of each sensor, with its unit."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.amounts import estimate_in
from dashboard.beside import shift_s
from dashboard.charts import panels_for
from dashboard.display import quantity_scale, scale
from dashboard.export.text_files import harmless
from dashboard.windows import SECOND, WIDEST

if TYPE_CHECKING:
    from collections.abc import Sequence

    from analysis.results import Estimate, Run
    from dashboard.charts import WindowsOf
    from dashboard.display import Units
    from dashboard.wanted import Wanted
    from ingest.installation import Installation

COLUMNS = (
    "time",
    "sensor",
    "point",
    "quantity",
    "unit",
    "least",
    "mean",
    "greatest",
    "readings",
    "flagged",
    "bucket_s",
)
"""Columns of the file: `time` is the start of the bucket, UTC."""


def seen(installation: Installation, zone: str | None, asked: Wanted, windows_of: WindowsOf) -> pd.DataFrame:
    """Return what a chart shows as a table.

    Parameters
    ----------
    installation : Installation
        The system.
    zone : str or None
        The zone; None for the head.
    asked : Wanted
        Period, width and units, as the chart has them.
    windows_of : callable
        Gives the windows of some sensors.

    Returns
    -------
    pandas.DataFrame
        Columns `COLUMNS`, by sensor and time; values in the reader's units, named in each row. What stands
        beside the chart follows, at its own time.
    """
    parts = _parts(installation, zone, asked, windows_of)
    if asked.beside is not None:
        shift = shift_s(asked.beside, asked.start, installation.tz)
        then = replace(asked, start=asked.start - shift, end=asked.end - shift)
        parts += _parts(installation, asked.beside.zone or zone, then, windows_of)
    table = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=list(COLUMNS))
    return table.drop_duplicates(["time", "sensor"], ignore_index=True)


def _parts(
    installation: Installation, zone: str | None, asked: Wanted, windows_of: WindowsOf
) -> list[pd.DataFrame]:
    """Return a table for each sensor of one chart."""
    names = list(dict.fromkeys(name for panel in panels_for(installation, zone) for name in panel.sensors))
    ends = int(asked.start * SECOND), int(asked.end * SECOND)
    drawn = windows_of(names, *ends, min(asked.width, WIDEST))
    parts = []
    for name in names:
        sensor, found = installation.sensor[name], drawn[name]
        scale = quantity_scale(sensor.quantity, asked.units)
        low, mean, high = (v * scale.factor + scale.offset for v in (found.low, found.mean, found.high))
        time = pd.to_datetime(found.start + found.index * found.step, unit="us", utc=True).as_unit("us")
        columns = (time, name, sensor.point, sensor.quantity, scale.unit, low, mean, high)
        part = dict(zip(COLUMNS, (*columns, found.count, found.flagged, found.step / SECOND), strict=True))
        parts.append(pd.DataFrame(part))
    return parts


def numbers(estimates: Sequence[Estimate], run: Run, units: Units) -> pd.DataFrame:
    """Return a run's numbers as a table: each with its interval, or with why it is not given.

    Parameters
    ----------
    estimates : sequence of Estimate
        Of one run.
    run : Run
        The run.
    units : {"metric", "us"}
        What the reader wants; the unit stands in each row.

    Returns
    -------
    pandas.DataFrame
        Columns `NUMBERS`, one row an estimate.
    """
    rows = []
    for one in (estimate_in(estimate, units) for estimate in estimates):
        shown = scale(one.unit, units)
        value, low, high = (
            None if x is None else x * shown.factor + shown.offset for x in (one.value, one.low, one.high)
        )
        told = (value, low, high, shown.unit, one.level, one.status, one.reason or "", one.method)
        what = (run.zone, run.start, run.end, one.quantity, one.nutrient or "")
        rows.append((*what, *told, " ".join(one.sensors)))
    return pd.DataFrame(rows, columns=list(NUMBERS))


NUMBERS = (
    "zone",
    "run_start",
    "run_end",
    "quantity",
    "nutrient",
    "value",
    "low",
    "high",
    "unit",
    "level",
    "status",
    "reason",
    "method",
    "sensors",
)
"""Columns of a run's numbers; times are UTC, ``low`` and ``high`` the ends of the interval of coverage ``level``."""


def as_csv(table: pd.DataFrame) -> bytes:
    r"""Return a table as CSV, times in ISO 8601 (UTC); texts that a spreadsheet would run get a quote mark.

    Examples
    --------
    >>> as_csv(pd.DataFrame({"sensor": ["=1+1"], "mean": [2.5]}))
    b"sensor,mean\r\n'=1+1,2.5\r\n"
    """
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(table.columns)
    writer.writerows([_cell(value) for value in row] for row in table.itertuples(index=False))
    return out.getvalue().encode("utf-8")


def _cell(value: object) -> object:
    if isinstance(value, pd.Timestamp):
        return value.isoformat().replace("+00:00", "Z")
    if isinstance(value, str):
        return harmless(value)
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.7g}"
    return value


def as_parquet(table: pd.DataFrame) -> bytes:
    """Return a table as Parquet."""
    out = io.BytesIO()
    pq.write_table(pa.Table.from_pandas(table, preserve_index=False), out, compression="zstd")
    return out.getvalue()


def file_name(installation: Installation, zone: str | None, asked: Wanted, kind: str) -> str:
    """Return a name that says what the file holds."""
    start, end = (
        pd.Timestamp(t, unit="s", tz="UTC").strftime("%Y%m%dT%H%M%SZ") for t in (asked.start, asked.end)
    )
    return f"{installation.site}_{zone or 'head'}_{start}_{end}.{kind}"
