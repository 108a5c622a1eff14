"""The true value at every measuring point of the simulated system, for any stretch of time."""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from sample_data.plant import (
    MIXED_S,
    PECLET_END,
    PECLET_MIXED,
    REGULATED_KPA,
    fraction_at,
    full_flow,
    opening,
    runs_through,
)
from sample_data.recipes import raw_ec, recipes

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

    from numpy.typing import NDArray

    from ingest.installation import Sensor
    from sample_data.plant import Plant, WetRun

    Values = NDArray[np.float64]
    Signal = Callable[[Plant, Sensor, Values], Values]

SETTLING_S = 60
"""After this long a closing valve lets nothing through. [s]"""

RELEASE_S = 20.0
"""Time constant at which a zone loses its pressure when its valve has closed. [s]"""

PREVENTER_KPA = 48.0
"""What the backflow preventer takes, flowing or not; assumed constant. [kPa]"""

NOMINAL_FLOW = 800.0
"""Flow at which the losses of the supply and the filter are stated. [L/h]"""

SUPPLY_LOSS_KPA = 8.0
"""What the supply pipe takes at the nominal flow. [kPa]"""

SUPPLY_SWING_KPA = 5.0
"""Daily swing of the supply's pressure. [kPa]"""

SOURCE_DRIFT = ((0.010, 4.7), (0.005, 1.3))
"""Swings of the source water's EC: size [mS/cm] and period [d]."""

TEMPERATURE = (14.0, 1.5, 1.0, 6.3)
"""Mean of the water's temperature, its daily swing, its slow swing [°C] and the slow period [d]."""

DAY_S = 86400.0
"""A day. [s]"""

TANK_FULL_MM, MM_PER_L, REFILL_L = 720.0, 6.25, 90.0
"""Stock tank: level when full [mm], level a litre makes [mm/L], stock between two refills [L]."""


def water_ec_drift(at: Values) -> Values:
    """Return how far the source water's EC is from the recipe's. [mS/cm at 25 °C]"""
    return np.asarray(sum(size * np.sin(2.0 * np.pi * at / (days * DAY_S)) for size, days in SOURCE_DRIFT))


def water_temperature(at: Values) -> Values:
    """Return the temperature of the water. [°C]"""
    mean, daily, slow, days = TEMPERATURE
    return np.asarray(
        mean
        + daily * np.sin(2.0 * np.pi * (at / DAY_S - 0.4))
        + slow * np.sin(2.0 * np.pi * at / (days * DAY_S))
    )


def true_value(plant: Plant, sensor: Sensor, at: Values) -> Values:
    """Return what is truly there at a sensor's place.

    Parameters
    ----------
    plant : Plant
        The system and its history.
    sensor : Sensor
        Names quantity, point, and zone or injector where they matter.
    at : numpy.ndarray
        Moments, ascending. [s since 1970]

    Returns
    -------
    numpy.ndarray
        Value at each moment, in the stored unit of the sensor's quantity; EC is uncompensated.

    Raises
    ------
    ValueError
        If the simulated system has no such measuring point.
    """
    signal = SIGNALS.get((sensor.quantity, sensor.point)) or SIGNALS.get((sensor.quantity, ""))
    if signal is None:
        msg = f"the simulated system has no {sensor.quantity} at {sensor.point}"
        raise ValueError(msg)
    return signal(plant, sensor, at)


def _running(runs: tuple[WetRun, ...], at: Values) -> Iterator[WetRun]:
    """Yield the runs that let water through within these moments."""
    yield from (run for run in runs if run.plan.start < at[-1] and run.plan.end + SETTLING_S > at[0])


def head_flow(plant: Plant, at: Values) -> Values:
    """Return the flow into the zones. [L/h]"""
    total = np.zeros(len(at))
    for run in _running(plant.runs, at):
        total += run.flow.flow * opening(run.plan, at)
    return total


def _stock_flow(plant: Plant, sensor: Sensor, at: Values) -> Values:
    """Return the flow of stock through a pump; a displacement tank takes in as much water as it gives."""
    total = np.zeros(len(at))
    for run in _running(runs_through(plant, injector=sensor.injector), at):
        begin, end = run.plan.injection
        entering = (at >= begin) & (at < end) & (run.decay == 0.0)
        total += np.where(entering, run.fraction * run.flow.flow * opening(run.plan, at), 0.0)
    return total


def _water_flow(plant: Plant, sensor: Sensor, at: Values) -> Values:
    anywhere = sensor.model_copy(update={"injector": None})
    return head_flow(plant, at) - _stock_flow(plant, anywhere, at)


def _entered(run: WetRun, at: Values) -> tuple[Values, Values]:
    """Return the solution [L] and the stock of a pump [L] that a run has taken in by a moment."""
    seconds = full_flow(run.plan, at)
    begin, end = run.injected
    rate = run.flow.flow / 3600.0
    pumped = run.fraction if run.decay == 0.0 else 0.0
    return seconds * rate, np.clip(seconds - begin, 0.0, end - begin) * rate * pumped


def _totals(runs: tuple[WetRun, ...], at: Values) -> tuple[Values, Values]:
    """Return solution and pumped stock since the origin. [L]"""
    solution, stock = np.zeros(len(at)), np.zeros(len(at))
    for run in runs:
        since = at[-1:] if run.plan.end + SETTLING_S <= at[0] else at
        one_solution, one_stock = _entered(run, since)
        solution += one_solution
        stock += one_stock
    return solution, stock


def _water_volume(plant: Plant, sensor: Sensor, at: Values) -> Values:  # noqa: ARG001 - all water, one meter
    solution, stock = _totals(plant.runs, at)
    return solution - stock


def _stock_level(plant: Plant, sensor: Sensor, at: Values) -> Values:
    _, stock = _totals(runs_through(plant, injector=sensor.injector), at)
    return np.asarray(TANK_FULL_MM - MM_PER_L * np.mod(stock, REFILL_L))


def _supply_pressure(plant: Plant, sensor: Sensor, at: Values) -> Values:  # noqa: ARG001 - one supply
    rest = plant.installation.supply.pressure or 300.0
    swing = SUPPLY_SWING_KPA * np.sin(2.0 * np.pi * (at / DAY_S - 0.1))
    return np.asarray(rest + swing - SUPPLY_LOSS_KPA * (head_flow(plant, at) / NOMINAL_FLOW) ** 2)


def _head_pressure(plant: Plant, sensor: Sensor, at: Values) -> Values:
    return _supply_pressure(plant, sensor, at) - PREVENTER_KPA


def _filter_pressure(plant: Plant, sensor: Sensor, at: Values) -> Values:
    clean = plant.installation.head.filter_clean_loss or 10.0
    return _head_pressure(plant, sensor, at) - clean * (head_flow(plant, at) / NOMINAL_FLOW) ** 2


def _zone_pressure(plant: Plant, sensor: Sensor, at: Values) -> Values:
    total = np.zeros(len(at))
    for run in _running(runs_through(plant, zone=sensor.zone), at):
        full = run.flow.end if sensor.point == "lateral end" else run.flow.inlet
        after = np.maximum(at - run.plan.end, 0.0)
        share = np.where(after > 0.0, np.exp(-after / RELEASE_S), opening(run.plan, at))
        total += min(full, REGULATED_KPA) * share
    return total


def _valve(plant: Plant, sensor: Sensor, at: Values) -> Values:
    total = np.zeros(len(at))
    for run in _running(runs_through(plant, zone=sensor.zone), at):
        total += (at >= run.plan.start) & (at < run.plan.end)
    return total


def fraction(plant: Plant, sensor: Sensor, at: Values) -> Values:
    """Return the true volume fraction of stock where a sensor sits. [-]"""
    if sensor.point == "lateral end":
        return fraction_at(runs_through(plant, zone=sensor.zone), at, mean_s=None, peclet=PECLET_END)
    if sensor.point == "mixed":
        runs = runs_through(plant, injector=sensor.injector)
        return fraction_at(runs, at, mean_s=MIXED_S, peclet=PECLET_MIXED)
    return np.zeros(len(at))


def _conductivity(plant: Plant, sensor: Sensor, at: Values) -> Values:
    """Return the EC as it conducts at the water's own temperature. [mS/cm]"""
    injector = sensor.injector or (plant.installation.injector_of(sensor.zone) if sensor.zone else None)
    stocks = plant.installation.stock
    name = next((name for name, stock in stocks.items() if stock.injector == injector), next(iter(stocks)))
    share = fraction(plant, sensor, at)
    return raw_ec(recipes()[name], share, water_temperature(at), drift=water_ec_drift(at))


def _temperature(plant: Plant, sensor: Sensor, at: Values) -> Values:  # noqa: ARG001 - one water
    return water_temperature(at)


SIGNALS: Mapping[tuple[str, str], Signal] = MappingProxyType(
    {
        ("flow", "source"): _water_flow,
        ("flow", "stock"): _stock_flow,
        ("flow", "mixed"): lambda plant, _, at: head_flow(plant, at),
        ("volume", "source"): _water_volume,
        ("level", "stock"): _stock_level,
        ("pressure", "supply"): _supply_pressure,
        ("pressure", "source"): _head_pressure,
        ("pressure", "after filter"): _filter_pressure,
        ("pressure", "zone"): _zone_pressure,
        ("pressure", "lateral end"): _zone_pressure,
        ("valve state", "zone"): _valve,
        ("conductivity", "source"): _conductivity,
        ("conductivity", "mixed"): _conductivity,
        ("conductivity", "lateral end"): _conductivity,
        ("temperature", ""): _temperature,
    }
)
"""Quantity and point to the function that knows the truth there; an empty point stands for any."""
