"""One round for a fleet: a stretch of the journal that all sites share goes to each site's archive.

The sites come first, each with its own checkpoint, the fleet's own place last. After a crash between them
the stretch is read again, and a site passes over what it has.
"""

from __future__ import annotations

import functools
import time
from collections import Counter
from dataclasses import replace
from typing import TYPE_CHECKING

from ingest import checkpoint as checkpoints
from ingest import sort_out
from ingest.checkpoint import Checkpoint
from ingest.fleet import FLEET, Dispatch
from ingest.layout import part_name
from ingest.parts import write_part
from ingest.records import Reject
from ingest.recovery import changing
from ingest.rounds import BUDGET, Report, Rounds, let_go, odd_messages
from ingest.shared_journal import SHARED, Share, note_share, places_of
from ingest.tail import Batch, Place, backlog, read_batch
from ingest.upkeep import Done, upkeep

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from ingest.fleet import Site
    from ingest.installation import Installation


UPKEEP_S = 0.25
"""Time after which the sites that are left wait for the next turn. [s]"""


class FleetRounds:
    """Moves a fleet's journal into its sites' archives, a round at a time.

    Parameters
    ----------
    folder : Path
        The fleet's folder.
    sites : sequence of (Site, Installation)
        As `ingest.fleet.load_sites` gives them.
    """

    def __init__(self, folder: Path, sites: Sequence[tuple[Site, Installation]]) -> None:
        self.folder = folder
        self._rounds = [Rounds(site.archive, described) for site, described in sites]
        topics = [tuple(described.broker.topics) for _, described in sites]
        self._whose = Dispatch([(topic, number) for number, own in enumerate(topics) for topic in own])
        for rounds, own in zip(self._rounds, topics, strict=True):
            note_share(rounds.archive, rounds.site, Share(folder.absolute(), own))
        self._turn = 0

    def backlog(self) -> int:
        """Return how many bytes of the shared journal are not in the archives. [bytes]"""
        return backlog(self.folder, FLEET, checkpoints.read_positions(self.folder, FLEET))

    def run(self, *, budget: int = BUDGET) -> Report:
        """Do one round.

        Raises
        ------
        OSError
            If the disk is full or broken; nothing is lost, and the next round does it again.
        """
        with changing(self.folder, FLEET) as floor:
            batch = read_batch(self.folder, FLEET, floor.positions, budget=budget)
            if not batch.size:
                return Report(0, Counter())
            counts: Counter[str] = Counter()
            newest = 0
            for number, messages in sorted(self._split(batch).items()):
                report = self._rounds[number].take(functools.partial(_for_site, batch, messages))
                counts.update(report.counts)
                newest = max(newest, report.newest_us)
            self._commit(floor, batch)
        return Report(batch.size, counts, newest)

    def _split(self, batch: Batch) -> dict[int, list[int]]:
        """Return the numbers of the messages of each site that has any; of all sites where all must be told."""
        found: dict[int, list[int]] = {number: [] for number in range(len(self._rounds)) if batch.events}
        for place, message in enumerate(batch.messages):
            number = self._whose(message.topic)
            if number is not None:
                found.setdefault(number, []).append(place)
        return found

    def _commit(self, floor: Checkpoint, batch: Batch) -> None:
        """Set aside what is no site's, then note that everything up to here is done."""
        strangers = [message for message in batch.messages if self._whose(message.topic) is None]
        odd, rejects = odd_messages(batch, self.folder)
        unknown = [
            Reject("unknown topic", f"no site of the fleet takes {message.topic!r}", number)
            for number, message in enumerate(strangers)
        ]
        rejects = [
            *unknown,
            *(replace(reject, message=reject.message + len(strangers)) for reject in rejects),
        ]
        name = part_name(floor.generation)
        for folder, table in sort_out.quarantine(rejects, [*strangers, *odd], FLEET).items():
            floor.open.setdefault(folder, []).append(write_part(self.folder, folder, name, table))
        floor.generation += 1
        floor.positions = batch.positions
        counts = Counter(floor.counts)
        counts.update(f"reject:{reject.reason}" for reject in rejects)
        floor.counts = dict(counts)
        checkpoints.save(self.folder, FLEET, floor)
        let_go(self.folder, batch.positions)

    def upkeep(self) -> Done:
        """Look after some sites, those whose turn it is, and after what is no site's.

        Raises
        ------
        OSError
            If the disk is full or broken.
        DepotError
            If a site's depot does not answer.
        """
        done = upkeep(self.folder, FLEET)
        end = time.monotonic() + UPKEEP_S
        for _ in self._rounds:
            self._turn = (self._turn + 1) % len(self._rounds)
            site = self._rounds[self._turn]
            if site.backlog():
                site.run()
            found = site.upkeep()
            done.folders.extend(found.folders)
            done.closed.extend(found.closed)
            done.shipped.extend(found.shipped)
            if time.monotonic() > end:
                break
        return done


def _for_site(batch: Batch, messages: Sequence[int], known: Checkpoint) -> Batch:
    """Return the part of a batch that is one site's and that its archive does not have yet."""
    own = places_of(known.positions)

    def is_new(place: Place) -> bool:
        return place[1:] > own.get(place[0], (0, 0))

    fresh = [number for number in messages if is_new(batch.message_places[number])]
    told = [event for event, place in zip(batch.events, batch.event_places, strict=True) if is_new(place)]
    shared = {f"{SHARED}{name}": place for name, place in batch.positions.items()}
    return Batch(
        positions={**known.positions, **shared},
        messages=[batch.messages[number] for number in fresh],
        events=told,
        size=len(fresh) + len(told),
    )
