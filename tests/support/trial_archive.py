"""An invented trial ground with planted doses, and its readings as the archive keeps them."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
import pyarrow as pa

from ingest import archive as parquet
from ingest.installation import Installation
from ingest.layout import day_folder, part_name, split_days
from ingest.tables import in_order

if TYPE_CHECKING:
    from pathlib import Path

TEXT = """
name = "Marl Hollow Trial Ground"
timezone = "Europe/Lisbon"

[supply]
kind = "well"
backflow_preventer = "reduced pressure"
tested = 2026-03-02

[[water.analysis]]
sampled = 2026-03-01
pH = 7.6
iron = "2.1 mg/L"
bacteria = "400 CFU/mL"

[injector.pump]
kind = "proportional pump"
ratio = "1:100"
flow_range = ["100 L/h", "2500 L/h"]

[stock.A]
injector = "pump"
nutrients = { N = "20 g/L", K2O = "30 g/L" }
strength_accuracy = "1 %"
dilutions = [["water", "0.48 mS/cm"], ["1:200", "1.31 mS/cm"], ["1:100", "2.05 mS/cm"], ["1:50", "3.46 mS/cm"]]

[treatment.full]
description = "the usual feed"
target = { N = "0.4 g/m2 per run", water = "6 L/m2 per run" }
margin = "10 %"

[treatment.rich]
description = "=half as much again"
target = { N = "0.4 g/m2 per run" }
margin = "10 %"
same_as = "full"

[treatment.unsteady]
target = { N = "0.4 g/m2 per run" }
margin = "10 %"

[plot.p1]
zone = "north"
treatment = "full"
block = "1"
area = "30 m2"
share_accuracy = "3 %"

[plot.p2]
zone = "north"
treatment = "full"
block = "2"
area = "30 m2"
share_accuracy = "3 %"

[plot.p3]
zone = "south"
treatment = "full"
block = "3"

[plot.p4]
zone = "east"
treatment = "rich"
block = "-1"

[plot.p5]
zone = "west"
treatment = "unsteady"
"""

ZONES = ("north", "south", "east", "west")
AREA_M2 = 60.0
FLOW_L_H, STOCK_L_H = 1200.0, 12.0
STRENGTH_G_L = 20.0
RUN_S, FIRST_S, STEP_S = 1080, 180, 20
"""Length of a run, when in it the injection begins, and how often the sensors send. [s]"""

SENSORS = {
    "water_flow": ("flow", "source", "L/h", "1 %"),
    "stock_flow": ("flow", "stock", "L/h", "1 %"),
    "feed_ec": ("conductivity", "mixed", "mS/cm", "1 %"),
    **{f"{zone}_valve": ("valve state", "zone", "1", "") for zone in ZONES},
}
"""Sensor to its quantity, point, unit and accuracy."""


class Given(NamedTuple):
    """One run as it really was: zone, start [s since 1970], seconds of injection."""

    zone: str
    start: int
    injected_s: int

    @property
    def nitrogen_g_m2(self) -> float:
        """Nitrogen on a square metre. [g/m2]"""
        return STOCK_L_H * self.injected_s / 3600.0 * STRENGTH_G_L / AREA_M2


def text() -> str:
    """Return the installation file."""
    parts = [TEXT, *(f'[zone.{zone}]\narea = "60 m2"\n' for zone in ZONES)]
    for name, (quantity, point, unit, accuracy) in SENSORS.items():
        zone = f'zone = "{name.removesuffix("_valve")}"\n' if point == "zone" else ""
        stated = f'accuracy = "{accuracy}"\n' if accuracy else ""
        parts.append(
            f'[sensor.{name}]\nquantity = "{quantity}"\npoint = "{point}"\nunit = "{unit}"\n'
            f'interval = "{STEP_S} s"\n{zone}{stated}source = {{ csv = "{name}" }}\n'
        )
    return "\n".join(parts)


def installation() -> Installation:
    """Return the trial ground."""
    return Installation.model_validate(tomllib.loads(text()))


def given(days: int, *, first: str = "2026-06-01") -> list[Given]:
    """Return every run of some days: north and south on target, east half as much again, west as it comes."""
    rng = np.random.default_rng(20)
    on_target = 0.4 * AREA_M2 / STRENGTH_G_L / STOCK_L_H * 3600.0
    factors = {"north": 1.0, "south": 1.01, "east": 1.5, "west": 1.05}
    scatter = {"north": 0.02, "south": 0.02, "east": 0.02, "west": 0.25}
    found = []
    for day in range(days):
        morning = int(pd.Timestamp(f"{first}T06:00", tz="Europe/Lisbon").timestamp()) + 86_400 * day
        for number, zone in enumerate(ZONES):
            seconds = on_target * factors[zone] * np.exp(rng.normal(0.0, scatter[zone]))
            found.append(Given(zone, morning + 3600 * number, STEP_S * round(float(seconds) / STEP_S)))
    return found


def frame(runs: list[Given]) -> pd.DataFrame:
    """Return the readings of the days of some runs, in the archive's columns."""
    first = int(pd.Timestamp(runs[0].start, unit="s").floor("D").timestamp())
    last = int(pd.Timestamp(runs[-1].start, unit="s").ceil("D").timestamp())
    times = np.arange(first, last, STEP_S)
    rng = np.random.default_rng(7)
    parts = []
    for name in SENSORS:
        values = _values(name, times, runs)
        noise = 1.0 + 0.003 * rng.normal(size=len(times)) * ("valve" not in name)
        stamps = pd.to_datetime(times * 1_000_000, unit="us", utc=True).as_unit("us")
        quality = np.ones(len(times), np.int8)
        quality[100:103] = 3
        columns = {
            "time": stamps,
            "sensor": name,
            "value": values * noise,
            "quality": quality,
            "received": stamps,
        }
        parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True)


def _values(name: str, times: np.ndarray, runs: list[Given]) -> np.ndarray:
    """Return what a sensor would say without noise."""
    on, fed = np.zeros(len(times), bool), np.zeros(len(times), bool)
    for run in runs:
        if not name.endswith("_valve") or name == f"{run.zone}_valve":
            on |= (times >= run.start) & (times < run.start + RUN_S)
            begin = run.start + FIRST_S
            fed |= (times >= begin) & (times < begin + run.injected_s)
    if name == "water_flow":
        return np.where(on, FLOW_L_H, 0.0)
    if name == "stock_flow":
        return np.where(fed, STOCK_L_H, 0.0)
    return np.where(fed, 2.05, 0.48) if name == "feed_ec" else on.astype(float)


def write(archive: Path, readings: pd.DataFrame) -> None:
    """Write readings as one part of each day, in the way of the archive."""
    table = pa.Table.from_pandas(readings, preserve_index=False).cast(parquet.SCHEMA)
    for day, rows in split_days(table.column("time").cast(pa.int64()).to_numpy()):
        folder = archive / day_folder("readings", installation().site, day)
        folder.mkdir(parents=True, exist_ok=True)
        part = in_order(table.take(pa.array(np.flatnonzero(rows) if rows.dtype == bool else rows)))
        (folder / part_name(1)).write_bytes(parquet.encode(part, "readings"))


def make(folder: Path, days: int) -> list[Given]:
    """Write the installation file and an archive of some days into a folder; return what was given."""
    runs = given(days)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "installation.toml").write_text(text(), "utf-8")
    write(folder / "archive", frame(runs))
    return runs
