"""What the ingester had to tell, and what it set aside, as tables."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow as pa

from ingest import archive as parquet
from ingest.days import days_of, each_file

if TYPE_CHECKING:
    from pathlib import Path


def read_told(archive: Path, site: str, kind: str, *, first: str = "", last: str = "9999") -> pd.DataFrame:
    """Return the events or the quarantine of some days.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    kind : str
        ``"events"`` or ``"quarantine"``.
    first, last : str
        First and last day wanted, like ``2026-03-01``, in UTC.

    Returns
    -------
    pandas.DataFrame
        Columns of `ingest.archive.SCHEMAS`, in the order of their times. What is still in the journal is
        not among them.

    Raises
    ------
    BusyArchiveError
        If the archive changed every time that it was read.

    Examples
    --------
    >>> from pathlib import Path
    >>> list(read_told(Path("nowhere"), "home", "events").columns)
    ['time', 'kind', 'detail']
    """
    tables = [parquet.SCHEMAS[kind].empty_table()]
    read = functools.partial(parquet.read_file, kind=kind)
    for day in days_of(archive, site, kind):
        if first <= day <= last:
            tables += each_file(archive, f"{kind}/site={site}/date={day}", read)
    frame: pd.DataFrame = pa.concat_tables(tables).unify_dictionaries().to_pandas()
    return frame.sort_values(parquet.SORTED_BY[kind][0], kind="stable", ignore_index=True)
