"""The analysis in a process of its own: same results, told problems, and no process left behind."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import psutil
import pytest

from dashboard.analyst import AnalysisError, Analyst
from dashboard.feed import ArchiveFeed
from ingest.installation import Installation
from tests.dashboard import field

END = pd.Timestamp("2026-11-25T12:00:00Z")
START = END - pd.Timedelta(hours=3)

OWNER = """
import sys
from pathlib import Path
from dashboard.analyst import Analyst
from ingest.load_installation import load
import pandas as pd
analyst = Analyst(Path(sys.argv[1]), load(Path(sys.argv[2])))
analyst.analyse(*(pd.Timestamp(t) for t in sys.argv[3:5]))
print(analyst.process_id, flush=True)
sys.stdin.read()
"""


@pytest.fixture
def archive(tmp_path: Path, installation: Installation) -> Path:
    """Write three hours of readings."""
    field.write(
        tmp_path,
        installation,
        field.frame(START.timestamp(), END.timestamp(), field.usual_runs(END.timestamp())),
        1,
    )
    return tmp_path


@pytest.fixture
def analyst(archive: Path, installation: Installation) -> Iterator[Analyst]:
    """Return an analyst that ends with the test."""
    made = Analyst(archive, installation)
    yield made
    made.end()


def test_results_are_those_of_the_analysis_itself(
    analyst: Analyst, archive: Path, installation: Installation
) -> None:
    """Another process says what this one would, and goes on after it was killed."""
    here = ArchiveFeed(archive, installation).analyse(START, END)
    there = ArchiveFeed(archive, installation, analyst).analyse(START, END)

    assert len(there.runs) > 0
    assert (there.runs, there.findings) == (here.runs, here.findings)
    os.kill(analyst.process_id or 0, signal.SIGKILL)
    with pytest.raises(AnalysisError, match="ended unexpectedly"):
        analyst.analyse(START, END)
    assert analyst.analyse(START, END).runs == here.runs


def test_problem_is_told(analyst: Analyst, archive: Path) -> None:
    """What the analysis could not do comes back in its own words."""
    for path in archive.glob("readings/*/*/*.parquet"):
        path.write_bytes(b"torn")

    with pytest.raises(AnalysisError, match="is damaged and cannot be read"):
        analyst.analyse(START, END)


def test_analysis_ends_with_a_killed_server(archive: Path) -> None:
    """A server that is killed without a word leaves no process behind."""
    description = archive / "installation.toml"
    description.write_text(field.installation_text())
    command = [
        sys.executable,
        "-c",
        OWNER,
        str(archive),
        str(description),
        START.isoformat(),
        END.isoformat(),
    ]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as owner:
        assert owner.stdout is not None
        child = psutil.Process(int(owner.stdout.readline()))
        assert child.is_running()
        owner.kill()

    deadline = time.monotonic() + 20
    while child.is_running() and child.status() != psutil.STATUS_ZOMBIE and time.monotonic() < deadline:
        time.sleep(0.05)
    assert not child.is_running() or child.status() == psutil.STATUS_ZOMBIE
