"""A long sequence of which one piece at a time is in memory."""

from __future__ import annotations

import tempfile
import weakref
from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from typing import Generic, TypeVar, overload

Item = TypeVar("Item")


class Pieces(Sequence[Item], Generic[Item]):
    """Pieces one after the other, each loaded when it is needed and let go when the next one is.

    Examples
    --------
    >>> pieces = Pieces()
    >>> pieces.add(2, lambda: ("a", "b"))
    >>> pieces.add(1, lambda: ("c",))
    >>> len(pieces), list(pieces), pieces[2], pieces[-3:-1]
    (3, ['a', 'b', 'c'], 'c', ('a', 'b'))
    """

    def __init__(self) -> None:
        self._load: list[Callable[[], Sequence[Item]]] = []
        self._first: list[int] = [0]

    def add(self, length: int, load: Callable[[], Sequence[Item]]) -> None:
        """Add a piece.

        Parameters
        ----------
        length : int
            How many items it has. [-]
        load : callable
            Returns them, always the same.
        """
        self._load.append(load)
        self._first.append(self._first[-1] + length)

    def __len__(self) -> int:
        """Return how many items all pieces have."""
        return self._first[-1]

    def __iter__(self) -> Iterator[Item]:
        """Go through all pieces."""
        for load in self._load:
            yield from load()

    @overload
    def __getitem__(self, place: int) -> Item: ...
    @overload
    def __getitem__(self, place: slice) -> tuple[Item, ...]: ...
    def __getitem__(self, place: int | slice) -> Item | tuple[Item, ...]:
        """Return one item, or some as a tuple."""
        if isinstance(place, slice):
            return tuple(self[at] for at in range(*place.indices(len(self))))
        at = place + len(self) if place < 0 else place
        if not 0 <= at < len(self):
            msg = f"there is no item {place} among {len(self)}"
            raise IndexError(msg)
        piece = bisect_right(self._first, at) - 1
        return self._load[piece]()[at - self._first[piece]]


def followed_by(items: Sequence[Item], more: Sequence[Item]) -> Sequence[Item]:
    """Return one sequence after the other, without going through a long one."""
    if not isinstance(items, Pieces):
        return (*items, *more)
    both: Pieces[Item] = Pieces()
    both.add(len(items), lambda: items)
    both.add(len(more), lambda: more)
    return both


class Spool:
    """Bytes put aside in a file without a name, which is gone when nobody needs it any more."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as what reads from it
        weakref.finalize(self, self._file.close)
        self._end = 0

    def put(self, data: bytes) -> Callable[[], bytes]:
        """Put bytes aside; return how to get them back."""
        start, length = self._end, len(data)
        self._file.seek(start)
        self._file.write(data)
        self._end += length

        def get() -> bytes:
            self._file.seek(start)
            return self._file.read(length)

        return get
