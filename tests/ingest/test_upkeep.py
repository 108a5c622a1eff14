"""Upkeep makes few files of many and closes days; readers see no difference."""

from __future__ import annotations

import json
import os
import time
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow.parquet as pq
import pytest

from ingest import archive as parquet
from ingest import manifest, upkeep
from ingest.files import exchange
from ingest.store import read_readings
from ingest.verify import verify
from tests.support.archives import DAY_S, NOON, SITE, pack, parts, small_installation, store

if TYPE_CHECKING:
    from pathlib import Path


def fill(archive: Path, days: int, packs: int = 3) -> None:
    """Store some packs on each of some days, a file each."""
    for day in range(days):
        for number in range(packs):
            when = NOON + day * DAY_S + number
            store(archive, [pack(("ec", when, float(number)), ("flow", when, 9.0))])


def test_day_that_is_over_becomes_one_file(tmp_path: Path) -> None:
    """Merging and closing leave every reading, one file a day, and nothing to complain about."""
    fill(tmp_path, 3)
    before = read_readings(tmp_path, small_installation())

    done = upkeep.upkeep(tmp_path, SITE, everything=True, limit=100)

    assert done.closed == ["2024-03-04", "2024-03-05", "2024-03-06"]
    assert len(parts(tmp_path)) == 3
    pd.testing.assert_frame_equal(read_readings(tmp_path, small_installation()), before)
    pd.testing.assert_frame_equal(
        pd.read_parquet(tmp_path / "readings", columns=["time", "value"])
        .sort_values(["time", "value"])
        .reset_index(drop=True),
        before[["time", "value"]].sort_values(["time", "value"]).reset_index(drop=True),
    )
    assert [p for p in verify(tmp_path, SITE) if p.is_fault] == []


def test_days_close_only_once_they_are_over_and_quiet(tmp_path: Path) -> None:
    """A day that got a file moments ago is left alone, and so is today."""
    fill(tmp_path, 1)
    store(tmp_path, [pack(("ec", int(time.time()), 1.0))])

    assert upkeep.upkeep(tmp_path, SITE).closed == []
    for path in parts(tmp_path):
        os.utime(path, (time.time() - 2 * upkeep.QUIET_S,) * 2)
    assert upkeep.upkeep(tmp_path, SITE).closed == ["2024-03-04"]
    assert upkeep.upkeep(tmp_path, SITE, everything=True).closed == []


def test_many_small_files_of_an_open_day_are_merged(tmp_path: Path) -> None:
    """Today's files stay few, and a large one is not written again for every small one."""
    now = int(time.time()) - 3600
    for number in range(upkeep.FOLD_FILES * 2 + 10):
        store(tmp_path, [pack(("ec", now + number, float(number)))])
        upkeep.upkeep(tmp_path, SITE)

    assert len(parts(tmp_path)) < upkeep.FOLD_FILES + 2
    assert len(pd.read_parquet(tmp_path / "readings")) == upkeep.FOLD_FILES * 2 + 10


def test_late_readings_fold_into_a_closed_day(tmp_path: Path) -> None:
    """Readings that come after the day was closed make a further manifest, and the old one stays."""
    fill(tmp_path, 2)
    upkeep.upkeep(tmp_path, SITE, everything=True, limit=100)
    store(tmp_path, [pack(("ec", NOON - 60, 5.0))])

    done = upkeep.upkeep(tmp_path, SITE, everything=True, limit=100)

    chain = [manifest.read(path) for _, _, path in manifest.names(tmp_path, SITE)]
    assert done.closed == ["2024-03-04"]
    assert [(m.day, m.why) for m in chain] == [
        ("2024-03-04", "day closed"),
        ("2024-03-05", "day closed"),
        ("2024-03-04", "late readings"),
    ]
    assert len(parts(tmp_path)) == 2
    assert [p for p in verify(tmp_path, SITE) if p.is_fault] == []


def test_each_manifest_carries_the_hash_of_the_one_before(tmp_path: Path) -> None:
    """The chain begins with nothing and goes on with hashes."""
    fill(tmp_path, 3, packs=1)
    upkeep.upkeep(tmp_path, SITE, everything=True, limit=100)

    chain = [path for _, _, path in manifest.names(tmp_path, SITE)]

    assert [manifest.read(path).previous for path in chain] == ["", *(manifest.digest(p) for p in chain[:-1])]


def test_merged_files_keep_units_and_are_small(tmp_path: Path) -> None:
    """The merged file says what its sensors measure, and is no larger than its parts."""
    fill(tmp_path, 1, packs=20)
    before = sum(path.stat().st_size for path in parts(tmp_path))
    upkeep.upkeep(tmp_path, SITE, everything=True)

    (path,) = parts(tmp_path)

    told = json.loads(pq.read_schema(path).metadata[parquet.METADATA])
    assert set(told["sensors"]) == {"ec", "flow"}
    assert path.stat().st_size < before / 5


def test_strangers_files_survive_a_merge(tmp_path: Path) -> None:
    """A file that somebody else put into a day's folder is still there after the folder was swapped."""
    fill(tmp_path, 1)
    note = parts(tmp_path)[0].with_name("note.txt")
    note.write_text("mine", encoding="utf-8")

    upkeep.upkeep(tmp_path, SITE, everything=True)

    assert note.read_text("utf-8") == "mine"


def test_memory_bounds_a_merged_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A day too large to merge in memory becomes several files, each reading still once."""
    fill(tmp_path, 1, packs=10)
    monkeypatch.setattr(upkeep, "MERGE_BYTES", 300)

    upkeep.upkeep(tmp_path, SITE, everything=True)

    assert 1 < len(parts(tmp_path)) < 10
    assert len(pd.read_parquet(tmp_path / "readings")) == 20


def test_file_system_without_exchange_still_merges(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where two folders cannot be swapped in one step, they are renamed, and no reading is there twice."""
    fill(tmp_path, 1)
    monkeypatch.setattr("ingest.swap.exchange", lambda *_: False)

    upkeep.upkeep(tmp_path, SITE, everything=True)

    assert len(parts(tmp_path)) == 1
    assert len(pd.read_parquet(tmp_path / "readings")) == 6
    assert sorted(path.name for path in (tmp_path / "readings" / f"site={SITE}").iterdir()) == [
        "date=2024-03-04"
    ]


def test_exchange_swaps_in_one_step(tmp_path: Path) -> None:
    """The two names change places, each folder keeping its content."""
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).touch()

    assert exchange(tmp_path / "a", tmp_path / "b")
    assert [path.name for path in (tmp_path / "a").iterdir()] == ["b"]
    with pytest.raises(FileNotFoundError, match="No such file"):
        exchange(tmp_path / "a", tmp_path / "none")
