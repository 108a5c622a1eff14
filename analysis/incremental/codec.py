"""What was said of a stretch as bytes and back: every number to its last bit, every instant with its unit.

MessagePack holds a double as it is. Nothing in it can be run, so that a file that somebody put in the folder
can at worst be wrong, and its checksum tells most of that.
"""

from __future__ import annotations

import functools
import sys
import zlib
from typing import Any, Literal, TypeVar

import msgspec
import numpy as np
import pandas as pd

from analysis.results import Estimate, Feature, Finding, Interval, Run
from analysis.said import StretchSaid

Unit = Literal["s", "ms", "us", "ns"]

LEVEL = 1
"""Effort of the compression: words repeat, so that the least one gives a tenth of the size (measured)."""

UNITS: tuple[Unit, ...] = ("s", "ms", "us", "ns")
"""Units of instants; their place is the mark of an instant in MessagePack."""

INTERVAL = 4
"""Mark of an interval."""

WORD = 60
"""Shorter texts are names that come again and again, and are kept in memory once. No source."""

WORDS = frozenset({str, list})
"""Kinds of fields of which many are the same."""

Row = list[Any]
Record = TypeVar("Record", Run, Estimate, Finding, Feature)


def packed(value: Any) -> bytes:
    """Return plain values and records as bytes."""
    return zlib.compress(msgspec.msgpack.encode(value, enc_hook=_plain), LEVEL)


def unpacked(data: bytes) -> Any:
    """Return the plain values of `packed`, tuples as lists.

    Raises
    ------
    ValueError
        If these are no such bytes.
    """
    try:
        return msgspec.msgpack.decode(zlib.decompress(data), ext_hook=_marked)
    except (zlib.error, msgspec.MsgspecError) as error:
        msg = f"these bytes cannot be read: {error}"
        raise ValueError(msg) from error


def pack(said: StretchSaid) -> tuple[bytes, bytes]:
    """Return what was said as bytes: the estimates apart, which a season need not hold.

    Parameters
    ----------
    said : StretchSaid
        Of one stretch.

    Returns
    -------
    tuple of bytes
        The estimates, and everything else.
    """
    rest = [
        said.until,
        [_row(run) for run in said.runs],
        [(at, _row(finding)) for at, finding in said.of_runs],
        [_row(finding) for finding in said.passing],
        [_row(feature) for feature in said.features],
    ]
    return packed([_row(estimate) for estimate in said.estimates]), packed(rest)


def unpack(data: bytes) -> StretchSaid:
    """Return what was said, without its estimates.

    Parameters
    ----------
    data : bytes
        The second part of `pack`.

    Raises
    ------
    ValueError
        If these are no such bytes.
    """
    until, runs, of_runs, passing, features = unpacked(data)
    return StretchSaid(
        until,
        tuple(_record(Run, row) for row in runs),
        (),
        tuple((at, _record(Finding, row)) for at, row in of_runs),
        tuple(_record(Finding, row) for row in passing),
        tuple(_record(Feature, row) for row in features),
    )


def unpack_estimates(data: bytes) -> tuple[Estimate, ...]:
    """Return the estimates that are the first part of `pack`."""
    return tuple(_record(Estimate, row) for row in unpacked(data))


def _plain(value: object) -> object:
    """Return an instant as bytes marked with its unit, a number of numpy as Python's own."""
    if isinstance(value, pd.Timestamp):
        return msgspec.msgpack.Ext(UNITS.index(value.unit), value.value.to_bytes(8, "big", signed=True))
    if isinstance(value, np.generic):
        return value.item()
    msg = f"{type(value).__name__} cannot be kept"
    raise TypeError(msg)


def _row(record: Run | Estimate | Finding | Feature | Interval) -> Row:
    """Return a record's fields in their order."""
    return [_field(getattr(record, name)) for name in record.__slots__]


def _field(value: object) -> object:
    if isinstance(value, Interval):
        return msgspec.msgpack.Ext(INTERVAL, msgspec.msgpack.encode(_row(value), enc_hook=_plain))
    return value


def _marked(code: int, data: memoryview) -> object:
    """Return the instant or the interval that marked bytes mean."""
    if code == INTERVAL:
        return Interval(*msgspec.msgpack.decode(data, ext_hook=_marked))
    return _timestamp(int.from_bytes(data, "big", signed=True), UNITS[code])


@functools.lru_cache(maxsize=1024)
def _timestamp(value: int, unit: Unit) -> pd.Timestamp:
    """Return an instant; every estimate of a run names the same one."""
    return pd.Timestamp(value, unit="ns", tz="UTC").as_unit(unit)


def _record(kind: type[Record], row: Row) -> Record:
    """Return the record with these fields; names are kept once, lists were tuples."""
    return kind(*[_value(value) if type(value) in WORDS else value for value in row])


def _value(value: Any) -> Any:
    if isinstance(value, list):
        return _names(tuple(value))
    return sys.intern(value) if len(value) < WORD else value


@functools.lru_cache(maxsize=1024)
def _names(names: tuple[str, ...]) -> tuple[str, ...]:
    """Return a tuple of names, the same one each time."""
    return tuple(sys.intern(name) for name in names)
