"""An archive whose days stand in an object store: the whole way from the broker to the page, as with a folder."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from typing import TYPE_CHECKING

import pytest
from playwright.sync_api import expect

from ingest.load_installation import load
from ingest.store import read_readings
from tests.dashboard import field as invented
from tests.support.ingester import DEADLINE_S, ROOT, Devices, until
from tests.support.objects import PASSWORD, USER, ObjectStore

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd
    from playwright.sync_api import Browser

    from tests.support.broker import Broker

DAY_S = 86_400
HOURS = 5
MOMENTS = 60
"""Moments in one message."""


def tricklebook(*arguments: object) -> subprocess.CompletedProcess[str]:
    """Run a command as a person does."""
    command = [sys.executable, "-m", "tricklebook", *map(str, arguments)]
    return subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)


def packs(readings: pd.DataFrame) -> list[bytes]:
    """Return readings as the packs that devices would send."""
    found = []
    for name, rows in readings.groupby("sensor", sort=True):
        unit = {"°C": "Cel", "1": "1"}.get(
            invented.UNITS[invented.SENSORS[str(name)][0]], invented.UNITS[invented.SENSORS[str(name)][0]]
        )
        seconds = rows["time"].astype("int64") / 1e6
        records = [
            {"n": str(name), "u": unit, "t": at, "v": float(value)}
            for at, value in zip(seconds, rows["value"], strict=True)
        ]
        found += [json.dumps(records[i : i + MOMENTS]).encode() for i in range(0, len(records), MOMENTS)]
    return found


def ingest(installation: Path, archive: Path, broker: Broker, messages: list[bytes], rows: int) -> None:
    """Let the real ingester take messages from the real broker until all readings are stored."""
    command = [sys.executable, "-m", "tricklebook", "ingest", "--installation", str(installation)]
    process = subprocess.Popen(
        [*command, "--archive", str(archive), "--port", str(broker.port)],
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    )
    described = load(installation)
    status = archive / "state" / f"site={described.site}" / f"receiver.{described.site}.json"
    until(lambda: status.exists() and json.loads(status.read_text())["state"] == "receiving", "the receiver")
    devices = Devices(broker.port)
    for body in messages:
        devices.publish_raw(body, "field/box")
    devices.settle()
    devices.close()
    until(lambda: len(read_readings(archive, described)) == rows, f"{rows} readings")
    process.send_signal(signal.SIGTERM)
    _, said = process.communicate(timeout=DEADLINE_S)
    assert process.returncode == 0, said


@pytest.mark.slow
def test_archive_in_an_object_store_gives_what_a_folder_gives(
    tmp_path: Path, broker: Broker, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken in, merged over a killed store, verified, analysed here and elsewhere, shown: all as from a folder."""
    monkeypatch.setenv("AWS_ACCESS_KEY_ID", USER)
    monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", PASSWORD)
    objects = ObjectStore(tmp_path)
    objects.start()
    installation, archive, twin = (tmp_path / name for name in ("installation.toml", "archive", "twin"))
    installation.write_text(invented.installation_text().replace("csv =", "senml ="), encoding="utf-8")
    both = ["--installation", installation, "--archive"]
    given = tricklebook(
        "archive", "depot", "--archive", archive, "--url", "s3://garden/long", "--endpoint", objects.endpoint
    )
    assert given.returncode == 0, given.stderr
    noon = (int(time.time()) // DAY_S - 3) * DAY_S + DAY_S // 2
    days = [noon, noon + DAY_S]
    parts = [invented.frame(at - HOURS * 3600, at, invented.usual_runs(at)) for at in days]
    ingest(installation, archive, broker, [m for part in parts for m in packs(part)], sum(map(len, parts)))
    shutil.copytree(archive, twin)
    (twin / "depot.toml").unlink()

    objects.kill()
    silent = tricklebook("archive", "merge", "--archive", archive)
    objects.start()
    merged = tricklebook("archive", "merge", "--archive", archive)
    tricklebook("archive", "merge", "--archive", twin)

    assert silent.returncode != 0
    assert "nothing is lost" in silent.stderr
    assert "sent to the depot" in merged.stdout
    assert list((archive / "readings").rglob("*.parquet")) == []
    assert len([name for name in objects.kept() if "readings" in name]) == len(days)
    verified = tricklebook("archive", "verify", "--archive", archive)
    assert verified.returncode == 0, verified.stdout
    assert f"{sum(map(len, parts))} readings of {len(days)} days are as they were written" in verified.stdout

    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    shutil.copy(archive / "depot.toml", elsewhere)
    here, far, folder = (
        tricklebook("analyse", *both, place, "--json") for place in (archive, elsewhere, twin)
    )
    assert folder.returncode == 0, folder.stderr
    assert len(json.loads(folder.stdout)["runs"]) > len(days)
    assert here.stdout == folder.stdout
    assert far.stdout == folder.stdout
    assert tricklebook("archive", "verify", "--archive", elsewhere).returncode == 0
    look(browser, [*map(str, [*both, archive])], f"zone/bench1?from={noon - HOURS * 3600}&to={noon}")
    objects.kill()


def look(browser: Browser, options: list[str], path: str) -> None:
    """Open a page of the real dashboard until its chart is drawn and the results are there."""
    command = [sys.executable, "-m", "tricklebook", "dashboard", *options, "--port", "0"]
    process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    try:
        address = next(found[0] for line in process.stderr if (found := re.search(r"http://\S+", line)))
        page = browser.new_page()
        page.goto(address + path)
        expect(page.locator(".chart").first).to_have_attribute(
            "data-drawn", re.compile("[1-9]"), timeout=60_000
        )
        expect(page.get_by_test_id("computed")).to_contain_text("Runs of the last", timeout=60_000)
        page.close()
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=DEADLINE_S)
