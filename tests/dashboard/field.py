"""An invented field for the dashboard's tests: readings by simple rules, written as the archive keeps them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa

from ingest import archive as parquet
from ingest.layout import day_folder, part_name, split_days
from ingest.tables import in_order

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.installation import Installation

INSTALLATION = """
name = "Brackendale Test Beds"
timezone = "Europe/Lisbon"

[supply]
kind = "potable"
backflow_preventer = "reduced pressure"
tested = 2026-03-02

[injector.pump]
kind = "proportional pump"
ratio = "1:100"
flow_range = ["200 L/h", "1500 L/h"]
max_static_pressure = "400 kPa"

[stock.A]
injector = "pump"
nutrients = { N = "20 g/L", K2O = "30 g/L" }
dilutions = [["water", "0.48 mS/cm"], ["1:400", "0.93 mS/cm"], ["1:200", "1.31 mS/cm"],
             ["1:100", "2.05 mS/cm"], ["1:50", "3.46 mS/cm"]]

[head]
order = ["backflow preventer", "filter", "pressure regulator", "flow meter", "injector", "valve"]

[zone.bench1]
area = "60 m2"
emitters = [{ count = 400, flow = "2 L/h" }]
target = { ratio = "1:100", N = "0.4 g/m2 per run", ec = ["1.9 mS/cm", "2.4 mS/cm"] }

[zone.bench2]
area = "48 m2"
emitters = [{ count = 320, flow = "2 L/h" }]
target = { ratio = "1:100", ec = ["1.9 mS/cm", "2.4 mS/cm"] }
"""

SENSORS = {
    "supply_pressure": ("pressure", "supply", None),
    "head_flow": ("flow", "source", None),
    "stock_flow": ("flow", "stock", None),
    "source_ec": ("conductivity", "source", None),
    "feed_ec": ("conductivity", "mixed", None),
    "feed_temperature": ("temperature", "mixed", None),
    "bench1_valve": ("valve state", "zone", "bench1"),
    "bench1_pressure": ("pressure", "zone", "bench1"),
    "bench1_end_pressure": ("pressure", "lateral end", "bench1"),
    "bench1_end_ec": ("conductivity", "lateral end", "bench1"),
    "bench2_valve": ("valve state", "zone", "bench2"),
    "bench2_pressure": ("pressure", "zone", "bench2"),
}
"""Sensor to its quantity, point and zone."""

LEVELS = {
    ("valve state", "zone"): (0.0, 1.0, 0.0),
    ("flow", "source"): (0.0, 800.0, 4.0),
    ("flow", "stock"): (0.0, 8.0, 0.05),
    ("pressure", "supply"): (320.0, 300.0, 1.0),
    ("pressure", "zone"): (0.0, 100.0, 0.3),
    ("pressure", "lateral end"): (0.0, 92.0, 0.3),
    ("conductivity", "source"): (0.48, 0.48, 0.003),
    ("conductivity", "mixed"): (0.48, 2.05, 0.006),
    ("conductivity", "lateral end"): (0.48, 2.05, 0.006),
    ("temperature", "mixed"): (18.0, 18.0, 0.1),
}
"""Quantity and point to the values at rest and at work, and the spread of the noise. [stored unit]"""

UNITS = {"pressure": "kPa", "flow": "L/h", "conductivity": "mS/cm", "temperature": "°C", "valve state": "1"}
INTERVAL_S = 10
RUN_S, INJECTION_S = 1500, (300, 900)
"""Length of a run, and the part of it in which stock enters. [s]"""


def installation_text() -> str:
    """Return the installation file."""
    parts = [INSTALLATION]
    for name, (quantity, point, zone) in SENSORS.items():
        lines = [
            f"[sensor.{name}]",
            f'quantity = "{quantity}"',
            f'point = "{point}"',
            f'unit = "{UNITS[quantity]}"',
            f'interval = "{INTERVAL_S} s"',
            f'source = {{ csv = "{name}" }}',
        ]
        parts.append("\n".join([*lines, f'zone = "{zone}"' if zone else ""]))
    return "\n\n".join(parts)


def values(sensor: str, times: np.ndarray, runs: list[tuple[float, str]]) -> np.ndarray:
    """Return what a sensor says at some times [s], given the starts of the runs and their zones."""
    quantity, point, zone = SENSORS[sensor]
    late = 180 if point == "lateral end" else 0
    on, fed = np.zeros(len(times), bool), np.zeros(len(times), bool)
    for start, watered in runs:
        if zone in (None, watered):
            on |= (times >= start) & (times < start + RUN_S)
            fed |= (times >= start + INJECTION_S[0] + late) & (times < start + INJECTION_S[1] + late)
    active = fed if point == "stock" or quantity == "conductivity" else on
    low, high, spread = LEVELS[quantity, point]
    noise = np.random.default_rng(len(sensor) * 7919).normal(size=len(times))
    return np.where(active, high, low) + spread * noise * (1 if low else active)


def frame(
    start_s: float, end_s: float, runs: list[tuple[float, str]], sensors: list[str] | None = None
) -> pd.DataFrame:
    """Return readings of a period [s since 1970], in the archive's columns."""
    times = np.arange(start_s, end_s, INTERVAL_S)
    stamps = pd.to_datetime((times * 1e6).astype(np.int64), unit="us", utc=True).as_unit("us")
    parts = [
        pd.DataFrame(
            {
                "time": stamps,
                "sensor": name,
                "value": values(name, times, runs),
                "quality": np.int8(1),
                "received": stamps,
            }
        )
        for name in sensors or SENSORS
    ]
    return pd.concat(parts, ignore_index=True)


def write(archive: Path, installation: Installation, readings: pd.DataFrame, number: int) -> None:
    """Write readings as one more part of each day, in the way of the archive."""
    table = pa.Table.from_pandas(readings, preserve_index=False).cast(parquet.SCHEMA)
    times = table.column("time").cast(pa.int64()).to_numpy()
    for day, rows in split_days(times):
        folder = archive / day_folder("readings", installation.site, day)
        folder.mkdir(parents=True, exist_ok=True)
        part = in_order(table.take(pa.array(np.flatnonzero(rows) if rows.dtype == bool else rows)))
        (folder / part_name(number)).write_bytes(parquet.encode(part, "readings"))


def usual_runs(now_s: float) -> list[tuple[float, str]]:
    """Return runs of the last twelve hours: each bench in turn, the last one going on."""
    first = now_s - 1200
    return [(first - 5400 * k, "bench1" if k % 2 == 0 else "bench2") for k in range(8)]
