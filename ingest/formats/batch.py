"""Where every format puts what it read: one batch of messages becomes columns and counted rejects."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from ingest.conversion import Converter
from ingest.readings import Quality
from ingest.records import Decoded, Message, Place, Reject, RejectList, shown

if TYPE_CHECKING:
    from collections.abc import Sequence

    from ingest.conversion import Conversion, Converted

EARLIEST_US = 946_684_800_000_000
"""Start of 2000. A clock that shows less was never set. [µs since 1970, UTC]"""

LATEST_AHEAD_US = 86_400_000_000
"""A clock further ahead of receipt than a day is not believed at all. Common practice, no source. [µs]"""

SUSPECT_AHEAD_US = 60_000_000
"""A reading further ahead of receipt than a minute is kept, as suspect. Common practice, no source. [µs]"""

STATES = {"on": 1.0, "open": 1.0, "true": 1.0, "off": 0.0, "closed": 0.0, "false": 0.0}
"""How devices spell a valve's state."""


Sent = float | bool | str | None
"""A value as a payload may have it."""


@dataclass(frozen=True, slots=True)
class Block:
    """Readings as columns of one length, in working units.

    Attributes
    ----------
    code : numpy.ndarray of int32
        Sensor.
    working : numpy.ndarray of float64
        Value in the sensor's working unit.
    time_us : numpy.ndarray of float64
        When it was measured, whole numbers. [µs since 1970, UTC]
    message : numpy.ndarray of int32
        Index of the message.
    quality : numpy.ndarray of int8
        What the device itself thinks of it.
    """

    code: np.ndarray
    working: np.ndarray
    time_us: np.ndarray
    message: np.ndarray
    quality: np.ndarray


@dataclass(slots=True)
class Batch:
    """One batch of messages while it is read.

    Attributes
    ----------
    messages : sequence of Message
        What came in.
    converter : Converter
        The installation's sensors.
    rejects, notices : RejectList
        What is not stored, and what is stored but worth a note.
    blocks : list of Block
        Columns that a fast path filled.
    """

    messages: Sequence[Message]
    converter: Converter
    rejects: RejectList = field(default_factory=RejectList)
    notices: RejectList = field(default_factory=RejectList)
    blocks: list[Block] = field(default_factory=list)
    _rows: list[tuple[int, float, float, int, int]] = field(default_factory=list)

    def add(
        self,
        code: int,
        value: Sent,
        *,
        message: int,
        place: Place,
        unit: str | None = None,
        time_us: float | None = None,
        relative: bool = False,
        quality: Quality = Quality.NOT_EVALUATED,
    ) -> None:
        """Add one reading, or the reject that says why not.

        Parameters
        ----------
        code : int
            The sensor.
        value : float, bool, str or None
            As the payload has it.
        message : int
            Index of the message.
        place : Place
            Where in the payload it stands, for a person.
        unit : str or None
            As sent; None for the sensor's own.
        time_us : float or None
            When; None for the moment of receipt. [µs]
        relative : bool
            Whether the time counts from the moment of receipt.
        quality : Quality
            What the device itself thinks of the value.
        """
        sensor = self.converter.sensors[code]
        source = self.messages[message]
        factors = sensor.units.get(sensor.unit if unit is None else unit)
        number = as_number(value, sensor)
        if factors is None:
            self.rejects.add("unit", f"{place}: {shown(unit)} for {_wanted(sensor)}", message)
        elif number is None:
            self.rejects.add("not a number", f"{place}: {shown(value)} for {_wanted(sensor)}", message)
        elif not math.isfinite(number):
            self.rejects.add("not finite", f"{place}: {number} for {_wanted(sensor)}", message)
        elif source.retained and (time_us is None or relative):
            self.rejects.add("retained", f"{place}: kept by the broker and without a time", message)
        else:
            when = float(source.received_us) if time_us is None or relative else 0.0
            when += 0.0 if time_us is None else time_us
            self._rows.append((code, number * factors[0] + factors[1], when, message, int(quality)))

    def finish(self) -> Decoded:
        """Return the columns of the whole batch, checked and converted."""
        rows = self._columns()
        received = np.array([m.received_us for m in self.messages], np.int64)[rows.message]
        ahead = rows.time_us - received
        believed = (rows.time_us >= EARLIEST_US) & (ahead <= LATEST_AHEAD_US)
        with np.errstate(over="ignore", invalid="ignore"):  # what overflows is told below
            done = self.converter.convert(rows.code, rows.working, rows.time_us)
        keep = believed & np.isfinite(done.value) & ~done.uncalibrated
        if not keep.all():
            self._reject_rows(rows, believed, done)
        quality = np.maximum(done.quality, rows.quality)
        quality[(ahead > SUSPECT_AHEAD_US) & (quality == Quality.NOT_EVALUATED)] = Quality.SUSPECT
        return Decoded(
            names=tuple(sensor.name for sensor in self.converter.sensors),
            code=rows.code[keep],
            time_us=rows.time_us[keep].astype(np.int64),
            value=done.value[keep],
            quality=quality[keep],
            received_us=received[keep],
            message=rows.message[keep],
            rejects=sorted(self.rejects.entries, key=_by_message),
            notices=sorted(self.notices.entries, key=_by_message),
        )

    def _columns(self) -> Block:
        """Return all blocks and rows as one, in the order of the messages."""
        blocks = [*self.blocks, _block(self._rows)]
        message = np.concatenate([block.message for block in blocks])
        order = np.argsort(message, kind="stable") if len(self.blocks) > 1 or self._rows else slice(None)
        return Block(
            np.concatenate([block.code for block in blocks])[order],
            np.concatenate([block.working for block in blocks])[order],
            np.concatenate([block.time_us for block in blocks])[order],
            message[order],
            np.concatenate([block.quality for block in blocks])[order],
        )

    def _reject_rows(self, rows: Block, believed: np.ndarray, done: Converted) -> None:
        """Tell each row that is not kept, once."""
        for row in np.flatnonzero(~believed | done.uncalibrated | ~np.isfinite(done.value)).tolist():
            sensor = self.converter.sensors[rows.code[row]]
            message = int(rows.message[row])
            if not believed[row]:
                received = self.messages[message].received_us
                detail = f"{sensor.name}: {_ahead(rows.time_us[row], received)}"
                self.rejects.add("clock", detail, message)
            elif done.uncalibrated[row]:
                detail = f"{sensor.name}: {rows.working[row]:g} {sensor.unit}, and no calibration valid then"
                self.rejects.add("calibration", detail, message)
            else:
                self.rejects.add("not finite", f"{sensor.name}: too large a number", message)


def _block(rows: list[tuple[int, float, float, int, int]]) -> Block:
    """Return single rows as columns."""
    return Block(
        np.array([row[0] for row in rows], np.int32),
        np.array([row[1] for row in rows], float),
        np.array([row[2] for row in rows], float),
        np.array([row[3] for row in rows], np.int32),
        np.array([row[4] for row in rows], np.int8),
    )


def _by_message(reject: Reject) -> int:
    """Return the sort key of rejects."""
    return reject.message


def _wanted(sensor: Conversion) -> str:
    """Return what a sensor takes, for a person."""
    return f"sensor {sensor.name}, which takes {sensor.quantity} in {sensor.unit}"


def _ahead(time_us: float, received_us: int) -> str:
    """Return how wrong a clock is, for a person."""
    if time_us < EARLIEST_US:
        return f"time {time_us / 1e6:.0f} s since 1970 is before 2000; is the device's clock set?"
    return f"time is {(time_us - received_us) / 3.6e9:.1f} h ahead of receipt; is the device's clock set?"


def as_number(value: Sent, sensor: Conversion) -> float | None:
    """Return a value as a number, where it is one for this sensor.

    Parameters
    ----------
    value : float, bool, str or None
        As the payload has it.
    sensor : Conversion
        Only a valve's state may be a truth value or a word.

    Returns
    -------
    float or None
        None where it is no number.
    """
    if isinstance(value, (bool, str)):
        if sensor.quantity != "valve state":
            return None
        return float(value) if isinstance(value, bool) else STATES.get(value.strip().lower())
    try:
        return None if value is None else float(value)
    except OverflowError:
        return math.inf
