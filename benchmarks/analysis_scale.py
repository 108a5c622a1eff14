"""How the whole analysis grows with the length of an archive: time, memory, and beside a bare scan.

Three zones with 24 sensors at 10 s, each zone watered once a day. CPU time, so that others on the machine
count little; the start of the process is left out of the time and in the memory.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

import numpy as np

from analysis.incremental.book import FOLDER
from benchmarks.long_archive import garden, write_days
from benchmarks.scale_child import Taken, take

ZONES, DAYS_A_MONTH = 3, 30.44
"""Zones of the garden; days of a month. [-]"""


def days_of(zone_months: float) -> int:
    """Return the days in which the garden makes so many zone-months. [d]"""
    return max(1, round(zone_months * DAYS_A_MONTH / ZONES))


def row(zone_months: float, days: int, one: Taken, scan: Taken) -> str:
    """Return a line of the table."""
    return (
        f"{zone_months:8g} {days:6d} {scan.count / 1e6:10.1f} {one.count:6d} {one.cpu_s:9.1f} {one.peak_mb:9.0f} "
        f"{scan.cpu_s:8.2f} {one.cpu_s / scan.cpu_s:8.1f} {1e6 * one.cpu_s / scan.count:10.2f}"
    )


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--months", type=float, nargs="+", default=[1.0, 10.0, 100.0], help="zone-months")
    parser.add_argument("--folder", type=Path, help="keep the archive here and use it again")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        archive = (given.folder or Path(spare)) / "archive"
        if not archive.exists():
            write_days(archive, garden(), days_of(max(given.months)))
        print("  zone-     d    million   runs     CPU s   peak MB    scan s    ratio    us/reading")
        print(" months          readings           whole analysis       same columns")
        taken = {}
        for zone_months in sorted(given.months):
            shutil.rmtree(archive / FOLDER, ignore_errors=True)
            days = days_of(zone_months)
            taken[days] = take("analyse", archive, days)
            print(row(zone_months, days, taken[days], take("scan", archive, days)), flush=True)
    length = np.log(list(taken))
    exponent = np.polyfit(length, np.log([one.cpu_s for one in taken.values()]), 1)[0]
    peaks = [one.peak_mb for one in taken.values()]
    print(f"time grows with the length to the power of {exponent:.3f} (wanted: at most 1.05)")
    print(f"peak memory, longest to shortest: {peaks[-1] / peaks[0]:.3f} (wanted: at most 1.10)")


if __name__ == "__main__":
    main()
