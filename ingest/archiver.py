"""The archiver: a process that empties the journals into the archive and keeps it in order.

One at a time works on a site's archive; another waits and takes over when the first one ends, however.
"""

from __future__ import annotations

import logging
import time
from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ingest.archive import DamagedFileError
from ingest.depot import DepotError
from ingest.files import FULL, locked
from ingest.memory import give_back
from ingest.status import StatusFile, archiver_path

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from ingest.fleet_rounds import FleetRounds
    from ingest.rounds import Rounds

log = logging.getLogger(__name__)

EVERY_S = 15.0
"""Time between rounds at a low rate; readers see what is newer in the journal. [s]"""

BACKLOG_BYTES = 8 * 2**20
"""Journal at which a round begins at once. [bytes]"""

LOOK_S = 0.2
"""Time between looks at the journals. [s]"""

UPKEEP_S = 5.0
"""Time between looks for files to merge and days to close. [s]"""

FULL_RETRY_S = 2.0
"""Time before the next try when the disk is full. [s]"""


PROBLEM_RETRY_S = 30.0
"""Time before the next upkeep after one that failed, because a depot is out of reach, say. [s]"""


@dataclass(slots=True)
class Progress:
    """How the archiver stands.

    Attributes
    ----------
    state : str
        ``waiting`` for another archiver to end, ``archiving``, ``disk full`` or ``stopped``.
    problem : str
        Why it does not archive, for a person.
    counts : dict of str to int
        Readings, duplicates, messages and rejects by reason, since the process began.
    backlog : int
        Journal that is not archived. [bytes]
    newest_us : int
        Newest instant stored since the process began, 0 where none. [µs since 1970, UTC]
    rounds, merged, closed, shipped : int
        Rounds done, folders merged, days closed, day's folders sent to the depot.
    """

    state: str = "waiting"
    problem: str = ""
    counts: dict[str, int] = field(default_factory=dict)
    backlog: int = 0
    newest_us: int = 0
    rounds: int = 0
    merged: int = 0
    closed: int = 0
    shipped: int = 0


@dataclass(slots=True)
class Archiver:
    """Archives until it is told to stop.

    Parameters
    ----------
    archive : Path
        The archive's folder, or the fleet's.
    site : str
        The installation's name as it stands in archive paths, or the fleet's.
    rounds : Rounds or FleetRounds
        The work.
    should_stop : callable
        Asked between rounds.
    every_s : float
        See `EVERY_S`. [s]
    """

    archive: Path
    site: str
    rounds: Rounds | FleetRounds
    should_stop: Callable[[], bool]
    every_s: float = EVERY_S
    progress: Progress = field(default_factory=Progress)
    _problems: dict[str, str] = field(init=False, default_factory=dict)

    def run(self) -> None:
        """Archive until told to stop, then once more.

        Raises
        ------
        OSError
            If the disk is broken.
        """
        status = StatusFile(archiver_path(self.archive, self.site))
        lock = self.archive / "state" / f"site={self.site}" / "archiver.lock"
        while True:
            with locked(lock, wait=False) as mine:
                if mine:
                    self._work(status)
                    return
            if self.should_stop():
                return
            time.sleep(LOOK_S)

    def _work(self, status: StatusFile) -> None:
        rounds = self.rounds
        due = upkeep_due = 0.0
        self.progress.state = "archiving"
        while not self.should_stop():
            now = time.monotonic()
            busy = False
            self.progress.backlog = rounds.backlog()
            if self.progress.backlog >= BACKLOG_BYTES or (self.progress.backlog and now >= due):
                busy = self._try(self._round)
                due = now + (self.every_s if busy else FULL_RETRY_S)
            if now >= upkeep_due:
                again = self._try(self._upkeep)
                busy = busy or again
                upkeep_due = now + (0.0 if again else self._rest())
            if not busy:
                time.sleep(LOOK_S)
            status.write(self.progress)
        while rounds.backlog() and self._try(self._round):
            pass
        self.progress.state = "stopped"
        status.write(self.progress)

    def _rest(self) -> float:
        """Return the time before the next upkeep. [s]"""
        return PROBLEM_RETRY_S if self._problems.get("_upkeep") else UPKEEP_S

    def _try(self, work: Callable[[], bool]) -> bool:
        """Do some work; where the disk is full, a file damaged or the depot silent, say so and return False."""
        try:
            result = work()
        except OSError as error:
            if error.errno not in FULL:
                raise
            self._say(work, "disk full", f"{self.archive}: the disk is full; make room, and it goes on")
            return False
        except (DamagedFileError, DepotError) as error:
            self._say(work, "archiving", str(error))
            return False
        self._say(work, "archiving", "")
        return result

    def _say(self, work: Callable[[], bool], state: str, problem: str) -> None:
        """Note how some work went; a problem stands until the same work succeeds."""
        if problem and problem != self._problems.get(work.__name__):
            log.warning("%s", problem)
        self._problems[work.__name__] = problem
        self.progress.state = state
        self.progress.problem = "; ".join(sorted({said for said in self._problems.values() if said}))

    def _round(self) -> bool:
        report = self.rounds.run()
        give_back()
        self.progress.rounds += 1
        self.progress.counts = dict(Counter(self.progress.counts) + report.counts)
        self.progress.newest_us = max(self.progress.newest_us, report.newest_us)
        return report.size > 0

    def _upkeep(self) -> bool:
        """Do some upkeep; tell whether there was any."""
        done = self.rounds.upkeep()
        self.progress.merged += len(done.folders)
        self.progress.closed += len(done.closed)
        self.progress.shipped += len(done.shipped)
        if done:
            give_back()
        return bool(done)
