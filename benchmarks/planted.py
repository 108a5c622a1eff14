"""Seasons in which every system has each of some faults, with the effect of each on the flow."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from benchmarks.season_plan import Array, Faults, Plant, Seasons, no_faults, ramp, step, with_fault
from benchmarks.season_views import ALL
from benchmarks.seasons import make_plant, simulate, solve

if TYPE_CHECKING:
    from collections.abc import Sequence

SEASON = np.arange(90.0)
"""Days of a season with planted faults. [d]"""

FAR_DAYS = 800
"""Days that a planted loss is followed, to know when it crosses a limit. [d]"""

PACE = 0.15
"""Share by which the pace of a planted loss changes in thirty days, a standard deviation. [-] No source."""

STATED = 0.02
"""How far the exponent in a description is off, a standard deviation. [-] No source."""

MOST_LOST = 0.9
"""Share beyond which a planted loss does not go. [-]"""

KINDS = (
    "emitter clogging",
    "leak",
    "flow meter drift",
    "pressure regulation",
    "filter clogging",
    "valve fault",
    "sensor fault",
)
"""What is planted."""


def points(have: Sequence[str]) -> tuple[str, ...]:
    """Return the pressure points among what a system has."""
    return tuple(h for h in have if h not in ("meter", "temperature", "rest"))


def _drawn(rng: np.random.Generator, low: float, high: float, n: int) -> Array:
    return np.asarray(rng.uniform(low, high, n), dtype=np.float64)


def plant_fault(rng: np.random.Generator, faults: Faults, kind: str, days: Array) -> tuple[Faults, Array]:
    """Plant one kind of fault in every system; return the faults and their size, shape (systems, days)."""
    n = faults.clogging.shape[0]
    onset = _drawn(rng, 28.0, 45.0, n)
    sign = np.asarray(rng.choice([-1.0, 1.0], n), dtype=np.float64)
    small = np.exp(_drawn(rng, np.log(0.01), np.log(0.15), n))
    rows: dict[str, tuple[str, Array]] = {
        "emitter clogging": ("clogging", ramp(days, onset, _drawn(rng, 0.02, 0.2, n) / 45.0)),
        "leak": ("leak", step(days, onset, small)),
        "flow meter drift": ("meter", ramp(days, onset, sign * _drawn(rng, 0.02, 0.1, n) / 45.0)),
        "pressure regulation": ("regulator", step(days, onset, sign * small)),
        "filter clogging": ("filter", ramp(days, onset, _drawn(rng, 0.2, 2.0, n) / 45.0)),
        "valve fault": ("main", step(days, onset, _drawn(rng, 0.2, 2.0, n))),
        "sensor fault": ("offset", ramp(days, onset, sign * _drawn(rng, 4.0, 20.0, n) / 45.0)),
    }
    name, size = rows[kind]
    if kind == "sensor fault":
        return replace(faults, offset={"lateral end": size}), np.abs(size[:, 0])
    spread = {
        "clogging": {"uneven": _drawn(rng, 0.0, 0.5, n)},
        "leak": {"leak_place": _drawn(rng, 0.0, 1.0, n)},
    }
    return with_fault(faults, **{name: size}, **spread.get(name, {})), np.abs(size[:, 0])


def effect_on_flow(plant: Plant, faults: Faults, kind: str, size: Array) -> Array:
    """Return by what share a fault changes the flow, or the flow at reference pressure as it is measured."""
    if kind in ("emitter clogging", "leak", "flow meter drift"):
        return size
    if kind == "sensor fault":
        return size * (plant.exponent / plant.end_pressure)
    name = {"pressure regulation": "regulator", "filter clogging": "filter", "valve fault": "main"}[kind]
    none = no_faults(size.shape[0], 1, size.shape[1])
    alone = with_fault(none, **{name: getattr(faults, name)})
    flow = [_steady_flow(plant, planted) for planted in (none, alone)]
    return np.asarray(np.abs(np.log(flow[1] / flow[0]))[:, 0])


def _steady_flow(plant: Plant, faults: Faults) -> Array:
    """Return the flow at 20 °C and set pressures."""
    one = np.ones((faults.clogging.shape[0], 1, faults.clogging.shape[2]))
    regulated = plant.regulated[:, None, None] * (1.0 + faults.regulator)
    supply = plant.supply[:, None, None] * one
    loss = (1.0 + faults.filter, 1.0 + faults.main)
    return solve(plant, faults, 20.0 * one, regulated, supply, np.zeros((one.shape[0], 1, 1)), loss).flow


def worn_seasons(seed: int, systems: int) -> tuple[Seasons, Array]:
    """Return seasons of clogging whose pace changes, described with an exponent that is not quite the emitters'.

    Parameters
    ----------
    seed : int
        Of every random number.
    systems : int
        How many.

    Returns
    -------
    tuple of Seasons and ndarray
        The seasons, and the share of flow lost on each day of `FAR_DAYS`, of which the season is the first part;
        shape (systems, days).
    """
    rng = np.random.default_rng(seed)
    plant = make_plant(rng, systems)
    days = np.arange(float(FAR_DAYS))
    onset, rate = _drawn(rng, 28.0, 45.0, systems), _drawn(rng, 0.02, 0.2, systems) / 45.0
    pace = np.exp(PACE * np.cumsum(rng.standard_normal((systems, days.size)) / np.sqrt(30.0), axis=1))
    begun = np.clip(days[None, :] - onset[:, None], 0.0, 1.0)
    lost = np.cumsum(begun * rate[:, None] * pace, axis=1)
    none = no_faults(systems, 1, SEASON.size)
    clogging = np.minimum(lost[:, None, : SEASON.size], MOST_LOST)
    faults = with_fault(none, clogging=clogging, uneven=_drawn(rng, 0.0, 0.5, systems))
    seasons = simulate(rng, plant, faults, SEASON, points=points(ALL))
    stated = plant.exponent + rng.normal(0.0, STATED, plant.exponent.shape)
    return replace(seasons, plant=replace(plant, exponent=np.round(stated, 2))), lost


def seasons_with(
    seed: int, systems: int, kinds: Sequence[str], have: Sequence[str] = ALL
) -> tuple[Seasons, list[Array]]:
    """Return seasons in which every system has each of some faults, and the effect of each on the flow."""
    rng = np.random.default_rng(seed)
    plant = make_plant(rng, systems)
    faults, effects = no_faults(systems, 1, SEASON.size), []
    for kind in kinds:
        faults, size = plant_fault(rng, faults, kind, SEASON)
        effects.append(effect_on_flow(plant, faults, kind, size))
    return simulate(rng, plant, faults, SEASON, points=points(have)), effects
