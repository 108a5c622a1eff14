"""What a service record costs: seconds and peak memory for a month and a season, beside reading the same days.

``python benchmarks/record.py`` makes the sample garden's archives (26 sensors, a reading each 10 s) and their
records as PDF; ``--days 30 120`` names other lengths, ``--folder`` keeps the archives and uses them again. Each part
is a process of its own; seconds are the processor's, so that a busy machine tells the same.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd
from typer.testing import CliRunner

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from analysis.ledger import add_service
from analysis.service import Service
from benchmarks.garden_seasons import DAY_S, FIRST_DAY, Fault, season, write
from ingest.load_installation import load
from ingest.store import read_readings
from tricklebook import app

SAMPLE = Path(__file__).resolve().parents[1] / "sample_data" / "installation.toml"
MEGABYTE = 1e3
"""What Linux counts peak memory in, to a megabyte. [kB]"""


def period(days: int) -> tuple[pd.Timestamp, pd.Timestamp]:
    """Return a season's start and end. [UTC]"""
    start = pd.Timestamp(FIRST_DAY * DAY_S, unit="s", tz="UTC")
    return start, start + pd.Timedelta(days=days)


def make(folder: Path, days: int) -> None:
    """Write the archive of a season with clogging and its service, where it is not there yet."""
    archive = folder / "archive"
    if archive.exists():
        return
    installation, fault = load(SAMPLE), Fault(clogging=(0.005, 15, 0.7 * days))
    write(archive, season(installation, fault, days), fault, days)
    when = period(days)[0] + pd.Timedelta(days=round(0.7 * days))
    add_service(archive, Service(when, "R. Alder", "acid flush", "bench2"))


def read(folder: Path, days: int) -> None:
    """Read every day as the analysis does."""
    installation, (start, end) = load(SAMPLE), period(days)
    for first in pd.date_range(start, end, freq="D", inclusive="left"):
        read_readings(folder / "archive", installation, start=first, end=first + pd.Timedelta(days=1))


def record(folder: Path, days: int) -> None:
    """Make the record as `tricklebook report` does."""
    start, end = (moment.isoformat() for moment in period(days))
    files = ["--installation", str(SAMPLE), "--archive", str(folder / "archive")]
    more = ["--output", str(folder / "record.pdf"), "--from", start, "--to", end]
    done = CliRunner().invoke(app, ["report", *files, *more])
    if done.exit_code:
        raise SystemExit(done.output)


PARTS = {"make": make, "read": read, "record": record}


def measured(part: str, folder: Path, days: int) -> tuple[float, float]:
    """Return a part's processor seconds and peak memory [MB], from a process of its own."""
    command = [sys.executable, __file__, "--part", part, "--folder", str(folder), "--days", str(days)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    seconds, memory = json.loads(done.stdout.splitlines()[-1])
    return float(seconds), float(memory)


def main() -> None:
    """Make the archives and the records, and print what they cost."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=int, nargs="+", default=[30, 120])
    parser.add_argument("--folder", type=Path, help="keep archives and records here and use them again")
    parser.add_argument("--part", choices=PARTS, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.part:
        began = time.process_time()
        PARTS[given.part](given.folder, given.days[0])
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / MEGABYTE
        print(json.dumps([time.process_time() - began, memory]))
        return
    with tempfile.TemporaryDirectory() as spare:
        for days in given.days:
            folder = (given.folder or Path(spare)) / f"days{days}"
            folder.mkdir(parents=True, exist_ok=True)
            measured("make", folder, days)
            reading, base = measured("read", folder, days)
            seconds, memory = measured("record", folder, days)
            size = (folder / "record.pdf").stat().st_size / 1e3
            print(
                f"record of {days:4d} days: {seconds:6.1f} s, {seconds / reading:5.1f} times reading the same days; "
                f"{memory:5.0f} MB at most, {memory / base:4.2f} times reading; {size:.0f} kB"
            )


if __name__ == "__main__":
    main()
