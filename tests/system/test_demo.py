"""The whole demo as a grower starts it: real broker, ingester, dashboard and browser, nothing mocked."""

from __future__ import annotations

import re
import signal
import subprocess
import time
from typing import TYPE_CHECKING

import pandas as pd
import psutil
import pytest
from playwright.sync_api import expect

from ingest.load_installation import load
from ingest.store import read_readings
from sample_data.folder import INSTALLATION
from sample_data.ports import is_free
from tests.system.demo_support import END_S, LIMIT_S, Demo, command, start, wait

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.slow

ZONES = ("bench1", "bench2", "border")

LIVE_S = 40.0
"""A reading comes every 10 s; several of them fit into this. [s]"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Demo]:
    """Start the demo with its usual options, on free ports."""
    running = start(tmp_path_factory.mktemp("garden") / "data")
    yield running
    running.end()


@pytest.fixture(scope="module")
def page(demo: Demo, browser: Browser) -> Iterator[Page]:
    """Open the demo in Chromium, without a window."""
    opened = browser.new_page(viewport={"width": 1280, "height": 900})
    opened.set_default_timeout(LIMIT_S * 1000)
    opened.goto(demo.address)
    yield opened
    opened.close()


def _go(page: Page, demo: Demo, zone: str) -> None:
    """Open a zone by its link, as a person does."""
    page.goto(demo.address)
    page.get_by_test_id("bar").get_by_role("link", name=zone).click()
    page.wait_for_selector(f"h1:has-text('{zone}')")


def _shows(page: Page, demo: Demo, quantity: str, pattern: str) -> None:
    """Return once an estimate's row says something; the history still arrives while the page is open."""
    row = page.locator(f'[data-row="{quantity}"]').first
    left = demo.began + LIMIT_S - time.monotonic()
    expect(row).to_contain_text(re.compile(pattern, re.DOTALL), timeout=max(left, 1.0) * 1000)


def _born(page: Page, sensor: str) -> int:
    """Return when the shown reading of a sensor was made. [ms since 1970]"""
    return int(page.locator(f'[data-sensor="{sensor}"] [data-since]').get_attribute("data-since") or 0)


@pytest.mark.parametrize("zone", ZONES)
def test_page_is_live_in_time(demo: Demo, page: Page, zone: str) -> None:
    """Within 120 s of the start each zone has trends, fresh sensors and an estimate with its interval."""
    _go(page, demo, zone)
    page.wait_for_selector(".chart[data-drawn]")
    page.wait_for_selector('[data-sensor="water_flow"][data-state="fresh"]')

    _shows(page, demo, "water volume", r"[\d.]+\sL\s*[\d.]+\sL to [\d.]+\sL")
    if zone == "border":
        _shows(page, demo, "injection fraction", "strength falls all through the run")
        _shows(page, demo, "tank strength at start", r"1:[\d.]+ .*1:[\d.]+ to 1:[\d.]+")
        _shows(page, demo, "nutrient dose N", r"[\d.]+\sg\s*[\d.]+\sg to [\d.]+\sg")
    else:
        _shows(page, demo, "injection fraction", r"1:\d+ .*1:\d+ to 1:\d+")
    assert time.monotonic() - demo.began < LIMIT_S


def test_new_readings_arrive(demo: Demo, page: Page) -> None:
    """A page that stays open shows younger readings, and draws them, without being asked."""
    _go(page, demo, "bench1")
    page.wait_for_selector(".chart[data-drawn]")
    born, drawn = _born(page, "water_flow"), page.locator(".chart").get_attribute("data-drawn")
    end = time.monotonic() + LIVE_S
    while _born(page, "water_flow") <= born + 10_000 and time.monotonic() < end:
        page.wait_for_timeout(200)

    assert _born(page, "water_flow") > born + 10_000
    assert time.time() * 1000 - _born(page, "water_flow") < LIVE_S * 1000
    assert page.locator(".chart").get_attribute("data-drawn") != drawn


def test_a_run_is_in_progress(demo: Demo, page: Page) -> None:
    """Soon after the start water runs, and the overview says where."""
    page.goto(demo.address)

    page.get_by_test_id("running").get_by_text(re.compile("bench1|bench2|border")).first.wait_for()


def test_units_change(demo: Demo, page: Page) -> None:
    """The same reading is shown in kPa and, at a click, in psi."""
    _go(page, demo, "bench2")
    tile = page.locator('[data-sensor="bench2_pressure"] .number')
    page.get_by_test_id("units-us").click()
    page.wait_for_selector('[data-sensor="bench2_pressure"] .number:has-text("psi")')
    page.get_by_test_id("units-metric").click()
    page.wait_for_selector('[data-sensor="bench2_pressure"] .number:has-text("kPa")')

    assert re.fullmatch(r"[\d.,]+\skPa", tile.inner_text())


def test_planted_faults_are_on_the_page(demo: Demo, page: Page) -> None:
    """The run without stock and the silent sensor need a person, and the overview says so."""
    page.goto(demo.address)
    for kind in ("no injection", "sensor silent"):
        page.locator(f'article[data-kind="{kind}"]').first.wait_for()


def test_archive_opens_with_pandas(demo: Demo) -> None:
    """The Parquet files of three days open with pandas alone and hold no reading twice."""
    readings = demo.folder / "archive" / "readings"
    wait(
        lambda: len(list(readings.rglob("*.parquet"))) >= 3 and _rows(readings) > 500_000,
        demo.began + LIMIT_S,
        "the archiving of the history",
    )
    frame = pd.read_parquet(readings)

    assert {"time", "sensor", "value", "quality", "received"} <= set(frame.columns)
    assert str(frame["time"].dtype) == "datetime64[us, UTC]"
    assert not frame.duplicated(["sensor", "time"]).any()


def _rows(readings: Path) -> int:
    """Return how many rows the archive's files hold; 0 while one is being replaced."""
    try:
        return len(pd.read_parquet(readings, columns=["value"]))
    except FileNotFoundError:
        return 0


def test_second_start_says_that_one_is_running(demo: Demo) -> None:
    """A second demo in the same folder is refused in one line, with the first one's address."""
    second = subprocess.run(
        command(demo.folder), capture_output=True, text=True, check=False, timeout=LIMIT_S
    )

    assert second.returncode == 2
    assert demo.address in second.stderr
    assert "--data" in second.stderr
    assert "Traceback" not in second.stderr


def test_used_port_is_told(demo: Demo, tmp_path: Path) -> None:
    """A port that another program has is told in one line with a mend, and nothing stays running."""
    argv = command(tmp_path / "other", "--port", str(demo.port))
    second = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=LIMIT_S)

    assert second.returncode == 2
    assert re.search(rf"port {demo.port} .* in use .* --port \d+", second.stderr)
    assert "Traceback" not in second.stderr


def test_only_this_machine_is_served(demo: Demo) -> None:
    """No process of the demo listens beyond the loopback."""
    listening = [
        one.laddr.ip
        for process in demo.family()
        for one in process.net_connections("tcp")
        if one.status == psutil.CONN_LISTEN
    ]

    assert set(listening) == {"127.0.0.1"}


def _works(process: psutil.Process) -> bool:
    """Tell whether a process has not ended; one that only waits to be noticed by its parent has."""
    try:
        return bool(process.is_running() and process.status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


def test_ctrl_c_ends_everything(demo: Demo) -> None:
    """After Ctrl-C the status is 0, no process is left and both ports are free."""
    family = demo.family()
    assert len(family) >= 4

    assert demo.end() == 0
    wait(lambda: not any(_works(one) for one in family), time.monotonic() + END_S, "every process ended")
    assert is_free(demo.port)
    assert is_free(demo.broker_port)


def test_next_start_goes_on_without_doubling(demo: Demo) -> None:
    """Started again, here with the embedded broker, the history goes on: nothing twice, nothing left out."""
    demo.end()
    installation = load(INSTALLATION)
    archive = demo.folder / "archive"
    before = read_readings(archive, installation)
    again = start(demo.folder, "--broker", "embedded")
    try:
        newest = pd.Timestamp.now("UTC")
        wait(lambda: _newest(archive) > newest, again.began + LIMIT_S, "a reading after the second start")
    finally:
        status = again.end(signal.SIGTERM)
    after = read_readings(archive, installation)
    merged = before.merge(after, on=["sensor", "time"], suffixes=("", "_after"))

    assert status == 0
    assert len(merged) == len(before)
    assert (merged["value"] == merged["value_after"]).all()
    for sensor in ("water_flow", "bench1_valve", "border_end_ec"):
        times = after.loc[after["sensor"] == sensor, "time"]
        assert times.diff().max() == times.diff().min() == pd.Timedelta("10s")


def _newest(archive: Path) -> pd.Timestamp:
    """Return the time of the newest reading."""
    moment: pd.Timestamp = read_readings(archive, load(INSTALLATION), sensors=["water_flow"])["time"].max()
    return moment


def test_dead_child_ends_the_demo(tmp_path: Path) -> None:
    """When the ingester dies, the demo says so with its last words, ends the rest and fails."""
    demo = start(tmp_path / "data", "--days", "0")
    family = demo.family()
    demo.child("ingest").kill()
    status = demo.process.wait(END_S)
    wait(lambda: not any(one.is_running() for one in family), time.monotonic() + END_S, "the end of the rest")

    assert status == 1
    assert "the ingester ended with status -9" in demo.said
