"""Small installations and hand-made readings, for tests that need to know every number."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from ingest import archive as parquet
from ingest.installation import Installation
from ingest.layout import day_folder, part_name, split_days
from ingest.tables import in_order

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import ArrayLike

MIDNIGHT = pd.Timestamp("2026-05-01", tz="UTC")
"""Start of every hand-made day. [UTC]"""

STEP_S = 10
"""Time between hand-made readings. [s]"""

HEAD = """
name = "Plain"
timezone = "Europe/Lisbon"
supply = { kind = "well", backflow_preventer = "none" }
"""

PUMP = """
[injector.pump]
kind = "proportional pump"
ratio = "1:100"
flow_range = ["200 L/h", "2500 L/h"]
[stock.A]
injector = "pump"
nutrients = { N = "20 g/L" }
dilutions = [["water", "0.50 mS/cm"], ["1:400", "0.92 mS/cm"], ["1:200", "1.33 mS/cm"],
             ["1:100", "2.13 mS/cm"], ["1:50", "3.68 mS/cm"]]
"""


def zone(name: str, **keys: str) -> str:
    """Return the table of a zone whose emitters draw 1000 L/h."""
    extra = "".join(f"{key} = {value}\n" for key, value in keys.items())
    return f'[zone.{name}]\nemitters = [{{ count = 500, flow = "2 L/h" }}]\n{extra}'


def sensor(name: str, quantity: str, point: str, unit: str, **keys: str) -> str:
    """Return the table of a sensor that sends every 10 s unless its keys say otherwise."""
    given = {"interval": f'"{STEP_S} s"', **keys}
    extra = "".join(f"{key} = {value}\n" for key, value in given.items() if value)
    return (
        f'[sensor.{name}]\nquantity = "{quantity}"\npoint = "{point}"\nunit = "{unit}"\n'
        f'source = {{ senml = "urn:dev:ow:plain:{name}" }}\n{extra}'
    )


def installation(*tables: str) -> Installation:
    """Return the installation that these tables describe."""
    return Installation.model_validate(tomllib.loads(HEAD + "\n".join(tables)))


def day(hours: float = 24.0, start: pd.Timestamp = MIDNIGHT) -> pd.DatetimeIndex:
    """Return the times of readings from `start` on. [UTC]"""
    return pd.date_range(start, periods=round(hours * 3600 / STEP_S), freq=f"{STEP_S}s")


def hours_of(times: pd.DatetimeIndex) -> np.ndarray:
    """Return times as hours after `MIDNIGHT`. [h]"""
    return np.asarray((times - MIDNIGHT).total_seconds() / 3600.0)


def on(times: pd.DatetimeIndex, start_h: float, end_h: float) -> np.ndarray:
    """Return 1 from one hour of the day to another, else 0."""
    hours = hours_of(times)
    return np.where((hours >= start_h) & (hours < end_h), 1.0, 0.0)


def series(values: ArrayLike, times: pd.DatetimeIndex | None = None, name: str = "") -> pd.Series:
    """Return readings at these times, by default from `MIDNIGHT` on."""
    data = np.asarray(values, dtype=float)
    return pd.Series(data, day()[: len(data)] if times is None else times, name=name)


def frame(readings: Mapping[str, pd.Series], quality: int = 1) -> pd.DataFrame:
    """Return readings as the store returns them: sorted by sensor and time."""
    parts = [
        pd.DataFrame({"time": s.index, "sensor": name, "value": s.to_numpy(), "quality": np.int8(quality)})
        for name, s in sorted(readings.items())
    ]
    return pd.concat(parts, ignore_index=True)


def write_archive(archive: Path, description: Installation, readings: pd.DataFrame) -> None:
    """Write readings as the archive keeps them: one file a day; received after two seconds unless they say when."""
    known = "received" in readings
    full = readings if known else readings.assign(received=readings["time"] + pd.Timedelta("2s"))
    table = pa.Table.from_pandas(full, preserve_index=False).cast(parquet.SCHEMA)
    for number, (day_, rows) in enumerate(split_days(table.column("time").cast(pa.int64()).to_numpy())):
        folder = archive / day_folder("readings", description.site, day_)
        folder.mkdir(parents=True)
        part = table.take(pa.array(np.flatnonzero(rows) if rows.dtype == bool else rows))
        (folder / part_name(number)).write_bytes(parquet.encode(in_order(part), "readings"))
