"""One round of the archiver: a stretch of the journals becomes files, then the checkpoint says so.

The order makes it safe to die anywhere. Files carry the round's number and count only once the checkpoint
is past it; what an unfinished round left is removed before the next one; journal segments go last.
"""

from __future__ import annotations

import logging
from collections import Counter
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from ingest import archive as parquet
from ingest import checkpoint as checkpoints
from ingest import failpoints, sort_out
from ingest.checkpoint import Checkpoint
from ingest.decoding import Decoder
from ingest.journal import segment_path, segments
from ingest.layout import kind_of, part_name
from ingest.memory import is_small
from ingest.parts import write_part
from ingest.records import Message, Reject
from ingest.recovery import changing
from ingest.tail import DROPPED_TOPIC, Batch, backlog, read_batch
from ingest.taken import Taken
from ingest.upkeep import Done, upkeep

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    import pyarrow as pa

    from ingest.installation import Installation

log = logging.getLogger(__name__)

BUDGET = 16 * 2**20
"""Bytes of each journal that one round takes, so that memory stays bounded. [bytes]"""

SMALL_BUDGET = 2 * 2**20
"""The same where memory is scarce. [bytes]"""

KEPT_SEGMENTS = 1
"""Segments of each journal that stay although the archive has them: a new connection's first messages
are compared with them."""


@dataclass(frozen=True, slots=True)
class Report:
    """What one round did.

    Attributes
    ----------
    size : int
        Bytes of journal that it took; 0 where there was nothing to do.
    counts : Counter of str
        Readings, duplicates, messages, and rejects by reason.
    newest_us : int
        Newest instant stored by it, 0 where none. [µs since 1970, UTC]
    """

    size: int
    counts: Counter[str]
    newest_us: int = 0


class Rounds:
    """Moves one installation's journals into its archive, a round at a time.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    installation : Installation
        Says what the messages mean.
    """

    def __init__(self, archive: Path, installation: Installation) -> None:
        self.archive = archive
        self.site = installation.site
        self._installation = installation
        self._decoder = Decoder(installation)
        self._taken = Taken(archive, tuple(installation.sensor))
        self._metadata = parquet.describe(installation)
        self._generation = -1
        self._budget = SMALL_BUDGET if is_small() else BUDGET

    def backlog(self) -> int:
        """Return how many bytes of journal are not in the archive. [bytes]"""
        return backlog(self.archive, self.site, checkpoints.read_positions(self.archive, self.site))

    def run(self, *, budget: int | None = None) -> Report:
        """Do one round.

        Parameters
        ----------
        budget : int, optional
            Journal that it takes at most; what memory allows where left out. [bytes]

        Raises
        ------
        OSError
            If the disk is full or broken; nothing is lost, and the next round does it again.
        """
        return self.take(
            lambda checkpoint: read_batch(
                self.archive, self.site, checkpoint.positions, budget=budget or self._budget
            )
        )

    def take(self, read: Callable[[Checkpoint], Batch]) -> Report:
        """Do one round with what is read, given how far the archive is. Errors as for `run`."""
        with changing(self.archive, self.site) as checkpoint:
            if checkpoint.generation != self._generation:
                self._taken.forget()
                self._decoder = Decoder(self._installation, checkpoint.memory)
            self._generation = -1
            failpoints.reach("round.read")
            batch = read(checkpoint)
            if not batch.size:
                self._generation = checkpoint.generation
                return Report(0, Counter())
            report, tables = self._digest(batch, checkpoint)
            failpoints.reach("round.decoded")
            self._commit(checkpoint, batch, report, tables)
            self._generation = checkpoint.generation
        return report

    def upkeep(self) -> Done:
        """Merge and close what is due, one day at a time; as `ingest.upkeep.upkeep`."""
        return upkeep(self.archive, self.site)

    def _digest(self, batch: Batch, checkpoint: Checkpoint) -> tuple[Report, dict[str, pa.Table]]:
        """Decode a batch and sort it into the tables to be written."""
        decoded, failed = self._decoder.decode(batch.messages)
        done = sort_out.sort_out(decoded, self.site, self._taken)
        messages, odd = odd_messages(batch, self.archive)
        rejects = [*decoded.rejects, *failed, *done.conflicts]
        shifted = [replace(reject, message=reject.message + len(batch.messages)) for reject in odd]
        told = [
            (batch.messages[notice.message].received_us, notice.reason, notice.detail)
            for notice in decoded.notices
        ]
        told += [(when, str(event["kind"]), str(event["detail"])) for when, event in batch.events]
        told += _dropped(batch.broker, checkpoint.notes)
        tables = {
            **done.tables,
            **sort_out.quarantine([*rejects, *shifted], [*batch.messages, *messages], self.site),
            **sort_out.events(told, self.site),
        }
        counts = Counter(
            messages=len(batch.messages) + len(batch.too_large),
            readings=done.readings,
            duplicates=done.duplicates,
            events=len(told),
        )
        for reject in [*rejects, *odd]:
            counts[f"reject:{reject.reason}"] += reject.count
        return Report(batch.size, counts, done.newest_us), tables

    def _commit(
        self, checkpoint: Checkpoint, batch: Batch, report: Report, tables: dict[str, pa.Table]
    ) -> None:
        """Publish the tables, then the checkpoint, then let go of the journal."""
        name = part_name(checkpoint.generation)
        for folder, table in tables.items():
            record = write_part(self.archive, folder, name, self.with_metadata(table, folder))
            checkpoint.open.setdefault(folder, []).append(record)
        failpoints.reach("round.published")
        checkpoint.generation += 1
        checkpoint.positions = batch.positions
        checkpoint.memory = self._decoder.memory()
        checkpoint.counts = dict(Counter(checkpoint.counts) + report.counts)
        checkpoints.save(self.archive, self.site, checkpoint)
        failpoints.reach("round.committed")
        let_go(self.archive, batch.positions)

    def with_metadata(self, table: pa.Table, folder: str) -> pa.Table:
        """Return the table with the sensors' units in its schema, where it holds readings."""
        return table.replace_schema_metadata(self._metadata) if kind_of(folder) == "readings" else table


def let_go(archive: Path, positions: dict[str, tuple[int, int]]) -> None:
    """Remove the journal segments that the archive has, all but the newest of them."""
    for writer, (number, _) in positions.items():
        folder = archive / "journal" / writer
        for segment, path in segments(folder) if folder.is_dir() else []:
            if segment < number - KEPT_SEGMENTS:
                failpoints.reach("round.unlink")
                path.unlink(missing_ok=True)


def odd_messages(batch: Batch, archive: Path) -> tuple[list[Message], list[Reject]]:
    """Return what the decoders cannot be asked about: packets too large to keep, and damage."""
    messages: list[Message] = []
    rejects: list[Reject] = []
    for message, size in batch.too_large:
        detail = f"{size} bytes; the first {len(message.payload)} of the payload are kept"
        rejects.append(Reject("too large", detail, len(messages)))
        messages.append(message)
    for placed in batch.damages:
        found = placed.found
        path = segment_path(archive / "journal" / placed.writer, placed.segment)
        with path.open("rb") as file:
            file.seek(found.start)
            data = file.read(found.end - found.start)
        detail = f"{path.name} of {placed.writer}, bytes {found.start} to {found.end}"
        rejects.append(Reject("damaged journal", detail, len(messages)))
        messages.append(Message(f"(journal {placed.writer})", data, int(path.stat().st_mtime * 1e6)))
    return messages, rejects


def _dropped(told: Iterable[Message], notes: dict[str, int]) -> list[tuple[int, str, str]]:
    """Return an event for each rise of the broker's count of dropped messages."""
    rows = []
    for message in told:
        if message.topic != DROPPED_TOPIC or not message.payload.isdigit():
            continue
        count, before = int(message.payload), notes.get("dropped")
        notes["dropped"] = count
        if before is not None and count > before:
            detail = f"the broker dropped {count - before} messages that it could not queue"
            log.warning("%s", detail)
            rows.append((message.received_us, "broker dropped", detail))
    return rows
