"""What an analysis costs again after one late reading, beside the first time; and whether it says the same."""

from __future__ import annotations

import argparse
import shutil
import tempfile
from pathlib import Path

from analysis.incremental.book import FOLDER
from benchmarks.analysis_scale import days_of
from benchmarks.long_archive import FIRST_DAY, garden, write_days, write_late
from benchmarks.scale_child import take


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--months", type=float, default=100.0, help="zone-months")
    parser.add_argument("--folder", type=Path, help="keep the archive here and use it again")
    given = parser.parse_args()
    days = days_of(given.months)
    with tempfile.TemporaryDirectory() as spare:
        archive = (given.folder or Path(spare)) / "archive"
        if not archive.exists():
            write_days(archive, garden(), days)
        shutil.rmtree(archive / FOLDER, ignore_errors=True)
        first = take("analyse", archive, days)
        kept = sum(path.stat().st_size for path in (archive / FOLDER).rglob("*") if path.is_file())
        print(f"{given.months:g} zone-months ({days} d), the first time: {first.cpu_s:.1f} s of CPU")
        print(f"kept beside the readings: {kept / days / 1e3:.1f} kB a day")
        same = take("analyse", archive, days)
        print(
            f"again, nothing new: {same.cpu_s:.2f} s, {same.cpu_s / first.cpu_s:.2%}; same bytes: {same.said == first.said}"
        )
        write_late(archive, garden(), FIRST_DAY + days // 2, [("water_flow", 5.6 * 3600 + 3.3, 480.0)])
        late = take("analyse", archive, days)
        print(
            f"after one late reading in a run: {late.cpu_s:.2f} s, {late.cpu_s / first.cpu_s:.2%} (wanted: at most 2 %)"
        )
        shutil.rmtree(archive / FOLDER)
        anew = take("analyse", archive, days)
        print(
            f"bytes of the document as of a full run: {late.said == anew.said}; as before it: {late.said == same.said}"
        )


if __name__ == "__main__":
    main()
