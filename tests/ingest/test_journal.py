"""The journal keeps what was appended, whatever happens to its last write."""

from __future__ import annotations

import errno
from typing import TYPE_CHECKING

import pytest

from ingest import failpoints, frames
from ingest.frames import Damage, Frame, Kind
from ingest.journal import BrokenDiskError, DiskFullError, JournalWriter, WriterError, segment_path, segments
from ingest.tail import read_batch
from tests.support.archives import SITE, pack, write

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture(autouse=True)
def _no_fault_stays() -> Iterator[None]:
    """Take every planted fault away after the test."""
    yield
    failpoints.arm("")


def payloads(archive: Path) -> list[bytes]:
    """Return what the journals of an archive hold."""
    return [message.payload for message in read_batch(archive, SITE, {}).messages]


def test_messages_come_back_in_order(tmp_path: Path) -> None:
    """What is appended is read back in its order, over restarts."""
    write(tmp_path, [("a", b"1"), ("b", b"2")])
    write(tmp_path, [("a", b"3")])

    assert payloads(tmp_path) == [b"1", b"2", b"3"]


def test_append_counts_what_it_took(tmp_path: Path) -> None:
    """Messages that need several frames are all counted."""
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        assert journal.append(("a", b"x" * 2**20) for _ in range(9)) == 9
    assert len(payloads(tmp_path)) == 9


def test_segment_ends_at_its_size(tmp_path: Path) -> None:
    """A full segment is followed by the next."""
    with JournalWriter(tmp_path, SITE, SITE, segment_bytes=100, reserve_bytes=0) as journal:
        for number in range(5):
            journal.append([("a", b"%d" % number * 60)])

    assert [number for number, _ in segments(journal.folder)] == [1, 2, 3, 4, 5]
    assert len(payloads(tmp_path)) == 5


def test_second_writer_is_refused(tmp_path: Path) -> None:
    """Two processes never write one journal: the second is told what to do."""
    with (
        JournalWriter(tmp_path, SITE, SITE),
        pytest.raises(WriterError, match="another process writes the journal 'home'; stop it, or give"),
    ):
        JournalWriter(tmp_path, SITE, SITE)


def test_other_installation_is_refused(tmp_path: Path) -> None:
    """A journal's messages are decoded by the installation that they belong to, and no other."""
    write(tmp_path, [("a", b"1")])

    with pytest.raises(WriterError, match="belongs to the installation 'home', not 'elsewhere'"):
        JournalWriter(tmp_path, SITE, "elsewhere")
    write(tmp_path, [("a", b"2")])


def test_name_that_leads_elsewhere_is_refused(tmp_path: Path) -> None:
    """A writer's name stays inside the archive."""
    with pytest.raises(WriterError, match="is no name for a journal"):
        JournalWriter(tmp_path, "../x", SITE)


def test_torn_last_write_is_cut_off_at_every_byte(tmp_path: Path) -> None:
    """However much of the last write reached the disk, the frames before it stay and new ones follow."""
    write(tmp_path, [("a", b"first")])
    write(tmp_path, [("a", b"second")])
    folder = tmp_path / "journal" / SITE
    last = segments(folder)[-1][1]
    whole = last.read_bytes()

    for length in range(len(whole)):
        for _, path in segments(folder)[2:]:
            path.unlink()
        last.write_bytes(whole[:length])
        write(tmp_path, [("a", b"third")])

        assert payloads(tmp_path) == [b"first", b"third"]


def test_flipped_bit_is_told_and_blocks_nothing(tmp_path: Path) -> None:
    """Damage inside a segment is reported as damage, and the frames around it stay."""
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        for number in range(3):
            journal.append([("a", b"%d" % number)])
    path = segments(journal.folder)[0][1]
    whole = path.read_bytes()
    second = len(whole) // 3

    for place in range(second, 2 * second):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 0x10]) + whole[place + 1 :])
        batch = read_batch(tmp_path, SITE, {})

        assert [message.payload for message in batch.messages] == [b"0", b"2"]
        assert [(d.found.start, d.found.end) for d in batch.damages] == [(second, 2 * second)]


def test_tail_being_written_is_left_for_later(tmp_path: Path) -> None:
    """A reader of a journal that is written takes whole frames and comes back for the rest."""
    write(tmp_path, [("a", b"1")])
    path = segment_path(tmp_path / "journal" / SITE, 1)
    whole = path.read_bytes()
    path.write_bytes(whole + whole[:20])

    batch = read_batch(tmp_path, SITE, {})

    assert batch.positions == {SITE: (1, len(whole))}
    assert batch.damages == []


@pytest.mark.parametrize("step", ["write", "fdatasync"])
def test_full_disk_keeps_nothing_of_the_frame(tmp_path: Path, step: str) -> None:
    """On a full disk the frame is given up whole, and the journal goes on once there is room."""
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        journal.append([("a", b"1")])
        failpoints.arm(f"journal.{step}:1:ENOSPC")
        with pytest.raises(DiskFullError, match="No space left on device; make room, and it goes on"):
            journal.append([("a", b"2")])
        journal.append([("a", b"3")])

    assert payloads(tmp_path) == [b"1", b"3"]


def test_failed_sync_is_not_tried_again(tmp_path: Path) -> None:
    """After a failed fdatasync the pages are lost to the kernel: the process must end and start again."""
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        failpoints.arm("journal.fdatasync:1:EIO")
        with pytest.raises(BrokenDiskError, match="Input/output error; check the disk"):
            journal.append([("a", b"1")])

    assert payloads(tmp_path) == []


def test_reserve_is_left_to_the_archiver(tmp_path: Path) -> None:
    """With less room than the reserve the disk counts as full, so that the archiver can empty the journal."""
    with (
        JournalWriter(tmp_path, SITE, SITE, reserve_bytes=2**62) as journal,
        pytest.raises(DiskFullError, match=r"less than \d+ bytes are left"),
    ):
        journal.append([pack(("ec", 0, 1.0))])


def test_cut_segment_is_never_written_again(tmp_path: Path) -> None:
    """A place in the journal never means two things: after a cut the next segment begins."""
    with JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal:
        journal.append([("a", b"1")])
        failpoints.arm("journal.write:1:ENOSPC")
        with pytest.raises(DiskFullError):
            journal.append([("a", b"2")])
        journal.append([("a", b"3")])

    assert [number for number, _ in segments(journal.folder)] == [1, 2]


def test_scan_finds_frames_after_damage() -> None:
    """The scan skips what is no frame and says so."""
    one = frames.encode(Kind.EVENT, 1, 0, 5, b"one")
    two = frames.encode(Kind.EVENT, 1, 1, 6, b"two")

    found = list(frames.scan(b"xx" + one + b"TBJ1" + two + b"TBJ", offset=100))

    assert [type(item) for item in found] == [Damage, Frame, Damage, Frame, Damage]
    assert [item.body for item in found if isinstance(item, Frame)] == [b"one", b"two"]
    assert [item.tail for item in found if isinstance(item, Damage)] == [False, False, True]
    assert found[0].start == 100


def test_planted_fault_needs_a_known_place() -> None:
    """A fault at a place that does not exist is a mistake of the test."""
    with pytest.raises(ValueError, match="names 'nowhere', which is no place"):
        failpoints.arm("nowhere:1:kill")


def test_planted_errors_are_those_of_the_system(tmp_path: Path) -> None:
    """A planted error looks like the system's own."""
    failpoints.arm("journal.rotate:1:EIO")
    with (
        JournalWriter(tmp_path, SITE, SITE, reserve_bytes=0) as journal,
        pytest.raises(BrokenDiskError) as raised,
    ):
        journal.append([("a", b"1")])
    assert isinstance(raised.value.__cause__, OSError)
    assert raised.value.__cause__.errno == errno.EIO
