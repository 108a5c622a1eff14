"""An invented field, its archive, a dashboard that serves it, and a browser."""

from __future__ import annotations

import threading
import time
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd
import pytest
from playwright.sync_api import Browser, Page

from dashboard.app import Settings, create_app
from dashboard.feed import ArchiveFeed
from dashboard.keeper import Keeper
from dashboard.records import Records
from dashboard.serve import answering, listen
from dashboard.watch import Pace, Watch, utc_now
from ingest.installation import Installation
from tests.dashboard import field as invented

HOURS = 12


@dataclass
class Served:
    """A dashboard that runs, and the archive that it shows."""

    address: str
    archive: Path
    installation: Installation
    watch: Watch
    began: float
    written: int = 1
    runs: list[tuple[float, str]] = field(default_factory=list)

    def add(self, start: float, end: float, sensors: list[str] | None = None) -> None:
        """Write more readings of a period [s since 1970]; source_ec stays silent unless it is named."""
        sensors = sensors or [name for name in self.installation.sensor if name != "source_ec"]
        self.written += 1
        invented.write(
            self.archive, self.installation, invented.frame(start, end, self.runs, sensors), self.written
        )


@pytest.fixture(scope="session")
def installation() -> Installation:
    """Two benches behind one proportional injector, every interval 10 s, in Lisbon's time zone."""
    return Installation.model_validate(tomllib.loads(invented.installation_text()))


def serve(
    archive: Path, installation: Installation, settings: Settings | None = None, *, days: float = 1.0
) -> Iterator[Served]:
    """Serve a dashboard on a free port until the caller is done; its results look back so many days."""
    feed = ArchiveFeed(archive, installation)
    pace = Pace(look_s=0.2, analyse_s=2.0, keep_s=1.0, days=days)
    watch = Watch(feed, pace, keeper=Keeper(archive, feed, utc_now), records=Records(archive))
    app = create_app(watch, settings)
    listener = listen("127.0.0.1", 0)
    server = answering(app.server, listener, settings or Settings())
    port = listener.getsockname()[1]
    thread = threading.Thread(target=server.run, daemon=True)
    watch.start()
    thread.start()
    prefix = settings.prefix if settings else "/"
    yield Served(f"http://127.0.0.1:{port}{prefix.rstrip('/')}", archive, installation, watch, time.time())
    watch.stop()
    server.trigger.pull_trigger(server.close)
    thread.join(5)


@pytest.fixture(scope="session")
def served(installation: Installation, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve twelve hours of readings up to now; source_ec fell silent half an hour ago."""
    archive = tmp_path_factory.mktemp("field") / "archive"
    now = time.time()
    runs = invented.usual_runs(now)
    readings = invented.frame(now - HOURS * 3600, now, runs)
    silent = (readings["sensor"] == "source_ec") & (
        readings["time"] > pd.Timestamp(now - 1800, unit="s", tz="UTC")
    )
    invented.write(archive, installation, readings[~silent], 1)
    for running in serve(archive, installation):
        running.runs = runs
        yield running


@dataclass
class Watched:
    """A page, and what it did that it should not."""

    page: Page
    complaints: list[str]


OpenPage = Callable[..., Watched]


@pytest.fixture
def open_page(browser: Browser, served: Served) -> Iterator[OpenPage]:
    """Open pages that note every console error and every request that leaves this machine."""
    contexts = []

    def open_it(
        path: str,
        *,
        width: int = 1280,
        height: int = 900,
        theme: str = "light",
        zone: str = "UTC",
        base: str = "",
    ) -> Watched:
        base = base or served.address
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if theme == "dark" else "light",
            timezone_id=zone,
        )
        contexts.append(context)
        page = context.new_page()
        watched = Watched(page, [])
        page.on("console", lambda m: watched.complaints.append(m.text) if m.type == "error" else None)
        page.on("pageerror", lambda error: watched.complaints.append(str(error)))
        page.on(
            "request",
            lambda r: (
                None if r.url.startswith((base, "data:", "blob:")) else watched.complaints.append(r.url)
            ),
        )
        page.goto(base + path)
        page.wait_for_selector("h1")
        return watched

    yield open_it
    for context in contexts:
        context.close()
