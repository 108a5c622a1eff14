"""How long the dashboard takes for a minute and for ten years of one-second readings of eight sensors.

Run it as ``python benchmarks/dashboard_long.py --days 365``: it makes an archive of 250 million readings
(about 45 s and 140 MB), sums it up (about a minute), then measures windows, pages, zooms and pans in a
browser, viewers at once, and memory. Wall times stand beside the machine's load, for they mean little
under load; processor times and ratios hold.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.compute
import pyarrow.parquet as pq
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.dashboard_archive import SENSORS, SPIKE, installation, write_days
from benchmarks.dashboard_served import (
    HIGHEST,
    ZOOM,
    Served,
    line,
    opened,
    page_opens,
    renderers,
    serving,
    ten_browsers,
    viewers,
)
from dashboard.feed import ArchiveFeed
from dashboard.keeper import DAY, Keeper
from dashboard.watch import utc_now
from dashboard.windows import SECOND
from ingest.memory import be_frugal

if TYPE_CHECKING:
    from collections.abc import Callable

    from playwright.sync_api import Browser

CHROMIUM = "/usr/bin/chromium"
SPANS_S = {
    "1 min": 60,
    "1 h": 3600,
    "6 h": 21600,
    "1 day": 86400,
    "30 days": 30 * 86400,
    "1 year": 365 * 86400,
}


def ten_years(keeper: Keeper, years: int) -> None:
    """Repeat the year's summaries into the past, so that ranges of ten years can be read."""
    for path in sorted(keeper.files.folder.glob("step=*/[0-9]*.parquet")):
        table = pq.read_table(path)
        year = path.stem[:4]
        for back in range(1, years):
            target = path.with_name(path.name.replace(year, str(int(year) - back), 1))
            if target.exists():
                continue
            times = table.column("time").cast(pa.int64()).to_numpy() - back * 365 * DAY
            place = table.schema.get_field_index("time")
            moved = table.set_column(
                place, table.schema.field("time"), pa.array(times, table.schema.field("time").type)
            )
            pq.write_table(moved, target, compression="zstd", row_group_size=10_080)


def ten_years_of_days(keeper: Keeper, years: int) -> None:
    """Repeat the days' summaries into the past, in their one file."""
    path = next(keeper.files.folder.glob("step=86400/*.parquet"))
    table = pq.read_table(path)
    place = table.schema.get_field_index("time")
    kind = table.schema.field("time")
    times = table.column("time").cast(pa.int64()).to_numpy()
    if times.max() - times.min() > 400 * DAY:
        return
    moved = [
        table.set_column(place, kind, pa.array(times - back * 365 * DAY, kind.type)) for back in range(years)
    ]
    whole = pa.concat_tables(moved).sort_by([("sensor", "ascending"), ("time", "ascending")])
    with pq.ParquetWriter(path, whole.schema, compression="zstd") as writer:
        for sensor in sorted(SENSORS):
            writer.write_table(whole.filter(pa.compute.equal(whole.column("sensor"), sensor)))


def windows(keeper: Keeper, start: int, end: int, rng: np.random.Generator) -> None:
    """Measure windows of each length at random places, then at all lengths."""
    names = sorted(SENSORS)

    def one(span: int) -> float:
        first = int(rng.integers(start, max(start + 1, end - span)))
        began = time.process_time()
        keeper.windows(names, first, first + span, 1000)
        return time.process_time() - began

    p95 = {}
    for word, seconds in SPANS_S.items():
        if seconds * SECOND <= end - start:
            p95[word] = line(f"window of {word}, CPU", [one(seconds * SECOND) for _ in range(40)])
    longest = list(p95)[-1]
    print(f"ratio of p95, {longest} to 1 day: {p95[longest] / p95['1 day']:.2f}")
    back = end - 3650 * DAY
    decade = [_timed(lambda: keeper.windows(names, back, end, 1000)) for _ in range(20)]
    print(f"ratio of p95, 10 years to 1 day: {line('window of 10 years, CPU', decade) / p95['1 day']:.2f}")
    spike = keeper.windows(["supply_pressure"], start, end, 1000)["supply_pressure"].high.max()
    print(f"one reading of {SPIKE:g} kPa, full range of the archive: greatest value shown {spike:g} kPa")


def _timed(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


def zooms(chromium: Browser, served: Served, start: float, end: float, rng: np.random.Generator) -> None:
    """Measure zooms and pans at all lengths, and look for the one reading in the picture of the whole range."""
    page = opened(chromium, served)
    p95, server, browser = {}, served.cpu(), renderers()
    first = start
    spans = {word: s for word, s in SPANS_S.items() if s <= end - start} | {"10 years": 3650 * 86400}
    for word, seconds in spans.items():
        times = []
        for n in range(20):
            pan = seconds / 2 if n % 2 else 0.0
            first = min(
                (first if pan else float(rng.uniform(start, max(start + 1, end - seconds)))) + pan,
                end - seconds,
            )
            times.append(page.evaluate(ZOOM, [first, first + seconds]))
        p95[word] = line(f"zoom and pan, {word}, to the painted frame", times)
    count = 20 * len(spans)
    print(
        f"{'':46s} each: the server's processor {(served.cpu() - server) / count * 1e3:.1f} ms, "
        f"the page's {(renderers() - browser) / count * 1e3:.1f} ms"
    )
    whole = list(p95)[-2]
    print(f"ratio of p95, {whole} to 1 day: {p95[whole] / p95['1 day']:.2f}; 10 years to 1 day: ", end="")
    print(f"{p95['10 years'] / p95['1 day']:.2f}")
    page.context.close()
    page = opened(chromium, served, "/head")
    page.evaluate(ZOOM, [start, end])
    seen = page.evaluate(HIGHEST, ["supply_pressure"])
    print(f"one reading of {SPIKE:g} kPa, drawn at full range: {seen:g} kPa")
    page.context.close()


def measure(served: Served, start: float, end: float, rng: np.random.Generator) -> None:
    """Measure a running server: pages, zooms, viewers, memory."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM)
        page_opens(chromium, served)
        zooms(chromium, served, start, end, rng)
        ends = [(float(a), float(a) + 86400.0) for a in rng.uniform(start, end - 86400, 10)]
        ten_browsers(chromium, served, ends)
        chromium.close()
    viewers(served, start, end, count=10, think_s=0.0)
    viewers(served, start, end, count=10, think_s=1.0)
    viewers(served, start, end, count=50, think_s=1.0)
    print(served.memory())


def main() -> None:
    """Make the archive and measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--folder", type=Path, help="keep the archive here and use it again")
    given = parser.parse_args()
    be_frugal()
    with tempfile.TemporaryDirectory() as spare:
        folder = given.folder or Path(spare)
        archive, system, rng = folder / "archive", installation(), np.random.default_rng(1)
        last = int(time.time()) // 86400
        days = range(last - given.days, last)
        write_days(archive, system, days, days[len(days) // 2])
        print(
            f"{len(days)} days of {len(SENSORS)} sensors, {len(days) * 86400 * len(SENSORS) / 1e6:.0f} million readings"
        )
        keeper = Keeper(archive, ArchiveFeed(archive, system), utc_now)
        began = time.perf_counter()
        keeper.keep()
        print(f"summing all up: {time.perf_counter() - began:.1f} s; a round without changes: ", end="")
        began = time.perf_counter()
        keeper.keep()
        print(f"{time.perf_counter() - began:.2f} s")
        print(f"this process at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")
        ten_years(keeper, 10)
        ten_years_of_days(keeper, 10)
        windows(keeper, days[0] * DAY, last * DAY, rng)
        with serving(folder, archive) as served:
            measure(served, days[0] * 86400.0, last * 86400.0, rng)


if __name__ == "__main__":
    main()
