"""Verify finds every way in which an archive can have been altered, and names the place."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING

import pyarrow.parquet as pq
import pytest

from ingest import checkpoint as checkpoints
from ingest import manifest
from ingest.archive import METADATA
from ingest.parts import record_of
from ingest.upkeep import upkeep
from ingest.verify import Problem, verify
from tests.support.archives import DAY_S, NOON, SITE, pack, parts, store

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Return an archive with three closed days and one that is still open."""
    for day in range(4):
        when = NOON + day * DAY_S
        store(tmp_path, [pack(("ec", when, 1.0), ("ec", when + 10, 2.0), ("flow", when, 3.0))])
        if day < 3:
            upkeep(tmp_path, SITE, everything=True, limit=10)
    return tmp_path


def faults(archive: Path) -> list[tuple[str, str]]:
    """Return kind and place of every fault."""
    return [(problem.kind, problem.place) for problem in verify(archive, SITE) if problem.is_fault]


def name(archive: Path, path: Path) -> str:
    """Return a path as verify names it."""
    return str(path.relative_to(archive))


def test_sound_archive_has_no_fault(archive: Path) -> None:
    """What the archiver and the upkeep wrote is as it should be."""
    assert faults(archive) == []


@pytest.mark.parametrize("which", [0, -1])
def test_flipped_byte_is_found_wherever_it_is(archive: Path, which: int) -> None:
    """One bit anywhere in a file, of a closed day or an open one, is found."""
    path = parts(archive)[which]
    whole = path.read_bytes()

    for place in range(0, len(whole), 97):
        path.write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])

        assert ("changed file", name(archive, path)) in faults(archive)
    path.write_bytes(whole)
    assert faults(archive) == []


@pytest.mark.parametrize("which", [0, -1])
def test_removed_file_is_found(archive: Path, which: int) -> None:
    """A file that is gone is named, whether a manifest or the checkpoint knows it."""
    path = parts(archive)[which]
    path.unlink()

    assert faults(archive) == [("removed file", name(archive, path))]


def test_removed_folder_is_found(archive: Path) -> None:
    """A whole day that is gone is named."""
    path = parts(archive)[1]
    path.unlink()
    path.parent.rmdir()

    assert faults(archive) == [("removed file", name(archive, path))]


@pytest.mark.parametrize("stranger", ["part-0000000099.parquet", "other.parquet", "note.txt"])
def test_added_file_is_found(archive: Path, stranger: str) -> None:
    """A file that nobody knows is named, even with a name like ours."""
    path = parts(archive)[1]
    added = path.with_name(stranger)
    added.write_bytes(path.read_bytes())

    assert faults(archive) == [("added file", name(archive, added))]


@pytest.mark.parametrize("which", [0, 1, 2])
def test_changed_manifest_is_found(archive: Path, which: int) -> None:
    """A manifest that was altered, the newest too, does not fit the chain any more."""
    path = manifest.names(archive, SITE)[which][2]
    path.write_text(path.read_text("utf-8").replace('"rows": 3', '"rows": 4'), encoding="utf-8")

    assert [kind for kind, _ in faults(archive)] == ["changed manifest"]


def test_manifest_that_covers_a_changed_file_is_found(archive: Path) -> None:
    """Who alters a file and its manifest to match is betrayed by the next manifest's hash."""
    path = parts(archive)[0]
    record = manifest.names(archive, SITE)[0][2]
    table = pq.read_table(path)
    pq.write_table(table, path)
    content = json.loads(record.read_text("utf-8"))
    (files,) = content["folders"].values()
    files[0]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    record.write_text(json.dumps(content), encoding="utf-8")

    assert [kind for kind, _ in faults(archive)] == ["changed manifest"]


def test_missing_manifest_is_found(archive: Path) -> None:
    """A link that is taken out of the chain is missed."""
    manifest.names(archive, SITE)[1][2].unlink()

    assert "missing manifest" in [kind for kind, _ in faults(archive)]


def test_noted_hash_must_be_in_the_chain(archive: Path) -> None:
    """A hash that was noted earlier proves what was before it; one that is not there is a fault."""
    noted = manifest.digest(manifest.names(archive, SITE)[1][2])

    assert verify(archive, SITE, expected_head=noted) == []
    assert [p.kind for p in verify(archive, SITE, expected_head="0" * 64)] == ["unknown hash"]


def adopt(archive: Path, path: Path) -> None:
    """Give a file of the open day the record that its bytes ask for, as a faulty program would."""
    found = checkpoints.load(archive, SITE)
    assert found is not None
    folder = name(archive, path.parent)
    others = [record for record in found.open[folder] if record.name != path.name]
    found.open[folder] = [*others, record_of(path)]
    checkpoints.save(archive, SITE, found)


def rewrite(path: Path, change: Callable[[list[dict[str, object]]], list[dict[str, object]]]) -> None:
    """Write a file's rows anew after a change."""
    table = pq.read_table(path, partitioning=None)
    rows = change(table.to_pylist())
    pq.write_table(type(table).from_pylist(rows, schema=table.schema), path)


def test_duplicate_is_found(archive: Path) -> None:
    """A reading that is there twice is found, in one file or in two of a day."""
    path = parts(archive)[-1]
    rewrite(path, lambda rows: [rows[0], *rows])
    adopt(archive, path)

    assert faults(archive) == [("duplicate", name(archive, path.parent))]

    rewrite(path, lambda rows: rows[1:])
    adopt(archive, path)
    assert faults(archive) == []
    other = path.with_name("part-0000000002.parquet")
    other.write_bytes(path.read_bytes())
    adopt(archive, other)

    assert faults(archive) == [("duplicate", name(archive, path.parent))]


def test_unsorted_file_is_found(archive: Path) -> None:
    """Rows out of order are found although the checksum fits."""
    path = parts(archive)[-1]
    rewrite(path, lambda rows: rows[::-1])
    adopt(archive, path)

    assert faults(archive) == [("order", name(archive, path))]


def test_reading_of_another_day_is_found(archive: Path) -> None:
    """A row in the wrong day's folder would be missed by every reader."""
    path = parts(archive)[-1]
    later = parts(archive)[0].with_name("part-0000000003.parquet")
    later.write_bytes(path.read_bytes())

    found = [problem for problem in verify(archive, SITE) if problem.kind == "added file"]
    assert [problem.place for problem in found] == [name(archive, later)]

    later.unlink()
    rewrite(path, lambda rows: [{**row, "time": row["time"].replace(day=1)} for row in rows])  # type: ignore[attr-defined] # times
    adopt(archive, path)
    assert faults(archive) == [("wrong day", name(archive, path))]


def test_other_columns_are_found(archive: Path) -> None:
    """A file without a column is no file of this archive."""
    path = parts(archive)[-1]
    table = pq.read_table(path, partitioning=None)
    pq.write_table(table.drop_columns(["quality"]), path)
    adopt(archive, path)

    assert faults(archive) == [("columns", name(archive, path))]
    assert METADATA in pq.read_schema(path).metadata


def test_unreadable_file_is_found(archive: Path) -> None:
    """Half a file is named as what it is."""
    path = parts(archive)[-1]
    path.write_bytes(path.read_bytes()[:100])

    assert faults(archive) == [
        ("changed file", name(archive, path)),
        ("unreadable file", name(archive, path)),
    ]


def test_damaged_checkpoint_is_found(archive: Path) -> None:
    """A checkpoint that does not fit its checksum is named."""
    path = checkpoints.path_of(archive, SITE)
    path.write_bytes(path.read_bytes().replace(b"generation", b"generatioN", 1))

    assert faults(archive) == [("checkpoint", name(archive, path))]


def test_gap_is_told_and_is_no_fault(archive: Path) -> None:
    """Days without a reading between days with some are told, because somebody may miss them."""
    store(archive, [pack(("ec", NOON + 7 * DAY_S, 1.0))])

    assert verify(archive, SITE) == [Problem("gap", "readings", "no reading from 2024-03-08 to 2024-03-10")]
