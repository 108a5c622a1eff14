"""How long a new reading needs from the ingester's journal to the screen, in a tile and in the chart.

A reading is on the disk when the journal's `append` returns, which is when the broker is told so. From
then on it takes the dashboard's look, the page's pulse, and the drawing.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from playwright.sync_api import sync_playwright

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.dashboard_served import line, serving
from ingest.journal import JournalWriter
from ingest.load_installation import loads

if TYPE_CHECKING:
    from playwright.sync_api import Page

CHROMIUM = "/usr/bin/chromium"
TEXT = """
name = "Long Meadow Bench"
timezone = "Europe/Lisbon"

[supply]
kind = "well"
backflow_preventer = "none"

[zone.bench]

[sensor.bench_pressure]
quantity = "pressure"
point = "zone"
zone = "bench"
unit = "kPa"
interval = "3 s"
source = { topic = "bench/pressure" }
"""
ARRIVED = """async ([value]) => {
  const last = () => Math.max(0, ...document.querySelector('.plot').data
    .filter(trace => / (mean|band)$/.test(trace.meta || ''))
    .flatMap(trace => Array.from(trace.y).filter(y => y !== null)));
  const said = {};
  while (!said.tile || !said.chart) {
    if (!said.tile && document.querySelector('[data-sensor=bench_pressure]').textContent.includes(value)) said.tile = Date.now();
    if (!said.chart && last() >= Number(value)) said.chart = Date.now();
    await new Promise(done => setTimeout(done, 10));
  }
  return said;
}"""
"""Waits until a value stands in the sensor's tile and in the chart; tells when each did. [ms since 1970]"""


def arrivals(page: Page, journal: JournalWriter, count: int, rng: np.random.Generator) -> None:
    """Store readings that grow, each at a moment of its own, and tell how long each took to be seen."""
    tile, chart = [], []
    for number in range(count):
        time.sleep(float(rng.uniform(0.5, 2.5)))
        value = 100 + number
        journal.append([("bench/pressure", str(value).encode())])
        stored = time.time()
        seen = page.evaluate(ARRIVED, [str(value)])
        tile.append(seen["tile"] / 1e3 - stored)
        chart.append(seen["chart"] / 1e3 - stored)
    line("from the journal to the sensor's tile", tile)
    line("from the journal to the chart", chart)
    late = sum(t > 2.0 for t in [*tile, *chart])
    print(f"later than 2 s: {late} of {2 * count}")


def main() -> None:
    """Serve an archive that is being written, and watch a page."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--readings", type=int, default=40)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        folder = Path(spare)
        site = loads(TEXT.encode()).site
        with JournalWriter(folder / "archive", "bench", site) as journal:
            journal.append([("bench/pressure", b"99")])
            with serving(folder, folder / "archive", TEXT) as served, sync_playwright() as playwright:
                chromium = playwright.chromium.launch(executable_path=CHROMIUM)
                page = chromium.new_page()
                page.goto(served.address + "/zone/bench")
                page.wait_for_selector(".chart[data-drawn]", timeout=60_000)
                arrivals(page, journal, given.readings, np.random.default_rng(1))
                chromium.close()


if __name__ == "__main__":
    main()
