"""What a season of invented drip systems is made of: plants, drift, the faults that are planted, what sensors saw."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Drift:
    """What a healthy system does all the same; standard deviations.

    Attributes
    ----------
    flow_repeatability, flow_walk : float
        Day-to-day scatter of a meter [-] and its gain's walk in a year [-].
    zero_walk, zero_thermal : float
        Walk of a pressure sensor's zero in a year [share of span] and its slope [share of span/K].
    pressure_repeatability : float
        Day-to-day scatter of a pressure sensor. [share of span]
    emitter_temperature : tuple of float
        Mean and spread of the emitters' temperature coefficient. [1/K]
    regulator_scatter, regulator_walk : float
        Day-to-day scatter of a regulator, and its walk in a year. [-]
    supply_scatter, supply_coupling : float
        Day-to-day scatter of the supply [-], and what of it passes the regulator [kPa/kPa].
    filter_scatter, main_scatter : float
        Day-to-day scatter of the filter's and the main's loss coefficient. [-]
    filter_walk : float
        Walk of a clean filter's loss coefficient in a year. [-]
    correlation : float
        Day-to-day correlation of the scatter. [-]
    """

    flow_repeatability: float = 0.003
    flow_walk: float = 0.003
    zero_walk: float = 0.0012
    zero_thermal: float = 0.00004
    pressure_repeatability: float = 0.0003
    emitter_temperature: tuple[float, float] = (0.0001, 0.00025)
    regulator_scatter: float = 0.004
    regulator_walk: float = 0.004
    supply_scatter: float = 0.04
    supply_coupling: float = 0.03
    filter_scatter: float = 0.01
    filter_walk: float = 0.03
    main_scatter: float = 0.005
    correlation: float = 0.3


@dataclass(frozen=True, slots=True)
class Plant:
    """What the systems are; each array has one value a system, and `zones` columns where a zone matters."""

    exponent: Array
    rated: Array
    end_pressure: Array
    main_loss: Array
    lateral_loss: Array
    filter_loss: Array
    elevation: Array
    supply: Array
    regulated: Array
    droop: Array
    span: Array
    filter_after: bool


@dataclass(frozen=True, slots=True)
class Faults:
    """What goes wrong, each shape (systems, zones, days); zero where nothing does.

    Attributes
    ----------
    clogging : ndarray
        Share of the emitters' flow that is lost. [-]
    uneven : ndarray
        How far the loss sits at the lateral ends, shape (systems,). [-]
    leak : ndarray
        Leak as a share of the zone's flow. [-]
    leak_place : ndarray
        Where along the main, 0 at the head and 1 at the zone, shape (systems,). [-]
    filter, main : ndarray
        Rise of the loss coefficient. [-]
    regulator : ndarray
        Shift of the regulated pressure. [-]
    meter : ndarray
        Gain error of the flow meter. [-]
    offset : mapping
        Point to the error of its pressure sensor. [kPa]
    """

    clogging: Array
    uneven: Array
    leak: Array
    leak_place: Array
    filter: Array
    main: Array
    regulator: Array
    meter: Array
    offset: dict[str, Array] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class State:
    """True flow and pressures, shape (systems, zones, days). [L/h], [kPa]"""

    flow: Array
    supply: Array
    source: Array
    mixed: Array
    after_filter: Array
    zone: Array
    end: Array

    def pressure(self, point: str) -> Array:
        """Return the pressure at a measuring point. [kPa]"""
        return {
            "supply": self.supply,
            "source": self.source,
            "mixed": self.mixed,
            "after filter": self.after_filter,
            "zone": self.zone,
            "lateral end": self.end,
        }[point]


@dataclass(frozen=True, slots=True)
class Seasons:
    """Measured run values of many systems, with the truth beside them.

    Attributes
    ----------
    days : ndarray
        Time of each run. [d]
    flow : ndarray
        What the head's meter shows, shape (systems, zones, days). [L/h]
    pressure, rest : mapping
        Point to what its sensor shows while running and before the run. [kPa]
    temperature : ndarray
        Water temperature. [°C]
    plant, faults, truth
        What is true.
    """

    days: Array
    flow: Array
    pressure: dict[str, Array]
    rest: dict[str, Array]
    temperature: Array
    plant: Plant
    faults: Faults
    truth: State


def no_faults(systems: int, zones: int, days: int) -> Faults:
    """Return faults that are all zero."""
    zero = np.zeros((systems, zones, days))
    half = np.full(systems, 0.5)
    return Faults(zero, np.zeros(systems), zero, half, zero, zero, zero, zero, {})


def ramp(days: Array, onset: Array, rate: Array) -> Array:
    """Return faults that grow from their onset, shape (systems, 1, days).

    Parameters
    ----------
    days : ndarray
        Time of each run. [d]
    onset, rate : ndarray
        Start [d] and growth [1/d], one a system.
    """
    return (rate[:, None] * np.clip(days[None, :] - onset[:, None], 0.0, None))[:, None, :]


def step(days: Array, onset: Array, size: Array) -> Array:
    """Return faults that come at once, shape (systems, 1, days)."""
    return (size[:, None] * (days[None, :] >= onset[:, None]))[:, None, :]


def with_fault(faults: Faults, **changed: Array) -> Faults:
    """Return the same faults with some replaced."""
    return replace(faults, **changed)  # type: ignore[arg-type]
