"""Every reading of a day with its flag, its test and whether it is final: one Parquet file a day."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analysis.quality.outcomes import WORDS
from dashboard.export.catalogue import FLAGGED, FLAGS
from ingest.files import TEMPORARY

if TYPE_CHECKING:
    from pathlib import Path

    from analysis.quality.daily import DayFlags

COLUMNS = ("time", "sensor", "value", "quality", "test")
"""Columns of a file, named and meant as in the export's table `flagged`; `sensor` and `test` are dictionaries."""

SCHEME = "IOC/IODE primary flags (UNESCO/IOC Manuals and Guides 54 vol. 3, 2013), as QARTOD: " + FLAGS
"""Which numbering the flags have: an older one of the same name had others."""


def flag_table(day: DayFlags) -> pa.Table:
    """Return a day's readings with their flags.

    Parameters
    ----------
    day : DayFlags
        The day.

    Returns
    -------
    pyarrow.Table
        Columns `COLUMNS`, by sensor and time; its schema's metadata say ``status``, ``day`` and the scheme of the flags.
    """
    rows = day.readings.assign(sensor=day.readings["sensor"].astype(str)).sort_values(["sensor", "time"])
    words = [WORDS[outcome] for outcome in sorted(WORDS)]
    columns = [
        pa.array(rows["time"]).cast(pa.timestamp("us", tz="UTC")),
        pa.array(rows["sensor"], pa.string()).dictionary_encode(),
        pa.array(rows["value"].to_numpy(float)),
        pa.array(rows["flag"].to_numpy(np.int8)),
        pa.DictionaryArray.from_arrays(pa.array(rows["outcome"].to_numpy(np.int8)), pa.array(words)),
    ]
    meant = {column.name: column for column in FLAGGED.columns}
    fields = [
        pa.field(name, column.type, metadata={"meaning": meant[name].meaning, "unit": meant[name].unit})
        for name, column in zip(COLUMNS, columns, strict=True)
    ]
    said = {"status": day.status, "day": f"{day.day:%Y-%m-%d}", "flags": SCHEME}
    return pa.Table.from_arrays(columns, schema=pa.schema(fields, metadata=said))


def write_day(folder: Path, site: str, day: DayFlags) -> Path:
    """Write one day's flags, the same bytes for the same flags, in the place of what stood there before.

    Parameters
    ----------
    folder : Path
        Where; made where it is missing.
    site : str
        The installation's name as it stands in archive paths.
    day : DayFlags
        The day.

    Returns
    -------
    Path
        ``site=SITE/date=YYYY-MM-DD/flags.parquet`` in the folder.
    """
    path = folder / f"site={site}" / f"date={day.day:%Y-%m-%d}" / "flags.parquet"
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f"{TEMPORARY}{path.name}")
    pq.write_table(flag_table(day), temporary, compression="zstd", compression_level=9)
    return temporary.replace(path)
