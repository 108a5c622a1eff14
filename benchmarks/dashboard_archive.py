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
VALUES = {
    "supply_pressure": (320.0, 300.0, 1.0, 0.1, 0, False),
    "head_flow": (0.0, 800.0, 4.0, 0.5, 0, False),
    "stock_flow": (0.0, 8.0, 0.05, 0.01, 0, True),
    "source_ec": (0.48, 0.48, 0.003, 0.001, 0, False),
    "feed_ec": (0.48, 2.05, 0.006, 0.001, 0, True),
    "water_temperature": (18.0, 17.5, 0.02, 0.01, 0, False),
    "bench_pressure": (0.0, 100.0, 0.3, 0.1, 0, False),
    "bench_end_ec": (0.48, 2.05, 0.006, 0.001, 180, True),
}
"""Sensor to its value at rest and at work, noise and step [stored unit], delay [s], and whether only while
stock enters."""

SPIKE = 987.0
"""The one reading of the supply pressure that must be seen at full range. [kPa]"""


def installation_text() -> str:
    """Return the file of a system of one bench with eight sensors, one reading a second each."""
    parts = [
        'name = "Long Meadow Bench"\ntimezone = "Europe/Lisbon"',
        '[supply]\nkind = "well"\nbackflow_preventer = "none"',
        '[injector.pump]\nkind = "proportional pump"\nratio = "1:100"',
        '[stock.A]\ninjector = "pump"\nnutrients = { N = "20 g/L" }',
        '[zone.bench]\narea = "60 m2"\nemitters = [{ count = 400, flow = "2 L/h" }]\ntarget = { ratio = "1:100" }',
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
    """Return one day [days since 1970] of all sensors, sorted by sensor and time.

    A run of 25 min every three hours, stock from its fifth to its fifteenth minute; every reading has noise
    of its own, in the steps of a usual transmitter.
    """
    rng = np.random.default_rng(day)
    seconds = np.arange(86400)
    time = (day * 86400 + seconds) * 1_000_000
    at = seconds % 10800
    values = []
    for name in sorted(SENSORS):
        rest, work, spread, step, late, injected = VALUES[name]
        first, last = (300, 900) if injected else (0, 1500)
        on = (at >= first + late) & (at < last + late)
        level = np.where(on, work, rest) * (1 + 0.02 * np.sin(seconds / 13000))
        level += spread * rng.normal(size=86400) * (rest > 0 or on)
        level = np.round(level / step) * step
        if spike and name == "supply_pressure":
            level[31_415] = SPIKE
        values.append(level)
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
        path.write_bytes(parquet.encode(table, "readings", level=9))
