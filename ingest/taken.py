"""Which instants of a day the archive already has."""

from __future__ import annotations

import logging
from collections import OrderedDict
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa

from ingest import archive as parquet
from ingest.archive import US_PER_DAY, DamagedFileError
from ingest.days import files
from ingest.layout import day_of
from ingest.tables import sensors_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

log = logging.getLogger(__name__)

DAYS = 512
"""Days whose newest instants are remembered at a time; computed: some kilobytes each."""

_Columns = tuple[np.ndarray, np.ndarray, np.ndarray]
_NONE = -(2**62)


class Taken:
    """Tells new readings from those whose instant is stored.

    A sensor's readings come in order as a rule. So the newest stored instant of each sensor and day is
    remembered, and only what is not newer is looked up in the files.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    names : tuple of str
        The sensors, as the readings' codes count them.
    """

    def __init__(self, archive: Path, names: tuple[str, ...]) -> None:
        self._archive = archive
        self._code = {name: code for code, name in enumerate(names)}
        self._names = names
        self._newest: OrderedDict[str, np.ndarray] = OrderedDict()

    def forget(self) -> None:
        """Forget what is remembered, because somebody else has changed the archive."""
        self._newest.clear()

    def stored(self, folder: str, codes: np.ndarray, times_us: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Look readings up in a day's files.

        Parameters
        ----------
        folder : str
            The day's folder, relative to the archive.
        codes, times_us : numpy.ndarray
            Sensor and instant of each reading, all of this day. [µs since 1970, UTC]

        Returns
        -------
        numpy.ndarray of bool, numpy.ndarray of float64
            True where the instant is stored; the stored value there, else NaN.
        """
        there = np.zeros(len(codes), bool)
        values = np.full(len(codes), np.nan)
        late = np.flatnonzero(times_us <= self._newest_of(folder)[codes])
        if len(late):
            there[late], values[late] = self._look_up(folder, codes[late], times_us[late])
        return there, values

    def add(self, folder: str, codes: np.ndarray, times_us: np.ndarray) -> None:
        """Note that these readings are stored now; they are ordered by sensor and time."""
        last = np.append(codes[1:] != codes[:-1], True)
        np.maximum.at(self._newest_of(folder), codes[last], times_us[last])

    def _read(
        self, folder: str, sensors: list[str] | None, span: tuple[int, int] | None
    ) -> Iterator[_Columns]:
        """Yield code, instant and value of each of a day's files; one that is damaged takes no instants."""
        for path in files(self._archive, folder):
            try:
                table = parquet.read_file(
                    path, columns=["sensor", "time", "value"], sensors=sensors, span_us=span
                )
            except DamagedFileError:
                log.exception("a file of the archive is passed over")
                continue
            yield self._columns(table)

    def _newest_of(self, folder: str) -> np.ndarray:
        if folder not in self._newest:
            while len(self._newest) >= DAYS:
                self._newest.popitem(last=False)
            newest = np.full(len(self._names), _NONE)
            for codes, times, _ in self._read(folder, None, None):
                np.maximum.at(newest, codes, times)
            self._newest[folder] = newest
        self._newest.move_to_end(folder)
        return self._newest[folder]

    def _columns(self, table: pa.Table) -> _Columns:
        """Return code, instant and value of the rows whose sensor is known."""
        names, ranks = sensors_in(table)
        code_of = np.array([self._code.get(name, -1) for name in names], np.int64)
        codes = code_of[ranks] if len(names) else np.empty(0, np.int64)
        known = codes >= 0
        times = table.column("time").cast(pa.int64()).to_numpy()
        return codes[known], times[known], table.column("value").to_numpy()[known]

    def _look_up(self, folder: str, codes: np.ndarray, times_us: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        sensors = [self._names[code] for code in np.unique(codes).tolist()]
        span = (int(times_us.min()), int(times_us.max()))
        parts = list(self._read(folder, sensors, span))
        begin = day_of(folder) * US_PER_DAY
        keys = np.concatenate([np.empty(0, np.int64), *(c * US_PER_DAY + (t - begin) for c, t, _ in parts)])
        values = np.concatenate([np.empty(0), *(v for _, _, v in parts)])
        order = np.argsort(keys)
        keys, values = keys[order], values[order]
        wanted = codes.astype(np.int64) * US_PER_DAY + (times_us - begin)
        at = np.minimum(np.searchsorted(keys, wanted), max(len(keys) - 1, 0))
        there = keys[at] == wanted if len(keys) else np.zeros(len(wanted), bool)
        return there, np.where(there, values[at] if len(keys) else np.nan, np.nan)
