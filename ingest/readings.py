"""The reading, the one record that is stored: its columns, its units and its quality flags."""

from __future__ import annotations

from enum import IntEnum


class Quality(IntEnum):
    """Quality flags in the primary scheme of IOC/IODE, also used by QARTOD.

    References
    ----------
    UNESCO/IOC Manuals and Guides 54 volume 3 (2013), primary level flags.
    """

    GOOD = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    BAD = 4
    MISSING = 9


COLUMNS = ("time", "sensor", "value", "quality", "received")
"""Columns of the archive, in order; `value` has the stored unit of the sensor's quantity."""
