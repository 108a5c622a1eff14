"""Archives of the sample garden over weeks and months, with what was planted beside them, written day by day.

The garden and its sensors are those of ``sample_data``; only the plan differs: no tries by hand, and one fault
of a kind that a record must tell.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest.archive import describe
from ingest.layout import day_folder, part_name
from sample_data import sensing
from sample_data.pipes import Steady, steady
from sample_data.plant import BYPASS, REGULATED_KPA, THROTTLE_KPA, Plant, WetRun
from sample_data.schedule import Irrigation, Scenario, irrigations, session

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from ingest.installation import Installation


DAY_S = 86_400
"""A day. [s]"""

LOST_SUPPLY = 0.05
"""Pressure left where a main has burst and the preventer lets it go with the supply, as a share of the usual. [-]"""

FIRST_DAY = 20_545
"""The first day of every season, 2 April 2026. [d since 1970]"""


@dataclass(frozen=True, slots=True)
class Fault:
    """What is planted in a season; nothing by default.

    Attributes
    ----------
    strength : float
        Stock of the pump as a share of what it should give. [-]
    clogging : tuple of float
        Loss of bench2's emitters a day [1/d], the day it begins, and the day on which a service ends it [d].
    dead : tuple of (str, float, float)
        Sensor and the days between which it says nothing. [d]
    backflow : tuple of float
        Days between which the supply has lost its pressure, and the preventer does not hold. [d]
    """

    strength: float = 1.0
    clogging: tuple[float, float, float] = (0.0, 0.0, np.inf)
    dead: tuple[tuple[str, float, float], ...] = ()
    backflow: tuple[float, float] = (np.inf, np.inf)


def season(installation: Installation, fault: Fault, days: int, *, seed: int = 7) -> Plant:
    """Return the garden's season: four rounds of all zones a day, no tries by hand.

    Parameters
    ----------
    installation : Installation
        The sample garden.
    fault : Fault
        What is planted.
    days : int
        Length. [d]
    seed : int
        Of the sensors' errors and noise.

    Returns
    -------
    Plant
        Ready for `write`.
    """
    far = (FIRST_DAY + days + 30) * DAY_S
    scenario = Scenario(seed, days + 30, (session(far),))
    until = (FIRST_DAY + days) * DAY_S
    solved: dict[tuple[str, float], Steady] = {}
    runs = []
    for plan in irrigations(scenario, installation.tz, until):
        at = plan.zone, _open_share(plan, fault)
        if at not in solved:
            solved[at] = steady(
                installation.zone[plan.zone], head_kpa=_head(installation, plan), open_share=at[1]
            )
        runs.append(_wet(installation, plan, solved[at], fault))
    return Plant(installation, scenario, tuple(runs), until)


def _open_share(plan: Irrigation, fault: Fault) -> float:
    """Return what is left of the emitters' flow, in steps of a day. [-]"""
    day = plan.start // DAY_S - FIRST_DAY
    growth, begin, mended = fault.clogging
    return 1.0 - growth * max(0.0, day - begin) if plan.zone == "bench2" and day < mended else 1.0


def _head(installation: Installation, plan: Irrigation) -> float:
    """Return the pressure at the head of a zone's main. [kPa]"""
    return REGULATED_KPA - (THROTTLE_KPA if _is_tank(installation, plan) else 0.0)


def _is_tank(installation: Installation, plan: Irrigation) -> bool:
    """Return whether a displacement tank feeds a run's zone."""
    return installation.injector[installation.injector_of(plan.zone) or ""].kind == "displacement tank"


def _wet(installation: Installation, plan: Irrigation, flow: Steady, fault: Fault) -> WetRun:
    """Return a run with its stock, as the planted fault leaves it."""
    injector = installation.injector[installation.injector_of(plan.zone) or ""]
    if _is_tank(installation, plan):
        return WetRun(plan, flow, BYPASS, BYPASS * flow.flow / 3600.0 / (injector.tank_volume or 1.0))
    return WetRun(plan, flow, fault.strength * (injector.ratio or 0.0), 0.0)


def write(archive: Path, plant: Plant, fault: Fault, days: int) -> None:
    """Write a season's readings as the ingester does, one file a day.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    plant : Plant
        From `season`.
    fault : Fault
        What is planted in the readings.
    days : int
        Length. [d]
    """
    metadata = describe(plant.installation)
    for day in range(FIRST_DAY, FIRST_DAY + days):
        folder = archive / day_folder("readings", plant.installation.site, day)
        folder.mkdir(parents=True, exist_ok=True)
        table = _day(plant, fault, day).replace_schema_metadata(metadata)
        (folder / part_name(1)).write_bytes(parquet.encode(table, "readings"))


def _day(plant: Plant, fault: Fault, day: int) -> pa.Table:
    """Return one day of all sensors, sorted by sensor and time."""
    names = sorted(plant.installation.sensor)
    read = [_read(plant, fault, name, day) for name in names]
    times = pa.array(np.concatenate([t for t, _ in read]) * 1_000_000, parquet.TIME)
    codes = np.repeat(np.arange(len(names), dtype=np.int32), [len(t) for t, _ in read])
    values = np.concatenate([v for _, v in read])
    columns = [
        times,
        pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(names, pa.string())),
        pa.array(values),
        pa.array(np.ones(len(values), np.int8)),
        times,
    ]
    return pa.Table.from_arrays(columns, schema=parquet.SCHEMA)


def _read(plant: Plant, fault: Fault, name: str, day: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return one sensor's readings of a day."""
    times, values = sensing.readings(plant, name, day * DAY_S, (day + 1) * DAY_S)
    at = times / DAY_S - FIRST_DAY
    if name in ("supply_pressure", "head_pressure", "filter_pressure"):
        low = (at >= fault.backflow[0]) & (at < fault.backflow[1])
        values = np.where(low, np.round(LOST_SUPPLY * values, 1), values)
    kept = np.ones(len(times), bool)
    for sensor, first, last in fault.dead:
        if sensor == name:
            kept &= (at < first) | (at >= last)
    return times[kept], values[kept]
