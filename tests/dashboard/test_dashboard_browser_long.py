"""A year of readings a second in a real browser: one reading among 31 million is seen at full range."""

from __future__ import annotations

import base64
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
from playwright.sync_api import Browser, expect

from ingest import archive as parquet
from ingest.installation import Installation
from ingest.layout import day_folder, part_name
from tests.dashboard.conftest import Served, serve

SENSOR, SPIKE, USUAL = "supply_pressure", 987.0, 320.0
DAYS, SPIKED, SECOND_OF_DAY = 365, 171, 31_415
READY_S = 180.0

DRAWN = """([sensor, at, high, usual]) => {
  const plot = document.querySelector('.plot');
  const trace = plot.data.find(t => t.meta === sensor + ' band');
  const x = plot._fullLayout.xaxis, y = plot._fullLayout[trace.yaxis.replace('y', 'yaxis')];
  const box = plot.getBoundingClientRect();
  const place = value => [box.left + x._offset + x.d2p(at), box.top + y._offset + y.d2p(value)];
  return { most: Math.max(...trace.y.filter(v => v !== null)), spike: place(high), usual: place(usual) };
}"""

COLOURS = """async ([picture, points]) => {
  const image = new Image();
  image.src = 'data:image/png;base64,' + picture;
  await image.decode();
  const canvas = new OffscreenCanvas(image.width, image.height);
  const paint = canvas.getContext('2d');
  paint.drawImage(image, 0, 0);
  return points.map(([x, y]) => Array.from(paint.getImageData(x, y, 1, 1).data).join(' '));
}"""


def day_of(installation: Installation, day: int, *, spiked: bool) -> bytes:
    """Return the file of one day of one sensor [days since 1970]: noise, and perhaps one reading far above it."""
    values = np.round(USUAL + np.random.default_rng(day).normal(size=86400), 1)
    if spiked:
        values[SECOND_OF_DAY] = SPIKE
    time_us = pa.array((day * 86400 + np.arange(86400)) * 1_000_000, parquet.TIME)
    sensor = pa.DictionaryArray.from_arrays(pa.array(np.zeros(86400, np.int32)), pa.array([SENSOR]))
    columns = [time_us, sensor, pa.array(values), pa.array(np.ones(86400, np.int8)), time_us]
    table = pa.Table.from_arrays(columns, schema=parquet.SCHEMA)
    return parquet.encode(table.replace_schema_metadata(parquet.describe(installation)), "readings")


@pytest.fixture
def year(installation: Installation, tmp_path: Path) -> Iterator[Served]:
    """Serve a year up to yesterday of one sensor, a reading a second."""
    archive = tmp_path / "archive"
    last = int(time.time()) // 86400
    for number, day in enumerate(range(last - DAYS, last)):
        folder = archive / day_folder("readings", installation.site, day)
        folder.mkdir(parents=True)
        (folder / part_name(1)).write_bytes(day_of(installation, day, spiked=number == SPIKED))
    yield from serve(archive, installation)


@pytest.mark.slow
def test_one_reading_of_a_year_is_drawn_at_full_range(year: Served, browser: Browser) -> None:
    """The press of a button shows a year; the one reading is in what is served, in what is drawn, and in the picture."""
    at = (int(year.began) // 86400 - DAYS + SPIKED) * 86400.0 + SECOND_OF_DAY
    page = browser.new_page(viewport={"width": 1280, "height": 1600})
    page.goto(year.address + "/head")
    deadline = time.monotonic() + READY_S
    while (
        year.watch.pending or not list(year.archive.glob("rollups/*/days.json"))
    ) and time.monotonic() < deadline:
        page.wait_for_timeout(200)
    page.locator("[data-range='31557600']").click()
    expect(page.get_by_test_id("shown")).to_contain_text(re.compile(r"\d"), timeout=30_000)
    page.wait_for_function(
        "() => { const d = document.querySelector('.chart').dataset; return d.to - d.from > 31e6; }",
        timeout=30_000,
    )

    drawn: Any = page.evaluate(DRAWN, [SENSOR, at, SPIKE, USUAL])
    assert drawn["most"] == SPIKE
    (x, top), (_, bottom) = drawn["spike"], drawn["usual"]
    assert bottom - top > 30
    half = (top + bottom) / 2
    picture = base64.b64encode(page.screenshot()).decode()
    across = [[round(x) + n, round(half)] for n in range(-3, 4)]
    colours = page.evaluate(
        COLOURS, [picture, [*across, [round(x) - 60, round(half)], [round(x) + 60, round(half)]]]
    )

    assert colours[-1] == colours[-2]
    assert set(colours[:-2]) != {colours[-1]}
    page.close()
