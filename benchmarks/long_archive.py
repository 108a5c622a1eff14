"""Long archives for the benchmarks of scale: the simulated garden's days, repeated, written as the ingester does."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest.installation import Installation
from ingest.layout import day_folder, part_name
from sample_data.plant import build
from sample_data.schedule import DAY_S, Scenario, session
from sample_data.sensing import readings

if TYPE_CHECKING:
    from collections.abc import Iterable

FIRST_DAY = 20_576
"""The first day of every long archive, 2026-05-03. [days since 1970]"""

BASE_DAYS = 28
"""Days that are simulated; longer archives repeat them. [d]"""

GARDEN = Path(__file__).resolve().parents[1] / "sample_data" / "installation.toml"

SETTLED = 30
"""Days before those that are taken: what the garden has planted goes on evenly by then, so that days repeat. [d]"""

MORNING_S = 8 * 3600
"""The morning's round has begun by then, the next one has not. [s after midnight, UTC]"""

Day = dict[str, tuple[np.ndarray, np.ndarray]]
"""Sensor to times since midnight [us] and values [stored unit]."""


def garden_text(name: str = "Long Quillfen") -> str:
    """Return the garden's file under another name, so that many sites stand beside each other."""
    text = GARDEN.read_text("utf-8")
    return text.replace("Quillfen Market Garden, Low Sarrow", name, 1)


def garden(name: str = "Long Quillfen") -> Installation:
    """Return the garden under another name."""
    return Installation.model_validate(tomllib.loads(garden_text(name)))


@cache
def base_days(seed: int = 1, days: int = BASE_DAYS) -> tuple[Day, ...]:
    """Return simulated days of every sensor, in each of which every zone is watered once, in the morning."""
    system = garden()
    end = (FIRST_DAY + days + 1) * DAY_S
    plant = build(system, Scenario(seed, days + SETTLED, (session(end),)), until=end)
    plant = replace(plant, runs=tuple(run for run in plant.runs if run.plan.start % DAY_S < MORNING_S))
    made: list[Day] = []
    for day in range(FIRST_DAY, FIRST_DAY + days):
        found = {
            name: readings(plant, name, day * DAY_S, (day + 1) * DAY_S) for name in sorted(system.sensor)
        }
        made.append(
            {name: ((times - day * DAY_S) * 1_000_000, values) for name, (times, values) in found.items()}
        )
    return tuple(made)


def day_table(content: Day, day: int, *, register: float = 0.0) -> pa.Table:
    """Return one day's table, sorted by sensor and time.

    Parameters
    ----------
    content : dict
        What the sensors read, see `Day`.
    day : int
        When. [days since 1970]
    register : float
        Added to volumes, so that registers go on rising from one repetition to the next. [L]
    """
    names = sorted(content)
    times = np.concatenate([content[n][0] for n in names]) + day * parquet.US_PER_DAY
    values = np.concatenate([content[n][1] + (register if n.endswith("_meter") else 0.0) for n in names])
    codes = np.repeat(np.arange(len(names), dtype=np.int32), [len(content[n][0]) for n in names])
    at = pa.array(times, parquet.TIME)
    sensors = pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(names, pa.string()))
    quality = pa.array(np.ones(len(times), np.int8))
    return pa.Table.from_arrays([at, sensors, pa.array(values), quality, at], schema=parquet.SCHEMA)


def write_days(
    archive: Path, system: Installation, days: int, *, seed: int = 1, base: int = BASE_DAYS
) -> None:
    """Write so many days, one file each, as closed days stand in an archive."""
    content = base_days(seed, base)
    tour = max(float(c["water_meter"][1].max()) for c in content) - float(content[0]["water_meter"][1].min())
    for n in range(days):
        table = day_table(content[n % base], FIRST_DAY + n, register=tour * (n // base))
        _write(archive, system, FIRST_DAY + n, [table], part=1)


def write_late(
    archive: Path, system: Installation, day: int, rows: Iterable[tuple[str, float, float]]
) -> None:
    """Write late readings as a further file of their day.

    Parameters
    ----------
    archive : Path
        The archive.
    system : Installation
        Whose.
    day : int
        Days since 1970.
    rows : iterable of (str, float, float)
        Sensor, seconds after midnight, value. [stored unit]
    """
    content: Day = {name: (np.array([round(at * 1e6)]), np.array([value])) for name, at, value in rows}
    folder = archive / day_folder("readings", system.site, day)
    _write(archive, system, day, [day_table(content, day)], part=1 + len(list(folder.iterdir())))


def _write(archive: Path, system: Installation, day: int, tables: list[pa.Table], *, part: int) -> None:
    folder = archive / day_folder("readings", system.site, day)
    folder.mkdir(parents=True, exist_ok=True)
    whole = pa.concat_tables(tables).replace_schema_metadata(parquet.describe(system))
    (folder / part_name(part)).write_bytes(parquet.encode(whole, "readings"))
