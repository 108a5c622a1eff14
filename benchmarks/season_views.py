"""Invented seasons as the analysis sees them: an installation file's content and the features of every run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from analysis.diagnosis.features import REST_PRESSURE, STEADY
from analysis.results import Feature, Run
from analysis.view import SeasonView
from ingest.installation import Installation

if TYPE_CHECKING:
    from analysis.service import Service
    from benchmarks.season_plan import Plant, Seasons

START = pd.Timestamp("2026-03-01T06:00Z")
"""When the invented seasons begin."""

RUN = pd.Timedelta(minutes=40)
"""Length of an invented run."""

AFTER = ("backflow preventer", "pressure regulator", "flow meter", "injector", "filter", "valve")
BEFORE = ("backflow preventer", "filter", "pressure regulator", "flow meter", "injector", "valve")

ALL = ("meter", "temperature", "rest", "mixed", "after filter", "lateral end")
"""A well instrumented head with its filter after the injector."""


def sensor_name(point: str, zone: int) -> str:
    """Return the name of the pressure sensor at a point."""
    own = point in ("zone", "lateral end")
    return f"p_{point.replace(' ', '_')}" + (f"_{zone + 1}" if own else "")


def installation_of(plant: Plant, system: int, have: tuple[str, ...] = ALL) -> Installation:
    """Return the description of one invented system.

    Parameters
    ----------
    plant : Plant
        The systems.
    system : int
        Which.
    have : tuple of str
        Pressure points, and ``"meter"``, ``"temperature"``, ``"rest"``.

    Returns
    -------
    Installation
        With sensors of the accuracy that such sensors state.
    """
    return Installation.model_validate(described(plant, system, have))


def described(plant: Plant, system: int, have: tuple[str, ...] = ALL) -> dict[str, Any]:
    """Return the same as the content of an installation file, to be added to."""
    zones = range(plant.rated.shape[1])
    span = f"0.5 % of {plant.span[system]:.0f} kPa"
    sensors: dict[str, dict[str, Any]] = {}
    if "meter" in have:
        sensors["meter"] = {"quantity": "flow", "point": "mixed", "unit": "L/h", "accuracy": "2 %"}
    if "temperature" in have:
        sensors["water"] = {"quantity": "temperature", "point": "mixed", "unit": "°C"}
    for point in have:
        if point in ("meter", "temperature", "rest"):
            continue
        for zone in zones if point in ("zone", "lateral end") else (0,):
            name = sensor_name(point, zone)
            sensors[name] = {"quantity": "pressure", "point": point, "unit": "kPa", "accuracy": span}
            if point in ("zone", "lateral end"):
                sensors[name]["zone"] = f"z{zone + 1}"
    for name, sensor in sensors.items():
        sensor["source"] = {"csv": name}
    return {
        "name": f"Invented system {system}",
        "timezone": "UTC",
        "supply": {"kind": "well", "backflow_preventer": "none"},
        "head": {"order": AFTER if plant.filter_after else BEFORE},
        "zone": {
            f"z{z + 1}": {
                "elevation": f"{plant.elevation[system, z]:.4f} m",
                "emitters": [
                    {
                        "count": max(1, round(plant.rated[system, z] / 2.0)),
                        "flow": "2 L/h",
                        "exponent": float(plant.exponent[system, z]),
                    }
                ],
            }
            for z in zones
        },
        "sensor": sensors,
    }


def season_view(
    seasons: Seasons, system: int, have: tuple[str, ...] = ALL, services: tuple[Service, ...] = ()
) -> SeasonView:
    """Return one invented season as the season steps see it.

    Parameters
    ----------
    seasons : Seasons
        The measured seasons.
    system : int
        Which.
    have : tuple of str
        As for `installation_of`; points must have been simulated.
    services : tuple of Service
        What people did.

    Returns
    -------
    SeasonView
        Runs and features, one run a zone and day.
    """
    installation = installation_of(seasons.plant, system, have)
    features: list[Feature] = []
    runs: list[Run] = []
    for zone in range(seasons.flow.shape[1]):
        starts = START + pd.to_timedelta(np.round(seasons.days * 86400.0), unit="s") + zone * 1.5 * RUN
        columns = _columns(seasons, system, zone, have)
        runs += [
            Run(f"z{zone + 1}", at, at + RUN, float(q) * RUN.total_seconds() / 3600.0, float(q))
            for at, q in zip(starts, seasons.flow[system, zone], strict=True)
        ]
        features += [
            Feature(name, f"z{zone + 1}", at, float(v), 0.0, (sensor,))
            for (name, sensor), values in columns.items()
            for at, v in zip(starts, values, strict=True)
        ]
    end = max(run.end for run in runs)
    by_time = tuple(sorted(runs, key=lambda r: r.start))
    return SeasonView(installation, START, end, by_time, (), (), tuple(features), services)


def _columns(seasons: Seasons, system: int, zone: int, have: tuple[str, ...]) -> dict[tuple[str, str], Any]:
    """Return feature and sensor to one value a day."""
    out = {}
    if "meter" in have:
        out[STEADY["flow"], "meter"] = seasons.flow[system, zone]
    if "temperature" in have:
        out[STEADY["temperature"], "water"] = seasons.temperature[system, zone]
    for point in have:
        if point in ("meter", "temperature", "rest"):
            continue
        name = sensor_name(point, zone)
        out[STEADY["pressure"], name] = seasons.pressure[point][system, zone]
        if "rest" in have:
            out[REST_PRESSURE, name] = seasons.rest[point][system, zone]
    return out
