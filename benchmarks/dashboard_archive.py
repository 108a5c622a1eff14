"""Archives for the dashboard's benchmarks: one-second readings of eight sensors, written as the ingester does."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest.archive import describe
from ingest.installation import Installation
from ingest.layout import day_folder, part_name

SENSORS = {
    "supply_pressure": ("pressure", "supply"),
    "head_flow": ("flow", "source"),
    "stock_flow": ("flow", "stock"),
    "source_ec": ("conductivity", "source"),
    "feed_ec": ("conductivity", "mixed"),
    "water_temperature": ("temperature", "source"),
    "bench_pressure": ("pressure", "zone"),
    "bench_end_ec": ("conductivity", "lateral end"),
}
UNITS = {"pressure": "kPa", "flow": "L/h", "conductivity": "mS/cm", "temperature": "°C"}
SPIKE = 987.0
"""The one reading of the supply pressure that must be seen at full range. [kPa]"""


def installation_text() -> str:
    """Return the file of a system of one bench with eight sensors, one reading a second each."""
    parts = [
        'name = "Long Meadow Bench"\ntimezone = "Europe/Lisbon"',
        '[supply]\nkind = "well"\nbackflow_preventer = "none"',
        "[zone.bench]",
    ]
    for name, (quantity, point) in SENSORS.items():
        zone = '\nzone = "bench"' if point in {"zone", "lateral end"} else ""
        parts.append(
            f'[sensor.{name}]\nquantity = "{quantity}"\npoint = "{point}"\nunit = "{UNITS[quantity]}"\n'
            f'interval = "1 s"\nsource = {{ csv = "{name}" }}{zone}'
        )
    return "\n\n".join(parts)


def installation() -> Installation:
    """Return the system that the file describes."""
    return Installation.model_validate(tomllib.loads(installation_text()))


def day_table(day: int, *, spike: bool) -> pa.Table:
    """Return one day [days since 1970] of all sensors, sorted by sensor and time."""
    rng = np.random.default_rng(day)
    seconds = np.arange(86400)
    time = (day * 86400 + seconds) * 1_000_000
    running = (seconds % 10800) < 1500
    values = []
    for name in sorted(SENSORS):
        base = rng.normal(0.0, 0.01, 86400) + np.where(running, 2.0, 0.5) + 0.1 * np.sin(seconds / 13000)
        if spike and name == "supply_pressure":
            base[31_415] = SPIKE
        values.append(np.round(base, 4))
    names = pa.array(sorted(SENSORS), pa.string())
    codes = pa.array(np.repeat(np.arange(len(SENSORS), dtype=np.int32), 86400))
    times = pa.array(np.tile(time, len(SENSORS)), parquet.TIME)
    quality = pa.array(np.ones(86400 * len(SENSORS), np.int8))
    columns = [
        times,
        pa.DictionaryArray.from_arrays(codes, names),
        pa.array(np.concatenate(values)),
        quality,
        times,
    ]
    return pa.Table.from_arrays(columns, schema=parquet.SCHEMA)


def write_days(archive: Path, system: Installation, days: range, spike_on: int) -> None:
    """Write days [days since 1970] that are not there yet, one file each."""
    metadata = describe(system)
    for day in days:
        folder = archive / day_folder("readings", system.site, day)
        path = folder / part_name(1)
        if path.exists():
            continue
        folder.mkdir(parents=True, exist_ok=True)
        table = day_table(day, spike=day == spike_on).replace_schema_metadata(metadata)
        path.write_bytes(parquet.encode(table, "readings"))
