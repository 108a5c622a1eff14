"""No reading twice: orders readings by sensor and time, and finds those whose place is taken."""

from __future__ import annotations

import numpy as np


def order_of(codes: np.ndarray, times_us: np.ndarray) -> np.ndarray:
    """Return the order by sensor, then time; equal ones keep theirs.

    Parameters
    ----------
    codes : numpy.ndarray of int32
        Sensor of each reading; not negative.
    times_us : numpy.ndarray of int64
        Instant of each reading. [µs since 1970, UTC]

    Returns
    -------
    numpy.ndarray of int64
        Indices.

    Examples
    --------
    >>> order_of(np.array([1, 0, 1], np.int32), np.array([5, 7, 3])).tolist()
    [1, 2, 0]
    """
    small = codes.astype(np.uint16) if len(codes) and int(codes.max()) < 2**16 else codes
    order = np.argsort(small, kind="stable")
    ordered_codes, ordered_times = small[order], times_us[order]
    back = (ordered_times[1:] < ordered_times[:-1]) & (ordered_codes[1:] == ordered_codes[:-1])
    return np.lexsort((times_us, codes)) if back.any() else order


def repeats(codes: np.ndarray, times_us: np.ndarray) -> np.ndarray:
    """Flag the readings whose sensor and instant are those of the one before.

    Parameters
    ----------
    codes, times_us : numpy.ndarray
        As for `order_of`, already in that order.

    Returns
    -------
    numpy.ndarray of bool
        True where the place is taken.

    Examples
    --------
    >>> repeats(np.array([0, 0, 1]), np.array([5, 5, 5])).tolist()
    [False, True, False]
    """
    flags = np.zeros(len(codes), bool)
    flags[1:] = (codes[1:] == codes[:-1]) & (times_us[1:] == times_us[:-1])
    return flags


def same_value(one: np.ndarray, other: np.ndarray) -> np.ndarray:
    """Flag the pairs of equal values; two that are not numbers are equal.

    Examples
    --------
    >>> same_value(np.array([1.0, np.nan, 2.0]), np.array([1.0, np.nan, 3.0])).tolist()
    [True, True, False]
    """
    equal: np.ndarray = (one == other) | (np.isnan(one) & np.isnan(other))
    return equal
