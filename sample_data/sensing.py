"""From the truth to readings: gain, offset, response time, noise, steps, range, and a silent device."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np
from scipy.signal import lfilter

from sample_data.recipes import REFERENCE_C
from sample_data.schedule import SILENT_SENSOR, silent
from sample_data.signals import DAY_S, true_value, water_temperature

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from ingest.installation import Sensor
    from sample_data.plant import Plant

WARM_UP_S = 120
"""How long before a window the response of a slow sensor is followed; 15 time constants. [s]"""

GAIN_SHARE = 0.8
"""True gain and offset errors lie evenly within this share of the stated accuracy. [-]"""

DEVICE_COEFFICIENT = 0.02
"""Temperature coefficient inside the devices that compensate by themselves. [1/K]"""

BLOCK = 360
"""Readings that share one random stream, so that any window draws the same noise."""


@dataclass(frozen=True, slots=True)
class Character:
    """How one kind of sensor scatters.

    Attributes
    ----------
    share, absolute : float
        Standard deviation of the noise: a share of the value [-], and a constant [stored unit].
    daily : float
        Standard deviation of the gain from one day to the next. [-]
    step : float
        Smallest step that the device can tell. [stored unit]
    """

    share: float
    absolute: float
    daily: float
    step: float


CHARACTERS: Mapping[str, Character] = MappingProxyType(
    {
        "flow": Character(0.004, 0.0, 0.003, 0.01),
        "volume": Character(0.0, 0.0, 0.0, 0.1),
        "pressure": Character(0.0, 0.25, 0.0, 0.1),
        "conductivity": Character(0.001, 0.001, 0.002, 0.001),
        "temperature": Character(0.0, 0.03, 0.0, 0.01),
        "level": Character(0.0, 0.8, 0.0, 1.0),
        "valve state": Character(0.0, 0.0, 0.0, 1.0),
    }
)
"""Quantity to its scatter: assumptions, after what prototypes assumed; no source."""


@dataclass(frozen=True, slots=True)
class Error:
    """What is wrong with one sensor, for good.

    Attributes
    ----------
    gain : float
        True reading times this. [-]
    offset : float
        Plus this. [stored unit]
    lag : float
        Time constant of its response. [s]
    """

    gain: float
    offset: float
    lag: float


def device_of(sensor: Sensor) -> str:
    """Return the device that a sensor sits on: its SenML name without the last part.

    Raises
    ------
    ValueError
        If the sensor has no SenML name.
    """
    if sensor.source.senml is None:
        msg = "a simulated sensor needs a source with a SenML name"
        raise ValueError(msg)
    return sensor.source.senml.rpartition(":")[0]


def error_of(name: str, sensor: Sensor, seed: int) -> Error:
    """Return the error that a seed gives to a sensor, within its stated accuracy."""
    draw = np.random.default_rng([seed, zlib.crc32(name.encode()), 0])
    gain, offset = draw.uniform(-GAIN_SHARE, GAIN_SHARE, 2)
    lag = draw.uniform(*sensor.lag) if sensor.lag else 0.0
    return Error(1.0 + gain * sensor.accuracy.share, offset * sensor.accuracy.absolute, float(lag))


def readings(plant: Plant, name: str, start: int, end: int) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Return what one sensor reports within a window.

    Parameters
    ----------
    plant : Plant
        The system and its history; it must reach to `end`.
    name : str
        The sensor's name.
    start, end : int
        The window, start included, end excluded. [s since 1970]

    Returns
    -------
    times : numpy.ndarray of int64
        When, ascending. [s since 1970]
    values : numpy.ndarray
        What, in the stored unit of the sensor's quantity.

    Notes
    -----
    Two windows side by side give the same readings as one window over both.
    """
    sensor = plant.installation.sensor[name]
    interval = int(sensor.interval or 10)
    phase = zlib.crc32(device_of(sensor).encode()) % interval
    first, last = -(-(start - phase) // interval), -(-(end - phase) // interval)
    counts = np.arange(first, last, dtype=np.int64)
    if len(counts) == 0:
        return counts, np.zeros(0)
    times = counts * interval + phase
    error = error_of(name, sensor, plant.scenario.seed)
    values = _responded(plant, sensor, times, error.lag)
    values = _scattered(name, sensor, values, counts, plant.scenario.seed, error)
    kept = _reporting(plant, name, times)
    return times[kept], values[kept]


def _responded(plant: Plant, sensor: Sensor, times: NDArray[np.int64], lag: float) -> NDArray[np.float64]:
    """Return the truth as the sensor's element follows it, compensated where the device does so."""
    if lag == 0.0:
        return true_value(plant, sensor, times.astype(float))
    fine = np.arange(times[0] - WARM_UP_S, times[-1] + 1, dtype=float)
    truth = true_value(plant, sensor, fine)
    if sensor.quantity == "conductivity" and sensor.compensated:
        truth = truth / (1.0 + DEVICE_COEFFICIENT * (water_temperature(fine) - REFERENCE_C))
    keep = np.exp(-1.0 / lag)
    followed, _ = lfilter([1.0 - keep], [1.0, -keep], truth, zi=[keep * truth[0]])
    sampled: NDArray[np.float64] = followed[(times - times[0]) + WARM_UP_S]
    return sampled


def _scattered(
    name: str,
    sensor: Sensor,
    values: NDArray[np.float64],
    counts: NDArray[np.int64],
    seed: int,
    error: Error,
) -> NDArray[np.float64]:
    """Return the values with error, noise, steps and the ends of the range; no flow reads as no flow."""
    kind = CHARACTERS[sensor.quantity]
    stream = [seed, zlib.crc32(name.encode())]
    days = (counts * int(sensor.interval or 10)) // int(DAY_S)
    gain = error.gain * (1.0 + kind.daily * _noise([*stream, 1], days))
    noise = np.hypot(kind.share * values, kind.absolute) * _noise([*stream, 2], counts)
    read = values * gain + error.offset + noise
    if sensor.quantity in ("flow", "volume", "valve state"):
        read = np.where(values == 0.0, 0.0, read)
    low, high = sensor.range or (-np.inf, np.inf)
    steps = np.floor(read / kind.step) if sensor.quantity == "volume" else np.round(read / kind.step)
    return np.asarray(np.clip(np.round(steps * kind.step, 9) + 0.0, low, high))  # + 0.0: no minus zero


def _noise(stream: list[int], counts: NDArray[np.int64]) -> NDArray[np.float64]:
    """Return one standard normal number for each count, whatever the window. [-]"""
    blocks = counts // BLOCK
    parts = [
        np.random.default_rng([*stream, int(block)]).standard_normal(BLOCK)[counts[blocks == block] % BLOCK]
        for block in np.unique(blocks)
    ]
    return np.concatenate(parts)


def _reporting(plant: Plant, name: str, times: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Return which readings were sent at all."""
    if name != SILENT_SENSOR:
        return np.ones(len(times), dtype=bool)
    begin, end = silent(plant.scenario)
    return np.asarray((times < begin) | (times >= end))
