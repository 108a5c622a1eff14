"""How long the dashboard takes for a minute and for ten years of one-second readings of eight sensors.

Run it as ``python benchmarks/dashboard_long.py --days 365``: it makes an archive of 250 million readings
(about 45 s and 500 MB), sums it up, then measures windows, answers to ten viewers at once, zooms in a
browser, and the server's memory. Ratios hold from machine to machine; single milliseconds do not.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pyarrow as pa
import pyarrow.compute
import pyarrow.parquet as pq
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.dashboard_archive import SENSORS, SPIKE, installation, installation_text, write_days
from dashboard.feed import ArchiveFeed
from dashboard.keeper import DAY, Keeper
from dashboard.watch import utc_now
from dashboard.windows import SECOND

if TYPE_CHECKING:
    from collections.abc import Callable

CHROMIUM = "/usr/bin/chromium"
VIEWERS = 10
SPANS_S = {
    "1 min": 60,
    "1 h": 3600,
    "6 h": 21600,
    "1 day": 86400,
    "30 days": 30 * 86400,
    "1 year": 365 * 86400,
}
ZOOM = """async ([from, to]) => {
  const box = document.querySelector('.chart');
  const before = box.dataset.drawn;
  const began = performance.now();
  box.dispatchEvent(new CustomEvent('show', { detail: [from, to] }));
  while (box.dataset.drawn === before) await new Promise(requestAnimationFrame);
  await new Promise(requestAnimationFrame);
  return performance.now() - began;
}"""


def line(what: str, times: list[float], scale: float = 1e3) -> float:
    """Print the middle, the 95th of 100 and the greatest of some times; return the second. [ms]"""
    p50, p95, most = np.percentile(np.array(times) * scale, [50, 95, 100])
    print(f"{what:44s} p50 {p50:8.1f}   p95 {p95:8.1f}   max {most:8.1f} ms   n {len(times)}")
    return float(p95)


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


def viewers(address: str, start: float, end: float) -> None:
    """Measure answers to ten viewers who ask without a pause."""
    times: list[float] = []

    def look(seed: int) -> None:
        rng = np.random.default_rng(seed)
        for _ in range(15):
            span = float(np.exp(rng.uniform(np.log(1800), np.log(end - start))))
            first = float(rng.uniform(start, end - span))
            query = f"?from={first}&to={first + span}&width=1200"
            began = time.perf_counter()
            with urllib.request.urlopen(f"{address}/api/chart/zone/bench{query}") as answer:  # noqa: S310 - our own server
                answer.read()
            times.append(time.perf_counter() - began)

    threads = [threading.Thread(target=look, args=(n,)) for n in range(VIEWERS)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    line(f"{VIEWERS} viewers at once, one chart", times)


def browser(address: str, start: float, end: float, rng: np.random.Generator) -> None:
    """Measure page open and zooms in a browser: from asking to the frame after the new picture."""
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM)
        opens = []
        for _ in range(3):
            page = chromium.new_context(viewport={"width": 1280, "height": 1000}).new_page()
            began = time.perf_counter()
            page.goto(address + "/zone/bench")
            page.wait_for_selector(".chart[data-drawn]", timeout=60_000)
            opens.append(time.perf_counter() - began)
        line("page open, cold, to the drawn chart", opens)
        p95 = {
            word: _zooms(page, seconds, start, end, rng)
            for word, seconds in SPANS_S.items()
            if seconds <= end - start
        }
        longest = list(p95)[-1]
        print(f"ratio of zoom p95, {longest} to 1 day: {p95[longest] / p95['1 day']:.2f}")
        chromium.close()


def _zooms(page: Page, seconds: float, start: float, end: float, rng: np.random.Generator) -> float:
    times = []
    for _ in range(20):
        first = float(rng.uniform(start, max(start + 1, end - seconds)))
        times.append(page.evaluate(ZOOM, [first, first + seconds]) / 1e3)
    word = next(w for w, s in SPANS_S.items() if s == seconds)
    return line(f"zoom to {word}, to the painted frame", times)


def served(folder: Path, archive: Path, start: float, end: float, rng: np.random.Generator) -> None:
    """Measure a running server."""
    description = folder / "installation.toml"
    description.write_text(installation_text())
    files = ["--installation", str(description), "--archive", str(archive), "--port", "0"]
    command = [sys.executable, "-m", "tricklebook", "dashboard", *files, "--days", "1"]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert server.stderr is not None  # noqa: S101 - it was asked for
        address = next(word for word in server.stderr.readline().split() if word.startswith("http")).rstrip(
            "/"
        )
        viewers(address, start, end)
        browser(address, start, end, rng)
        viewers(address, start, end)
        print(f"server's memory: {psutil.Process(server.pid).memory_info().rss / 1e6:.0f} MB")
    finally:
        server.kill()


def main() -> None:
    """Make the archive and measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--days", type=int, default=60)
    parser.add_argument("--folder", type=Path, help="keep the archive here and use it again")
    given = parser.parse_args()
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
        served(folder, archive, days[0] * 86400.0, last * 86400.0, rng)


if __name__ == "__main__":
    main()
