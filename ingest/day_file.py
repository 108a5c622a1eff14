"""One file of a day, in the archive's folder or in its depot: where it stands, and how it is opened."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

    from pyarrow import NativeFile

    from ingest.depot import Depot


@dataclass(frozen=True, slots=True)
class DayFile:
    """One file of a day.

    Attributes
    ----------
    folder : str
        Its day's folder, relative to the archive.
    name : str
        Within it.
    size : int
        Its length. [bytes]
    path : Path, optional
        Where it stands, if that is in the archive's folder.
    depot : Depot, optional
        What holds it, if that is a depot.
    written_ns : int
        When it was written, if it stands in the archive's folder. [ns since 1970, UTC]
    """

    folder: str
    name: str
    size: int
    path: Path | None = None
    depot: Depot | None = None
    written_ns: int = 0

    def __str__(self) -> str:
        """Return where it stands, for a person."""
        return str(self.path) if self.depot is None else f"{self.depot.url}/{self.folder}/{self.name}"

    def open(self) -> Path | NativeFile:
        """Return what a Parquet reader takes: a path, or an open file.

        Raises
        ------
        FileNotFoundError
            If it is not there any more.
        DepotError
            If the depot does not answer.
        """
        if self.depot is not None:
            return self.depot.open(f"{self.folder}/{self.name}")
        return self._path()

    def read_bytes(self) -> bytes:
        """Return its bytes. Errors as for `open`."""
        if self.depot is not None:
            return self.depot.read(f"{self.folder}/{self.name}")
        return self._path().read_bytes()

    def _path(self) -> Path:
        if self.path is None:
            raise FileNotFoundError(self.name)
        return self.path
