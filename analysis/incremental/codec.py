"""What was said of a stretch as bytes and back: every number to its last bit, every instant with its unit.

MessagePack holds a double as it is. Nothing in it can be run, so that a file that somebody put in the folder
can at worst be wrong, and its checksum tells most of that.
"""

from __future__ import annotations

import functools
import sys
import zlib
from typing import TYPE_CHECKING, Any, Literal

import msgspec
import numpy as np
import pandas as pd

from analysis.results import Estimate, Feature, Finding, Interval, Run
from analysis.said import StretchSaid

if TYPE_CHECKING:
    from collections.abc import Sequence

LEVEL = 1
"""Effort of the compression: words repeat, so that the least one gives a tenth of the size (measured)."""

Row = list[Any]


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
        return msgspec.msgpack.decode(zlib.decompress(data))
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
        _instant(until),
        tuple(_run(row) for row in runs),
        (),
        tuple((at, _finding(row)) for at, row in of_runs),
        tuple(_finding(row) for row in passing),
        tuple(_feature(row) for row in features),
    )


def unpack_estimates(data: bytes) -> tuple[Estimate, ...]:
    """Return the estimates that are the first part of `pack`."""
    return tuple(_estimate(row) for row in unpacked(data))


def _plain(value: object) -> object:
    """Return an instant as nanoseconds and unit, a number of numpy as Python's own."""
    if isinstance(value, pd.Timestamp):
        return (value.value, value.unit)
    if isinstance(value, np.generic):
        return value.item()
    msg = f"{type(value).__name__} cannot be kept"
    raise TypeError(msg)


def _row(record: Run | Estimate | Finding | Feature | Interval) -> Row:
    """Return a record's fields in their order."""
    values = (getattr(record, name) for name in record.__slots__)
    return [_row(value) if isinstance(value, Interval) else value for value in values]


def _instant(kept: Sequence[Any]) -> pd.Timestamp:
    value, unit = kept
    return _timestamp(value, unit)


@functools.lru_cache(maxsize=1024)
def _timestamp(value: int, unit: Literal["s", "ms", "us", "ns"]) -> pd.Timestamp:
    """Return an instant; every estimate of a run names the same one."""
    return pd.Timestamp(value, unit="ns", tz="UTC").as_unit(unit)


def _names(kept: Sequence[str]) -> tuple[str, ...]:
    return tuple(sys.intern(name) for name in kept)


def _run(row: Row) -> Run:
    zone, start, end, volume, flow, injection, complete, seen_by, told = row
    injected = None if injection is None else Interval(_instant(injection[0]), _instant(injection[1]))
    return Run(
        sys.intern(zone),
        _instant(start),
        _instant(end),
        volume,
        flow,
        injected,
        complete,
        _names(seen_by),
        sys.intern(told),
    )


def _estimate(row: Row) -> Estimate:
    quantity, zone, run_start, *rest = row
    rest[5] = _names(rest[5])
    return Estimate(quantity, zone, None if run_start is None else _instant(run_start), *rest)


def _finding(row: Row) -> Finding:
    kind, zone, sensor, start, end, *rest = row
    rest[4] = tuple(rest[4])
    return Finding(kind, zone, sensor, _instant(start), _instant(end), *rest)


def _feature(row: Row) -> Feature:
    name, zone, at, value, deviation, sensors = row
    return Feature(sys.intern(name), zone, _instant(at), value, deviation, _names(sensors))
