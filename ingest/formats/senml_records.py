"""SenML packs with care: record by record, each bad one told, the good ones kept."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ingest.formats.senml import RELATIVE_BELOW, PackError, Problem, Resolved, resolve
from ingest.formats.units import sum_unit
from ingest.records import Place, shown

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from ingest.conversion import Conversion
    from ingest.formats.batch import Batch

BELIEVABLE_US = 1e18
"""Times beyond this are not rounded, only refused. Computed: the year 33658. [µs]"""


class SenmlNames:
    """The SenML names that one topic may carry, and the sensor of each.

    Parameters
    ----------
    sensors : mapping of (str, str) to int
        SenML name and field (``"v"``, or ``"s"`` for the sum) to the sensor's code.
    conversions : sequence of Conversion
        By code.
    """

    def __init__(self, sensors: Mapping[tuple[str, str], int], conversions: Sequence[Conversion]) -> None:
        self.sensors = dict(sensors)
        self._conversions = conversions
        self._tables: dict[tuple[str, str | None], dict[tuple[str, str | None], int]] = {}
        self._entries: list[tuple[int, float, float]] = []

    def table(self, base: str, unit: str | None) -> dict[tuple[str, str | None], int] | None:
        """Return the names under one base name, for the fast path.

        Parameters
        ----------
        base : str
            Base name.
        unit : str or None
            Base unit.

        Returns
        -------
        dict or None
            Rest of the name and own unit to an index into `columns`; None where no sensor fits, so that
            names from outside leave nothing behind.
        """
        found = self._tables.get((base, unit))
        if found is None:
            found = dict(self._fill(base, unit))
            if not found:
                return None
            self._tables[base, unit] = found
        return found

    def _fill(self, base: str, unit: str | None) -> Iterator[tuple[tuple[str, str | None], int]]:
        """Yield the entries of one table."""
        for (name, field), code in self.sensors.items():
            sensor = self._conversions[code]
            if field != "v" or not name.startswith(base) or unit not in (None, *sensor.units):
                continue
            for sent in (None, *sensor.units):
                scale, offset = sensor.units[sent or unit or sensor.unit]
                self._entries.append((code, scale, offset))
                yield (name[len(base) :], sent), len(self._entries) - 1

    def columns(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Return code, scale and offset of every entry of every table so far."""
        code, scale, offset = zip(*self._entries, strict=True)
        return np.array(code, np.int32), np.array(scale), np.array(offset)


def read_pack(batch: Batch, item: int, loads: Callable[[bytes], object], names: SenmlNames) -> None:
    """Read one pack record by record.

    Parameters
    ----------
    batch : Batch
        Takes readings and rejects.
    item : int
        Index of the message.
    loads : callable
        Payload to a list of mappings with text labels; raises ValueError or RecursionError.
    names : SenmlNames
        The names that the message may carry.
    """
    message = batch.messages[item]
    try:
        for record in resolve(loads(message.payload)):
            _add(batch, item, record, names)
    except PackError as error:
        batch.rejects.add(error.reason, str(error), item)
    except RecursionError:
        batch.rejects.add("too deep", f"topic {shown(message.topic)}: {shown(message.payload)}", item)
    except ValueError as error:
        detail = f"topic {shown(message.topic)}: {error}; it begins {shown(message.payload)}"
        batch.rejects.add("syntax", detail, item)


def _add(batch: Batch, item: int, record: Resolved | Problem, names: SenmlNames) -> None:
    """Add one resolved record, or its problem."""
    if isinstance(record, Problem):
        batch.rejects.add(record.reason, record.detail, item)
        return
    value_of = names.sensors.get((record.name, "v"))
    total_of = names.sensors.get((record.name, "s"))
    if value_of is None and total_of is None:
        batch.rejects.add("unknown sensor", f"no sensor has source senml = {shown(record.name)}", item)
        return
    if (value_of is None or record.value is None) and (total_of is None or record.total is None):
        detail = f"{shown(record.name)}: the field that the sensor reads is missing"
        batch.rejects.add("no value", detail, item)
        return
    time_us = record.time_s * 1e6
    if abs(time_us) < BELIEVABLE_US:
        time_us = float(round(time_us))
    for code, value, unit in (
        (value_of, record.value, record.unit),
        (total_of, record.total, None if record.unit is None else sum_unit(record.unit)),
    ):
        if code is not None and value is not None:
            batch.add(
                code,
                value,
                message=item,
                place=Place("", record.name),
                unit=unit,
                time_us=time_us,
                relative=record.time_s < RELATIVE_BELOW,
            )
