"""A limit on how often something may be tried."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

REMEMBERED = 10_000
"""Most keys that are remembered; the oldest are forgotten first. [-]"""


class Throttle:
    """Counts tries by key in a moving stretch of time.

    Parameters
    ----------
    most : int
        Tries that are let through in the stretch.
    within_s : float
        Length of the stretch. [s]
    clock : callable
        Gives a time that never goes back. [s]
    """

    def __init__(self, most: int, within_s: float, clock: Callable[[], float]) -> None:
        self.most = most
        self.within_s = within_s
        self.clock = clock
        self._tries: OrderedDict[str, list[float]] = OrderedDict()
        self._lock = threading.Lock()

    def is_spent(self, key: str) -> bool:
        """Return whether a key has had all its tries; does not count as one."""
        with self._lock:
            return len(self._recent(key)) >= self.most

    def count(self, key: str) -> bool:
        """Count one try; return whether it is one too many."""
        with self._lock:
            recent = self._recent(key)
            recent.append(self.clock())
            self._tries[key] = recent[-self.most - 1 :]
            self._tries.move_to_end(key)
            while len(self._tries) > REMEMBERED:
                self._tries.popitem(last=False)
            return len(recent) > self.most

    def forget(self, key: str) -> None:
        """Begin anew for a key, after a success."""
        with self._lock:
            self._tries.pop(key, None)

    def _recent(self, key: str) -> list[float]:
        since = self.clock() - self.within_s
        return [at for at in self._tries.get(key, ()) if at > since]
