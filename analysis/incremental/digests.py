"""Digests of readings: two numbers an hour and sensor that change when any reading of it does, in whatever order.

A sum of well mixed numbers, one a reading, needs no sorting and is the same however the readings are spread
over files. 128 bits tell readings apart; they do not guard against somebody who forges them, for which the
chain of manifests is there.
"""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    Words = NDArray[np.uint64]

HOURS = 24
"""Hours of a day. [h]"""

US_PER_HOUR = 3_600_000_000
"""[us]"""

_ODD = tuple(np.uint64(n) for n in (0x9E3779B97F4A7C15, 0xC2B2AE3D27D4EB4F, 0x165667B19E3779F9))
_MIX = tuple(np.uint64(n) for n in (0xBF58476D1CE4E5B9, 0x94D049BB133111EB))
_SHIFT = tuple(np.uint64(n) for n in (30, 27, 31))


def hourly(readings: pd.DataFrame, midnight_us: int) -> dict[str, Words]:
    """Return the digests of one day's readings.

    Parameters
    ----------
    readings : pandas.DataFrame
        Columns ``time`` (UTC), ``sensor`` (categorical), ``value``, ``quality`` and perhaps ``received`` (UTC), all of
        one day.
    midnight_us : int
        When that day begins. [us since 1970, UTC]

    Returns
    -------
    dict of str to ndarray
        Sensor to `HOURS` rows of two numbers.

    References
    ----------
    G. L. Steele, D. Lea, C. H. Flood, Fast splittable pseudorandom number generators, OOPSLA 2014, figure 16
    (the mixing function), from memory.

    Examples
    --------
    >>> import pandas as pd
    >>> frame = pd.DataFrame({"time": pd.to_datetime(["2026-05-01T01:30Z"]), "value": [1.5], "quality": [1]})
    >>> frame["sensor"] = pd.Categorical(["ec"])
    >>> midnight = pd.Timestamp("2026-05-01", tz="UTC").value // 1000
    >>> np.flatnonzero(hourly(frame, midnight)["ec"][:, 0]).tolist()
    [1]
    """
    names = [str(name) for name in readings["sensor"].cat.categories]
    codes = readings["sensor"].cat.codes.to_numpy().astype(np.int64)
    times = pd.DatetimeIndex(readings["time"]).as_unit("us").asi8
    # minus zero equals zero and a quality is small, so that neither may tell equal readings apart
    bits = (readings["value"].to_numpy(float) + 0.0).view(np.uint64)
    place = codes * HOURS + np.clip((times - midnight_us) // US_PER_HOUR, 0, HOURS - 1)
    salt = np.array([_salt(name) for name in names], np.uint64)[codes]
    with np.errstate(over="ignore"):
        one = _mixed(times.view(np.uint64) * _ODD[0] + _mixed(bits + salt))
        quality = readings["quality"].to_numpy().astype(np.uint64)
        one = _mixed(one + quality * _ODD[2])
        if "received" in readings:
            receipt = pd.DatetimeIndex(readings["received"]).as_unit("us").asi8
            one = _mixed(one + receipt.view(np.uint64) * _ODD[1])
        sums = np.zeros((len(names) * HOURS, 2), np.uint64)
        for column, words in enumerate((one, _mixed(one * _ODD[1] + bits))):
            sums[:, column] = _sums(place, words, len(sums))
    return {name: sums[at * HOURS : (at + 1) * HOURS] for at, name in enumerate(names)}


def of_sensors(digests: Mapping[str, Words], sensors: Iterable[str]) -> Words:
    """Return the digests of some sensors together: `HOURS` rows of two numbers."""
    found = [digests[name] for name in sensors if name in digests]
    return np.sum(found, axis=0, dtype=np.uint64) if found else np.zeros((HOURS, 2), np.uint64)


def _salt(name: str) -> int:
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:8], "little")


def _mixed(words: Words) -> Words:
    """Return words of which each bit depends on every bit of what was given."""
    words = (words ^ (words >> _SHIFT[0])) * _MIX[0]
    words = (words ^ (words >> _SHIFT[1])) * _MIX[1]
    return np.asarray(words ^ (words >> _SHIFT[2]))


def _sums(place: NDArray[np.int64], words: Words, size: int) -> Words:
    """Return the sum of the words at each place."""
    if not len(place):
        return np.zeros(size, np.uint64)
    order = np.argsort(place, kind="stable")
    places, first = np.unique(place[order], return_index=True)
    out = np.zeros(size, np.uint64)
    out[places] = np.add.reduceat(words[order], first)
    return out
