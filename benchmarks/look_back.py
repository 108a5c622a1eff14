"""What a longer look-back costs the dashboard's analysis: the first time, at each look after it, and in memory."""

from __future__ import annotations

import argparse
import pickle
import resource
import shutil
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pandas as pd

from analysis.archive import analyse_archive
from analysis.incremental.book import FOLDER
from benchmarks.long_archive import FIRST_DAY, garden, write_days
from dashboard.lately import lately, season_start

DAYS = 120
"""Length of the archive. [d]"""

LOOKS = 4
"""Looks in one process; the time of the last is told. [-]"""

EVERY = pd.Timedelta(seconds=15)


def look(archive: Path, days: float) -> tuple[float, float, float]:
    """Return what looks at the last days of an archive take, each a little later than the one before.

    Parameters
    ----------
    archive : Path
        Its folder.
    days : float
        How far they look back. [d]

    Returns
    -------
    tuple of float
        The first look and the last, of the processor [s]; most memory of the process [MB].
    """
    now = pd.Timestamp(FIRST_DAY * 86400, unit="s", tz="UTC") + pd.Timedelta(days=DAYS - 1, hours=13)
    taken: list[float] = []
    for n in range(LOOKS):
        end, begun = now + n * EVERY, time.process_time()
        results = analyse_archive(archive, garden(), season_start((), end, days=7.0, season=days), end)
        taken.append(time.process_time() - begun)
    whole, kept = (len(pickle.dumps(r)) / 1e6 for r in (results, lately(results, end - pd.Timedelta(days=7))))
    print(
        f"{days:4.0f} d: {len(results.runs)} runs; to the pages {whole:.1f} MB, kept of it {kept:.1f} MB",
        flush=True,
    )
    return taken[0], taken[-1], resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--folder", type=Path, help="keep the archive here and use it again")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        archive = (given.folder or Path(spare)) / "archive"
        if not archive.exists():
            write_days(archive, garden(), DAYS)
        shutil.rmtree(archive / FOLDER, ignore_errors=True)
        for again, days in enumerate((DAYS, DAYS, 60, 7)):
            with ProcessPoolExecutor(1) as pool:
                first, last, peak = pool.submit(look, archive, days).result()
            name = "known from before" if again else "the first time"
            print(
                f"  {name}: first look {first:.1f} s of CPU, each next {last:.2f} s; memory {peak:.0f} MB",
                flush=True,
            )


if __name__ == "__main__":
    main()
