"""A process knows how much memory it may have."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from ingest.memory import SMALL, limit
from tests.support.ingester import ROOT

PROGRAM = "from ingest.memory import is_small, limit; print(limit(), is_small())"


def test_limit_is_no_more_than_the_computer_has() -> None:
    """Without a group of its own a process may have what the computer has."""
    assert 0 < limit() <= os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")


def test_process_held_to_less_knows_it() -> None:
    """In a memory group of the kernel the group's limit counts, and below a gigabyte memory is scarce."""
    first, second = Path("/sys/fs/cgroup/memory"), Path("/sys/fs/cgroup")
    folder = (first if first.is_dir() else second) / f"tricklebook-test-{os.getpid()}"
    try:
        folder.mkdir()
        (folder / ("memory.limit_in_bytes" if first.is_dir() else "memory.max")).write_text(str(SMALL // 2))
    except OSError as error:
        pytest.skip(f"no memory group can be made here: {error}")
    try:
        inside = f'echo $$ > "{folder}/cgroup.procs"; exec "$@"'
        command = ["sh", "-c", inside, "sh", sys.executable, "-c", PROGRAM]
        said = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    finally:
        folder.rmdir()

    assert said.split() == [str(SMALL // 2), "True"]
