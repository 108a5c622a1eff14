"""A write torn at any byte leaves an archive that the next round completes."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import pandas as pd
import pytest

from ingest import checkpoint as checkpoints
from ingest import recovery
from ingest.rounds import Rounds
from ingest.store import read_readings
from tests.support.archives import NOON, SITE, pack, parts, small_installation, store, write

if TYPE_CHECKING:
    from pathlib import Path

SHORT_STEP = 37
"""In the short suite every so manieth byte is tried; in the full one each."""


@pytest.mark.slow
@pytest.mark.parametrize("name", [".tmp-0123.part", "part-0000000001.parquet"])
def test_parquet_torn_at_every_byte(tmp_path: Path, name: str, *, full: bool) -> None:
    """Whatever part of the last file reached the disk, under its temporary or its final name: once, and all."""
    archive, copy = tmp_path / "archive", tmp_path / "copy"
    store(archive, [pack(("ec", NOON, 1.0))])
    write(archive, [pack(("ec", NOON + 1, 2.0), ("flow", NOON, 3.0))])
    shutil.copytree(archive, copy)
    Rounds(copy, small_installation()).run()
    whole = parts(copy)[-1].read_bytes()
    folder = parts(archive)[0].parent

    for length in range(0, len(whole), 1 if full else SHORT_STEP):
        shutil.rmtree(copy)
        shutil.copytree(archive, copy)
        (copy / folder.relative_to(archive) / name).write_bytes(whole[:length])
        recovery.forget()

        Rounds(copy, small_installation()).run()

        assert sorted(pd.read_parquet(copy / "readings")["value"]) == [1.0, 2.0, 3.0]
        assert len(parts(copy)) == 2


@pytest.mark.slow
def test_checkpoint_torn_at_every_byte(tmp_path: Path, *, full: bool) -> None:
    """Even a torn checkpoint, which the file system should not leave, loses and doubles nothing."""
    archive, copy = tmp_path / "archive", tmp_path / "copy"
    store(archive, [pack(("ec", NOON, 1.0))])
    write(archive, [pack(("ec", NOON + 1, 2.0))])
    whole = checkpoints.path_of(archive, SITE).read_bytes()

    for length in range(0, len(whole), 1 if full else SHORT_STEP):
        shutil.rmtree(copy, ignore_errors=True)
        shutil.copytree(archive, copy)
        checkpoints.path_of(copy, SITE).write_bytes(whole[:length])
        recovery.forget()

        assert list(read_readings(copy, small_installation())["value"]) == [1.0, 2.0]
        Rounds(copy, small_installation()).run()
        assert sorted(pd.read_parquet(copy / "readings")["value"]) == [1.0, 2.0]
