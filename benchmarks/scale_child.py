"""One measured process of the benchmarks of scale: analyses or scans an archive, and says what it took.

``python -m benchmarks.scale_child analyse FOLDER DAYS`` prints one JSON line.
"""

from __future__ import annotations

import hashlib
import json
import resource
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pandas as pd
import pyarrow.dataset as ds

from analysis.archive import review
from analysis.document import pieces
from analysis.incremental.keys import method
from benchmarks.long_archive import FIRST_DAY, garden

COLUMNS = ["time", "sensor", "value", "quality"]
"""What the analysis reads."""


@dataclass(frozen=True, slots=True)
class Taken:
    """What a process took.

    Attributes
    ----------
    cpu_s, wall_s : float
        Time of the work itself, without the start of the process. [s]
    peak_mb : float
        Most memory at once, of the whole process. [MB]
    said : str
        Digest of what it gave.
    count : int
        Runs, or readings. [-]
    """

    cpu_s: float
    wall_s: float
    peak_mb: float
    said: str
    count: int


def take(what: str, folder: Path, days: int) -> Taken:
    """Return what a process of its own takes to do something with the first days of an archive."""
    command = [sys.executable, "-m", "benchmarks.scale_child", what, str(folder), str(days)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    return Taken(**json.loads(done.stdout))


def _analyse(folder: Path, days: int) -> tuple[str, int]:
    start = pd.Timestamp(FIRST_DAY * 86400, unit="s", tz="UTC")
    results = review(folder, garden(), start, start + pd.Timedelta(days=days))
    said = hashlib.sha256()
    for piece in pieces(results):
        said.update(piece.encode())
    return said.hexdigest(), len(results.runs)


def _scan(folder: Path, days: int) -> tuple[str, int]:
    found = sorted((folder / "readings").glob("site=*/date=*"))[:days]
    rows = 0
    for day in found:
        rows += ds.dataset(day).to_table(columns=COLUMNS, use_threads=False).num_rows
    return "", rows


def main() -> None:
    """Do what the arguments say."""
    what, folder, days = sys.argv[1], Path(sys.argv[2]), int(sys.argv[3])
    garden()
    method()
    wall, cpu = time.perf_counter(), time.process_time()
    said, count = {"analyse": _analyse, "scan": _scan}[what](folder, days)
    cpu, wall = time.process_time() - cpu, time.perf_counter() - wall
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(json.dumps({"cpu_s": cpu, "wall_s": wall, "peak_mb": peak, "said": said, "count": count}))


if __name__ == "__main__":
    main()
