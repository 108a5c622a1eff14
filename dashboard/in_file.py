"""Whether what people measured is in the installation file yet: only from there does it change a number."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any, Literal

from pydantic import ValidationError

from ingest.installation import Sensor, Stock

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from ingest.installation import Installation

State = Literal["used", "waiting", "replaced", "gone"]


def state_of(
    entry: Mapping[str, Any], newer: Iterable[Mapping[str, Any]], installation: Installation
) -> State:
    """Return whether a calibration or dilution series that was written down is in the installation file.

    Parameters
    ----------
    entry : mapping
        A row of the entries, with the lines for the file.
    newer : iterable of mapping
        Rows that were written after it.
    installation : Installation
        As it was read when the dashboard started.

    Returns
    -------
    {"used", "waiting", "replaced", "gone"}
        ``used`` where the file has it; ``replaced`` where a newer one of the same thing was written down;
        ``gone`` where the file has no such sensor or stock any more.
    """
    key = "sensor" if "sensor" in entry else "stock"
    name = str(entry[key])
    if name not in (installation.sensor if key == "sensor" else installation.stock):
        return "gone"
    if _calibrated(entry, installation) if key == "sensor" else _diluted(entry, installation):
        return "used"
    return (
        "replaced"
        if any(row.get(key) == name and row["what"] == entry["what"] for row in newer)
        else "waiting"
    )


def states(
    rows: Iterable[Mapping[str, Any]], installation: Installation
) -> list[tuple[Mapping[str, Any], State]]:
    """Return calibrations and dilution series, newest first as given, each with its state."""
    found: list[tuple[Mapping[str, Any], State]] = []
    for row in rows:
        if "file" in row:
            found.append((row, state_of(row, [other for other, _ in found], installation)))
    return found


def _lines(entry: Mapping[str, Any], key: str) -> dict[str, Any]:
    """Return the table that the entry's lines make."""
    table = tomllib.loads(str(entry["file"]))[key][str(entry[key])]
    return dict(table)


def _calibrated(entry: Mapping[str, Any], installation: Installation) -> bool:
    described = installation.sensor[str(entry["sensor"])]
    try:
        read = Sensor.model_validate(sensor_table(described) | _lines(entry, "sensor")).calibration
    except ValidationError:
        return False
    newest = max(read, key=lambda c: c.valid_from)
    return newest in described.calibration


def _diluted(entry: Mapping[str, Any], installation: Installation) -> bool:
    described = installation.stock[str(entry["stock"])]
    try:
        read = Stock.model_validate({"injector": described.injector} | _lines(entry, "stock"))
    except ValidationError:
        return False
    return read.dilutions == described.dilutions


def sensor_table(described: Sensor) -> dict[str, Any]:
    """Return what a sensor's calibration is checked with: its description, without where it comes from."""
    table = {"quantity": described.quantity, "point": described.point, "unit": described.unit}
    return {**table, "zone": described.zone, "source": {"csv": "x"}}
