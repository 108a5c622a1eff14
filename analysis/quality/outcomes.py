"""What the quality tests can say of a reading, gravest last, and the flag that each stands for."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal

import numpy as np

from ingest.readings import Quality

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

Status = Literal["provisional", "final"]
"""Whether flags can still change."""


class Outcome(IntEnum):
    """What the tests say of one reading; of several failed tests the greatest number stands."""

    PASSED = 0
    WAITING = 1
    """A test needs readings that have not come yet."""
    DOOR_SUSPECT = 2
    """Called suspect when it came in: by its clock, or by the device itself."""
    SPIKE = 3
    RATE = 4
    FLAT = 5
    BESIDE_DRY = 6
    DOOR_BAD = 7
    """Called bad when it came in."""
    RANGE = 8
    DRY = 9
    MISSING = 10


FLAG_OF: NDArray[np.int8] = np.array(
    [
        Quality.GOOD,
        Quality.NOT_EVALUATED,
        *[Quality.SUSPECT] * 5,
        *[Quality.BAD] * 3,
        Quality.MISSING,
    ],
    np.int8,
)
"""Outcome to its flag."""

WORDS: Mapping[Outcome, str] = MappingProxyType(
    {
        Outcome.PASSED: "passed",
        Outcome.WAITING: "waits for the next readings",
        Outcome.DOOR_SUSPECT: "clock or device",
        Outcome.SPIKE: "spike",
        Outcome.RATE: "rate of change",
        Outcome.FLAT: "flat line",
        Outcome.BESIDE_DRY: "beside a dry cell",
        Outcome.DOOR_BAD: "bad when it came in",
        Outcome.RANGE: "gross range",
        Outcome.DRY: "dry cell",
        Outcome.MISSING: "missing",
    }
)
"""Outcome to its word, as it stands on the page and in the export."""

_DOOR = np.zeros(max(Quality) + 1, np.int8)
_DOOR[Quality.SUSPECT], _DOOR[Quality.BAD], _DOOR[Quality.MISSING] = (
    Outcome.DOOR_SUSPECT,
    Outcome.DOOR_BAD,
    Outcome.MISSING,
)


def at_the_door(stored: NDArray[np.int8]) -> NDArray[np.int8]:
    """Return what the flags that were stored with readings say.

    Parameters
    ----------
    stored : numpy.ndarray of int
        `ingest.readings.Quality`.

    Returns
    -------
    numpy.ndarray of int8
        `Outcome`, same length: what was not called suspect, bad or missing has passed.

    Examples
    --------
    >>> [Outcome(int(n)).name for n in at_the_door(np.array([2, 3, 4, 9]))]
    ['PASSED', 'DOOR_SUSPECT', 'DOOR_BAD', 'MISSING']
    """
    return np.asarray(_DOOR[stored], np.int8)


@dataclass(frozen=True, slots=True)
class Count:
    """How many readings of one sensor and day have one outcome.

    Attributes
    ----------
    day : pandas.Timestamp
        Midnight at which the day begins. [UTC]
    status : {"provisional", "final"}
        Whether they can still change.
    sensor : str
        Its name.
    outcome : Outcome
        What the tests said.
    count : int
        How many. [-]
    """

    day: pd.Timestamp
    status: Status
    sensor: str
    outcome: Outcome
    count: int

    @property
    def flag(self) -> Quality:
        """The flag of these readings."""
        return Quality(int(FLAG_OF[self.outcome]))
