"""Readings as the devices send them: SenML packs (RFC 8428), one device a pack, one topic a device."""

from __future__ import annotations

import json
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from ingest.quantities import QUANTITIES, convert
from sample_data.sensing import device_of, readings

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from ingest.installation import Sensor
    from sample_data.plant import Plant

TOPIC = "quillfen"
"""First level of every topic."""

MOMENTS = 50
"""Moments in one pack when a device empties its memory; 7 sensors make about 15 kB of it."""

SENML_UNITS: Mapping[str, str] = MappingProxyType({"°C": "Cel", "S/m": "S/m", "Pa": "Pa", "count": "count"})
"""Unit in ``installation.toml`` to its symbol in the SenML registry; other units are left out."""


@dataclass(frozen=True, slots=True)
class Pack:
    """One message of one device: topic and JSON."""

    topic: str
    payload: bytes


def packs(plant: Plant, start: int, end: int) -> Iterator[Pack]:
    """Yield what the devices send of a window, by time.

    Parameters
    ----------
    plant : Plant
        The system and its history; it must reach to `end`.
    start, end : int
        The window, start included, end excluded. [s since 1970]

    Yields
    ------
    Pack
        At most `MOMENTS` moments of one device.
    """
    by_device: dict[str, list[str]] = {}
    for name, sensor in plant.installation.sensor.items():
        by_device.setdefault(device_of(sensor), []).append(name)
    columns = {
        device: {name: readings(plant, name, start, end) for name in names}
        for device, names in by_device.items()
    }
    for begin in range(start, end, MOMENTS * 10):
        for device, series in columns.items():
            if records := list(_records(plant, series, begin, begin + MOMENTS * 10)):
                yield _pack(device, records)


def _records(
    plant: Plant, series: Mapping[str, tuple[Any, Any]], begin: int, end: int
) -> Iterator[dict[str, Any]]:
    """Yield the records of one pack, without base fields, with absolute times."""
    for name, (times, values) in series.items():
        sensor = plant.installation.sensor[name]
        first, last = np.searchsorted(times, [begin, end])
        sent = [_sent(sensor, value) for value in values[first:last].tolist()]
        unit = SENML_UNITS.get(sensor.unit)
        for at, value in zip(times[first:last].tolist(), sent, strict=True):
            record = {"n": str(sensor.source.senml).rpartition(":")[2], "v": value, "t": at}
            yield record if unit is None else {**record, "u": unit}


def _sent(sensor: Sensor, value: float) -> float:
    """Return a value as the device sends it: in its own unit, or counted in pulses."""
    if sensor.pulses_per_litre is not None:
        return round(value * sensor.pulses_per_litre)
    return round(convert(value, QUANTITIES[sensor.quantity].unit, sensor.unit), 6)


def _pack(device: str, records: list[dict[str, Any]]) -> Pack:
    """Return one pack: base name and base time first, times relative to it (RFC 8428, section 4.5.1)."""
    base = min(record["t"] for record in records)
    for record in records:
        record["t"] -= base
        if record["t"] == 0:
            del record["t"]
    head = {"bn": f"{device}:", "bt": base}
    body = [{**head, **records[0]}, *records[1:]]
    return Pack(f"{TOPIC}/{device.rpartition(':')[2]}", json.dumps(body, separators=(",", ":")).encode())
