"""A round stores each reading once, keeps what it cannot store, and lets go of the journal last."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest import checkpoint as checkpoints
from ingest import failpoints
from ingest.decoding import Decoder
from ingest.frames import Kind
from ingest.journal import JournalWriter, segments
from ingest.packets import encode
from ingest.rounds import Rounds
from ingest.routing import Router
from ingest.store import read_readings
from tests.support.archives import DAY_S, NOON, SITE, pack, parts, small_installation, store, write

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from ingest.records import Decoded, Message


@pytest.fixture(autouse=True)
def _no_fault_stays() -> Iterator[None]:
    """Take every planted fault away after the test."""
    yield
    failpoints.arm("")


def quarantined(archive: Path) -> pd.DataFrame:
    """Return the quarantine as any reader sees it."""
    return pd.read_parquet(archive / "quarantine")


def test_round_counts_what_it_did(tmp_path: Path) -> None:
    """Readings, duplicates, conflicts and other rejects are counted, each reading in one of them."""
    rounds = Rounds(tmp_path, small_installation())
    write(tmp_path, [pack(("ec", NOON, 1.0), ("flow", NOON, 2.0)), pack(("ec", NOON, 1.0)), ("x", b"[{")])
    first = rounds.run().counts
    write(tmp_path, [pack(("ec", NOON, 1.0), ("flow", NOON, 9.0), ("ec", NOON + 1, 1.0))])
    second = rounds.run().counts

    assert (first["readings"], first["duplicates"], first["reject:syntax"]) == (2, 1, 1)
    assert (second["readings"], second["duplicates"], second["reject:conflict"]) == (1, 1, 1)
    found = checkpoints.load(tmp_path, SITE)
    assert found is not None
    assert found.counts["messages"] == 4


def test_conflict_keeps_the_first_and_the_other_message(tmp_path: Path) -> None:
    """Another value for a stored instant goes to quarantine with both values and the message's bytes."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    topic, body = pack(("ec", NOON, 2.0))
    store(tmp_path, [(topic, body)])

    (row,) = quarantined(tmp_path).itertuples()

    assert row.reason == "conflict"
    assert row.detail == "ec at 2024-03-04T12:00:00.000000Z is stored as 1; this message says 2"
    assert row.payload == body
    assert row.topic == topic
    assert list(read_readings(tmp_path, small_installation())["value"]) == [1.0]


def test_late_readings_go_to_their_day(tmp_path: Path) -> None:
    """A reading that comes days late lands in the folder of its own day, and only once."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    store(tmp_path, [pack(("ec", NOON - 5 * DAY_S, 2.0), ("ec", NOON, 1.0))])
    store(tmp_path, [pack(("ec", NOON - 5 * DAY_S, 2.0))])

    assert [path.parent.name for path in parts(tmp_path)] == ["date=2024-02-28", "date=2024-03-04"]


def test_memory_of_what_is_stored_is_read_from_the_files(tmp_path: Path) -> None:
    """A new process knows from the files what is stored, also between stored instants."""
    store(tmp_path, [pack(("ec", NOON, 1.0), ("ec", NOON + 20, 3.0))])
    store(tmp_path, [pack(("ec", NOON + 20, 3.0), ("ec", NOON + 10, 2.0), ("ec", NOON, 1.0))])

    assert list(read_readings(tmp_path, small_installation())["value"]) == [1.0, 2.0, 3.0]
    assert sum(len(pd.read_parquet(path)) for path in parts(tmp_path)) == 3


def test_segments_go_once_archived(tmp_path: Path) -> None:
    """What the archive has leaves the journal, but for the newest segment and the one before."""
    for number in range(5):
        write(tmp_path, [pack(("ec", NOON + number, 1.0))])
    Rounds(tmp_path, small_installation()).run()

    assert [number for number, _ in segments(tmp_path / "journal" / SITE)] == [4, 5]


def test_two_writers_share_an_archive(tmp_path: Path) -> None:
    """Two ingesters' journals meet in one archive, in the order of arrival, each reading once."""
    write(tmp_path, [pack(("ec", NOON, 2.0))], received_s=NOON + 2, writer="b")
    write(tmp_path, [pack(("ec", NOON, 1.0), ("ec", NOON + 1, 1.0))], received_s=NOON + 1, writer="a")
    Rounds(tmp_path, small_installation()).run()

    assert list(read_readings(tmp_path, small_installation())["value"]) == [1.0, 1.0]


def test_budget_bounds_a_round(tmp_path: Path) -> None:
    """A long journal is taken in pieces, and all of it is taken."""
    write(tmp_path, [pack(("ec", NOON, 1.0))])
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        for number in range(50):
            journal.append([pack(("ec", NOON + number, 1.0))])
    rounds = Rounds(tmp_path, small_installation())

    sizes = []
    while size := rounds.run(budget=500).size:
        sizes.append(size)

    assert len(sizes) > 5
    assert max(sizes) < 1500
    assert len(read_readings(tmp_path, small_installation())) == 50


def test_message_too_large_is_kept_in_part(tmp_path: Path) -> None:
    """A packet too large to keep goes to quarantine with its full size and its first bytes."""
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        body = (50_000_000).to_bytes(8, "big") + encode("garden/camera", b"beginning")
        journal.append_frame(Kind.TOO_LARGE, body, 1)
    Rounds(tmp_path, small_installation()).run()

    (row,) = quarantined(tmp_path).itertuples()

    assert (row.reason, row.topic, row.payload) == ("too large", "garden/camera", b"beginning")
    assert row.detail == "50000000 bytes; the first 9 of the payload are kept"


def test_damage_goes_to_quarantine(tmp_path: Path) -> None:
    """Bytes of the journal that are no frame are kept where a person finds them."""
    write(tmp_path, [pack(("ec", NOON, 1.0)), pack(("ec", NOON + 1, 1.0))])
    path = segments(tmp_path / "journal" / SITE)[0][1]
    whole = path.read_bytes()
    path.write_bytes(b"damage" + whole)
    Rounds(tmp_path, small_installation()).run()

    (row,) = quarantined(tmp_path).itertuples()

    assert (row.reason, row.payload) == ("damaged journal", b"damage")
    assert str(row.detail) == "00000001.journal of home, bytes 0 to 6"
    assert len(read_readings(tmp_path, small_installation())) == 2


def test_events_are_told(tmp_path: Path) -> None:
    """A gap, and a rise of the broker's count of dropped messages, become events."""
    count = "$SYS/broker/publish/messages/dropped"
    write(tmp_path, [(count, b"3"), (count, b"3"), (count, b"10"), (count, b"text")])
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        journal.append_frame(Kind.EVENT, b'{"kind": "gap", "detail": "the broker lost the session"}', 1)
    Rounds(tmp_path, small_installation()).run()

    found = pd.read_parquet(tmp_path / "events")

    told = dict(zip(found["kind"].astype(str), found["detail"], strict=True))
    assert told == {
        "gap": "the broker lost the session",
        "broker dropped": "the broker dropped 7 messages that it could not queue",
    }


def test_own_state_is_no_reading(tmp_path: Path) -> None:
    """The ingester's own state, which it hears like everyone, is neither stored nor quarantined."""
    store(tmp_path, [("tricklebook/state/tricklebook-home", b'{"state": "receiving"}')])

    assert parts(tmp_path) == []
    assert parts(tmp_path, "quarantine") == []


def test_decoder_that_fails_blocks_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where a decoder itself fails, the message is set aside with the reason, and the others are stored."""
    decode = Router.decode

    def fails(self: Router, messages: list[Message]) -> Decoded:
        if any(message.payload == b"poison" for message in messages):
            raise RecursionError
        return decode(self, messages)

    monkeypatch.setattr(Router, "decode", fails)
    store(tmp_path, [pack(("ec", NOON, 1.0)), ("x", b"poison"), pack(("ec", NOON + 1, 2.0))])

    (row,) = quarantined(tmp_path).itertuples()
    assert (row.reason, row.payload) == ("decoder failed", b"poison")
    assert len(read_readings(tmp_path, small_installation())) == 2


def test_full_disk_loses_nothing(tmp_path: Path) -> None:
    """A round that finds the disk full changes nothing, and the next one does its work."""
    rounds = Rounds(tmp_path, small_installation())
    write(tmp_path, [pack(("ec", NOON, 1.0)), pack(("ec", NOON + DAY_S, 1.0))])
    failpoints.arm("parquet.write:2:ENOSPC")
    with pytest.raises(OSError, match="No space left"):
        rounds.run()

    assert len(read_readings(tmp_path, small_installation())) == 2
    assert rounds.run().counts["readings"] == 2
    assert len(pd.read_parquet(tmp_path / "readings")) == 2


def test_damaged_checkpoint_is_made_again(tmp_path: Path) -> None:
    """Without its checkpoint the archive goes on from its files: nothing lost, nothing twice."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    write(tmp_path, [pack(("ec", NOON + 1, 2.0))])
    path = checkpoints.path_of(tmp_path, SITE)
    path.write_bytes(path.read_bytes().replace(b'"generation": 1', b'"generation": 7'))

    with pytest.raises(checkpoints.CheckpointError, match="checksum does not fit"):
        checkpoints.load(tmp_path, SITE)
    assert len(read_readings(tmp_path, small_installation())) == 2
    Rounds(tmp_path, small_installation()).run()
    assert len(pd.read_parquet(tmp_path / "readings")) == 2
    assert checkpoints.load(tmp_path, SITE) is not None


def test_old_checkpoint_is_noticed(tmp_path: Path) -> None:
    """A checkpoint that was put back from a copy does not make the archive drop newer files."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    path = checkpoints.path_of(tmp_path, SITE)
    copy = path.read_bytes()
    for number in range(1, 6):
        store(tmp_path, [pack(("ec", NOON + number, 1.0))])
    path.write_bytes(copy)
    checkpoints.lock_of(tmp_path, SITE).write_text("unfinished\n")

    store(tmp_path, [pack(("ec", NOON + 6, 1.0))])

    assert len(pd.read_parquet(tmp_path / "readings")) == 7


def test_memory_of_the_decoders_outlives_the_process(tmp_path: Path) -> None:
    """What a decoder must know of earlier messages is kept beside the place in the journal."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])

    found = checkpoints.load(tmp_path, SITE)

    assert found is not None
    assert found.memory == Decoder(small_installation()).memory()
