"""From what a device sends to the stored unit: unit, pulses, calibration, and the range of the sensor."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from ingest.formats.units import SIGNALS, sensor_units
from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Mapping

    from ingest.installation import Calibration, Installation, Sensor

FAILURE_LOW_MA = 3.6
FAILURE_HIGH_MA = 21.0
"""A 4 to 20 mA transmitter outside these reports its own failure; NAMUR NE 43, from memory. [mA]"""

STATE_RANGE = (0.0, 1.0)
"""What a valve state can be, where the file gives no range. [-]"""


@dataclass(frozen=True, slots=True)
class Curve:
    """One calibration: pairs that are joined by straight lines, the outer ones drawn on.

    Attributes
    ----------
    from_us : int
        Valid from here on. [µs since 1970, UTC]
    raw, true : numpy.ndarray of float64
        Ascending raw values in the working unit, and the stored value of each.
    """

    from_us: int
    raw: np.ndarray
    true: np.ndarray

    def apply(self, raw: np.ndarray) -> np.ndarray:
        """Return the stored value of each raw value. [stored unit]

        Examples
        --------
        >>> Curve(0, np.array([4.0, 20.0]), np.array([0.0, 600.0])).apply(np.array([3.9, 12.0]))
        array([ -3.75, 300.  ])
        """
        if len(self.raw) == 1:
            return np.asarray(raw + (self.true[0] - self.raw[0]))
        left = np.clip(np.searchsorted(self.raw, raw, side="right") - 1, 0, len(self.raw) - 2)
        slope = np.diff(self.true) / np.diff(self.raw)
        return np.asarray(self.true[left] + (raw - self.raw[left]) * slope[left])


@dataclass(frozen=True, slots=True)
class Conversion:
    """How one sensor's values become stored values.

    Attributes
    ----------
    name : str
        The sensor.
    unit : str
        What it sends where the payload does not say.
    quantity : str
        What it measures.
    units : mapping of str to (float, float)
        Unit as sent to scale and offset into the working unit: the stored unit, or mA, V or counts.
    per_count : float
        Stored value of one working unit, before calibration. [-]
    curves : tuple of Curve
        Calibrations by date.
    signal : bool
        Whether the working unit is mA or V, which means nothing without a calibration.
    current : bool
        Whether it is mA, so that failure signals are known.
    low, high : float
        Values outside are bad. [stored unit]
    """

    name: str
    unit: str
    quantity: str
    units: Mapping[str, tuple[float, float]]
    per_count: float
    curves: tuple[Curve, ...]
    signal: bool
    current: bool
    low: float
    high: float

    @property
    def plain(self) -> bool:
        """Whether scale and offset are all there is to it."""
        return not self.curves and not self.signal and self.per_count == 1.0


def sensor_conversion(name: str, sensor: Sensor, installation: Installation) -> Conversion:
    """Return the conversion of one sensor.

    Parameters
    ----------
    name : str
        The sensor's name.
    sensor : Sensor
        Its description.
    installation : Installation
        For the time zone in which calibration dates begin.

    Returns
    -------
    Conversion
        Everything that the values need.
    """
    units = sensor_units(sensor)
    low, high = sensor.range or (STATE_RANGE if sensor.quantity == "valve state" else (-np.inf, np.inf))
    return Conversion(
        name=name,
        unit=sensor.unit,
        quantity=sensor.quantity,
        units=units,
        per_count=1.0 if sensor.pulses_per_litre is None else 1.0 / sensor.pulses_per_litre,
        curves=_curves(sensor.calibration, units[sensor.unit], installation),
        signal=sensor.unit in SIGNALS,
        current=sensor.unit in SIGNALS and sensor.unit.endswith("A"),
        low=low - sensor.accuracy.limit(low) if np.isfinite(low) else low,
        high=high + sensor.accuracy.limit(high) if np.isfinite(high) else high,
    )


def _curves(
    calibrations: tuple[Calibration, ...], own: tuple[float, float], installation: Installation
) -> tuple[Curve, ...]:
    """Return the calibrations by date, raw values brought to the working unit."""
    scale, offset = own
    curves = []
    for calibration in sorted(calibrations, key=lambda c: c.valid_from):
        day = datetime.combine(calibration.valid_from, datetime.min.time(), installation.tz)
        points = sorted(calibration.points)
        curves.append(
            Curve(
                round(day.timestamp() * 1e6),
                np.array([raw * scale + offset for raw, _ in points]),
                np.array([true for _, true in points]),
            )
        )
    return tuple(curves)


@dataclass(frozen=True, slots=True)
class Converted:
    """Stored values and what is wrong with some.

    Attributes
    ----------
    value : numpy.ndarray of float64
        In the stored unit of each reading's sensor.
    quality : numpy.ndarray of int8
        Not evaluated, or bad outside the sensor's range and for a failure signal.
    uncalibrated : numpy.ndarray of bool
        True where a signal has no calibration valid at its time.
    """

    value: np.ndarray
    quality: np.ndarray
    uncalibrated: np.ndarray


class Converter:
    """Converts columns of readings of all sensors of one installation.

    Parameters
    ----------
    installation : Installation
        Whose sensors, in the order of the file, have the codes 0, 1, 2 ...
    """

    def __init__(self, installation: Installation) -> None:
        self.sensors = tuple(
            sensor_conversion(name, sensor, installation) for name, sensor in installation.sensor.items()
        )
        self._low = np.array([s.low for s in self.sensors])
        self._high = np.array([s.high for s in self.sensors])
        self._special = np.array([not s.plain for s in self.sensors])

    def convert(self, code: np.ndarray, working: np.ndarray, time_us: np.ndarray) -> Converted:
        """Convert working values to stored values.

        Parameters
        ----------
        code : numpy.ndarray of int
            Sensor of each value.
        working : numpy.ndarray of float64
            Values in the working unit of each sensor.
        time_us : numpy.ndarray
            When each was measured, for the calibration that was valid. [µs since 1970, UTC]

        Returns
        -------
        Converted
            Columns of the same length.
        """
        value = working.copy()
        quality = np.full(len(code), Quality.NOT_EVALUATED, np.int8)
        uncalibrated = np.zeros(len(code), bool)
        special = np.flatnonzero(self._special[code])
        if len(special):
            for sensor in np.unique(code[special]):
                at = special[code[special] == sensor]
                value[at], failed, uncalibrated[at] = _special(self.sensors[sensor], working[at], time_us[at])
                quality[at[failed]] = Quality.BAD
        quality[(value < self._low[code]) | (value > self._high[code])] = Quality.BAD
        return Converted(value, quality, uncalibrated)


def _special(
    sensor: Conversion, working: np.ndarray, time_us: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return stored values, failure signals and values without calibration, of one sensor."""
    value = working * sensor.per_count
    begins = np.array([curve.from_us for curve in sensor.curves], float)
    valid = np.searchsorted(begins, time_us, side="right") - 1
    for number, curve in enumerate(sensor.curves):
        at = valid == number
        value[at] = curve.apply(value[at])
    failed = np.zeros(len(working), bool)
    if sensor.current:
        failed = (working < FAILURE_LOW_MA) | (working > FAILURE_HIGH_MA)
    return value, failed, (valid < 0) & sensor.signal
