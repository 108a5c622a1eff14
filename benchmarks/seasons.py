"""Seasons of invented drip systems: a light hydraulic model, faults that are known, sensors that drift.

One row a day and zone, as run features, so that a hundred system-years take seconds. The model is written
apart from the one that the detectors use, and is held against EPANET in ``tests/analysis``. What is
assumed of healthy drift stands in the constants; none of it is handed to the detectors.
"""

from __future__ import annotations

import numpy as np

from benchmarks.season_plan import (
    Array,
    Drift,
    Faults,
    Plant,
    Seasons,
    State,
    no_faults,
)

BLASIUS = 1.75
"""Flow exponent of pipe friction in smooth pipe. [-]"""

STRETCH = 0.72
"""Share of a lateral's loss that lies before the emitter of mean pressure. [-] Computed for equal outflow."""

RHO_G = 9.79
"""Weight of a metre of water. [kPa/m]"""


def make_plant(rng: np.random.Generator, systems: int, zones: int = 1, *, filter_after: bool = True) -> Plant:
    """Draw systems: turbulent and pressure-compensating emitters, small and large losses.

    Parameters
    ----------
    rng : numpy.random.Generator
        Where chance comes from.
    systems, zones : int
        How many.
    filter_after : bool
        Whether the filter follows the regulator and the injector, or comes before both.

    Returns
    -------
    Plant
        The systems.
    """
    shape = (systems, zones)
    exponent = np.clip(rng.normal(0.5, 0.03, shape), 0.4, 0.6)
    end = rng.uniform(70.0, 120.0, shape)
    main, lateral = rng.uniform(8.0, 30.0, shape), rng.uniform(3.0, 12.0, shape)
    filter_loss = rng.uniform(8.0, 20.0, systems)
    elevation = rng.uniform(-1.0, 2.0, shape)
    need = end + main + lateral + RHO_G * elevation
    if filter_after:
        need = need + filter_loss[:, None]
    regulated = need.max(axis=1)
    end = end + regulated[:, None] - need
    return Plant(
        exponent,
        rng.uniform(500.0, 2000.0, shape),
        end,
        main,
        lateral,
        filter_loss,
        elevation,
        regulated + rng.uniform(80.0, 200.0, systems),
        regulated,
        rng.uniform(0.01, 0.05, systems) * regulated,
        rng.choice([400.0, 600.0], systems),
        filter_after,
    )


def correlated(rng: np.random.Generator, shape: tuple[int, ...], rho: float) -> Array:
    """Return unit-variance noise, correlated along the last axis."""
    white = rng.standard_normal(shape)
    out = np.empty_like(white)
    out[..., 0] = white[..., 0]
    for i in range(1, shape[-1]):
        out[..., i] = rho * out[..., i - 1] + np.sqrt(1.0 - rho**2) * white[..., i]
    return out


def walk(rng: np.random.Generator, shape: tuple[int, ...], days: Array) -> Array:
    """Return random walks that have unit variance after a year."""
    steps = np.sqrt(np.diff(days, prepend=days[0]) / 365.0)
    return np.cumsum(rng.standard_normal(shape) * steps, axis=-1)


def temperatures(rng: np.random.Generator, systems: int, days: Array) -> Array:
    """Return water temperatures: a yearly swing of 1 to 9 K, and weather. Shape (systems, days). [°C]"""
    swing, mean = rng.uniform(1.0, 9.0, (systems, 1)), rng.uniform(12.0, 20.0, (systems, 1))
    phase = rng.uniform(0.0, 365.0, (systems, 1))
    weather = correlated(rng, (systems, days.size), 0.7) * (0.3 + 0.12 * swing)
    return mean + swing * np.sin(2.0 * np.pi * (days + phase) / 365.0) + weather


def solve(plant: Plant, faults: Faults, temperature: Array, regulated: Array, supply: Array, beta: Array,
          loss: tuple[Array, Array]) -> State:  # fmt: skip
    """Return the steady state of every run.

    Parameters
    ----------
    plant, faults
        The systems and what is wrong with them.
    temperature : ndarray
        Water temperature, shape (systems, 1, days). [°C]
    regulated, supply : ndarray
        Pressure that the regulator holds at rated flow, and before it; shape (systems, 1, days). [kPa]
    beta : ndarray
        Temperature coefficient of the emitters, shape (systems, zones, 1). [1/K]
    loss : tuple of ndarray
        Factor on the filter's and on the main's loss coefficient, shape (systems, zones, days). [-]

    Returns
    -------
    State
        Flow and pressures.
    """
    p = plant
    mean_pressure = (p.end_pressure + (1.0 - STRETCH) * p.lateral_loss)[..., None]
    k = p.rated[..., None] / mean_pressure ** p.exponent[..., None]
    k = k * (1.0 - faults.clogging) * (1.0 + beta * (temperature - 20.0))
    thin = np.exp(-0.25 * 0.024 * (temperature - 20.0))
    flow = np.broadcast_to(p.rated[..., None], faults.leak.shape).copy()
    place = faults.leak_place[:, None, None]
    for _ in range(60):
        x = flow / p.rated[..., None]
        leaked = faults.leak * p.rated[..., None]
        total = x + leaked / p.rated[..., None]
        held = regulated - p.droop[:, None, None] * (total - 1.0)
        over = p.filter_loss[:, None, None] * loss[0] * total**2
        pipe = p.main_loss[..., None] * loss[1] * thin * (
            place * total**BLASIUS + (1.0 - place) * x**BLASIUS
        )  # fmt: skip
        after = held - over if p.filter_after else held
        inlet = after - pipe - RHO_G * p.elevation[..., None]
        along = p.lateral_loss[..., None] * thin * x**BLASIUS
        along = along * (1.0 - faults.uneven[:, None, None] * faults.clogging)
        emitting = np.maximum(inlet - STRETCH * along, 1.0)
        flow = np.sqrt(flow * k * emitting ** p.exponent[..., None])
    total_flow = flow + leaked
    source = held if p.filter_after else supply - 5.0
    return State(
        total_flow,
        np.broadcast_to(supply, flow.shape),
        np.broadcast_to(source, flow.shape),
        held,
        after if p.filter_after else source - over,
        inlet,
        inlet - along,
    )


def simulate(rng: np.random.Generator, plant: Plant, faults: Faults, days: Array, *,
             points: tuple[str, ...] = ("mixed", "after filter", "lateral end"),
             drift: Drift | None = None) -> Seasons:  # fmt: skip
    """Return what the sensors of many systems show over a season.

    Parameters
    ----------
    rng : numpy.random.Generator
        Where chance comes from.
    plant, faults
        The systems and what is wrong with them.
    days : ndarray
        Time of each run, ascending. [d]
    points : tuple of str
        Where pressure sensors sit.
    drift : Drift, optional
        What healthy systems do.

    Returns
    -------
    Seasons
        Measured values and truth.
    """
    d = drift or Drift()
    systems, zones, n = faults.clogging.shape
    one = (systems, 1, n)
    temperature = temperatures(rng, systems, days)[:, None, :]
    wave = d.supply_scatter * correlated(rng, one, 0.5)
    supply = plant.supply[:, None, None] * (1.0 + wave)
    set_to = 1.0 + d.regulator_scatter * correlated(rng, one, d.correlation)
    set_to = set_to + d.regulator_walk * walk(rng, one, days)
    regulated = plant.regulated[:, None, None] * set_to * (1.0 + faults.regulator)
    regulated = regulated + d.supply_coupling * plant.supply[:, None, None] * wave
    beta = rng.normal(*d.emitter_temperature, (systems, zones, 1))
    shape = (systems, zones, n)
    filter_loss = 1.0 + d.filter_scatter * correlated(rng, one, d.correlation)
    filter_loss = np.maximum(filter_loss + d.filter_walk * walk(rng, one, days), 0.5)
    main = 1.0 + d.main_scatter * correlated(rng, shape, d.correlation)
    loss = (filter_loss * (1.0 + faults.filter), main * (1.0 + faults.main))
    truth = solve(plant, faults, temperature, regulated, supply, beta, loss)
    gain = 1.0 + rng.normal(0.0, 0.01, (systems, 1, 1)) + d.flow_walk * walk(rng, one, days)
    flow = truth.flow * gain * (1.0 + faults.meter)
    flow = flow * (1.0 + d.flow_repeatability * correlated(rng, shape, d.correlation))
    pressure, rest = {}, {}
    standing = plant.regulated[:, None, None] * (1.05 + 0.02 * rng.standard_normal(shape))
    for point in points:
        own = shape if point in ("zone", "lateral end") else one
        span = plant.span[:, None, None]
        zero = span * (d.zero_walk * walk(rng, own, days) + rng.normal(0.0, 0.002, (*own[:2], 1)))
        zero = zero + span * d.zero_thermal * rng.standard_normal((*own[:2], 1)) * (temperature - 20.0)
        zero = zero + faults.offset.get(point, 0.0)
        scatter = span * d.pressure_repeatability
        pressure[point] = truth.pressure(point) + zero + scatter * correlated(rng, shape, d.correlation)
        at_rest = standing if point not in ("zone", "lateral end") else np.abs(rng.normal(0.0, 0.3, shape))
        rest[point] = at_rest + zero + scatter * rng.standard_normal(shape)
    shown = np.broadcast_to(temperature, shape) + rng.normal(0.0, 0.1, shape)
    return Seasons(days, flow, pressure, rest, shown, plant, faults, truth)


def main() -> None:
    """Print how far healthy systems drift in a year, as seen by their sensors: what detectors must live with."""
    rng, days = np.random.default_rng(801), np.arange(365.0)
    plant = make_plant(rng, 200)
    seen = simulate(rng, plant, no_faults(200, 1, days.size), days)
    flow = np.log(seen.flow[:, 0]) - plant.exponent * np.log(seen.pressure["lateral end"][:, 0])
    lost = np.log(seen.pressure["mixed"][:, 0] - seen.pressure["after filter"][:, 0]) - 2.0 * np.log(
        seen.flow[:, 0]
    )
    for name, x in (("flow at reference pressure", flow), ("filter loss at reference flow", lost)):
        moved = np.abs(x[:, -30:].mean(axis=1) - x[:, :20].mean(axis=1))
        median, most = np.quantile(moved, (0.5, 0.95))
        print(f"healthy, a year on: {name} moved by {median:.2%} (median), {most:.2%} (95 %)")


if __name__ == "__main__":
    main()
