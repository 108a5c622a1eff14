"""A fleet on one page: worst first, found by level and name, and each site's own pages behind it."""

from __future__ import annotations

import re
import shutil
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from http.cookiejar import CookieJar
from typing import TYPE_CHECKING

import pandas as pd
import pytest
from axe_playwright_python.sync_playwright import Axe
from werkzeug.test import Client

from dashboard.access.sessions import Access
from dashboard.access.users import made, save
from dashboard.app import Settings
from dashboard.fleet.host import Dispatch, Sites, fleet_page
from dashboard.fleet.patrol import go_round, noted_in, read_notes
from dashboard.fleet.standing import Standing, chosen, from_row, ordered, to_row
from dashboard.watch import Pace
from tests.dashboard import field as invented
from tests.support.ingester import DEADLINE_S, ROOT

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser

    from ingest.installation import Installation

NOW = pd.Timestamp("2026-05-01 12:00", tz="UTC")
WIDTHS = {"phone": (390, 844), "tablet": (820, 1180), "desk": (1280, 900)}


def seen(name: str, newest: pd.Timestamp | None = NOW, **counts: int) -> Standing:
    """Return a site that was looked at, with so many open findings of each severity."""
    newest_text = "" if newest is None else newest.isoformat()
    return Standing(name, name.title(), NOW.isoformat(), newest_text, 3, 0, counts, worst="leak, bench1")


def test_worst_site_comes_first() -> None:
    """A site that cannot be looked at, then stop, act, never looked at, watch, and what is silent before the rest."""
    sites = [
        seen("good"),
        seen("quiet", NOW - pd.Timedelta(hours=2)),
        seen("watch", watch=3),
        Standing("new", "New"),
        seen("two", act=2),
        seen("one", act=1),
        seen("stop", stop=1, watch=1),
        Standing("broken", "Broken", NOW.isoformat(), problem="line 3"),
    ]
    found = [one.name for one in ordered(sites, NOW)]
    assert found == ["broken", "stop", "two", "one", "new", "watch", "quiet", "good"]


def test_sites_are_found_by_level_and_name() -> None:
    """A level, silence, a part of a name in any letters, and both; a level that is none gives all."""
    sites = [
        seen("north garden", act=1),
        seen("south garden"),
        seen("west", NOW - pd.Timedelta(hours=1), act=1),
    ]
    assert [one.name for one in chosen(sites, NOW, level="act")] == ["north garden", "west"]
    assert [one.name for one in chosen(sites, NOW, level="silent")] == ["west"]
    assert [one.name for one in chosen(sites, NOW, find="GARDEN", level="act")] == ["north garden"]
    assert len(chosen(sites, NOW, level="<script>")) == 3


def test_note_of_a_site_is_read_as_it_was_written() -> None:
    """What goes into a note comes back."""
    one = seen("north", act=2)
    assert from_row(to_row(one)) == one


def place(fleet: Path, name: str, text: str) -> Path:
    """Write a site's description; return its folder."""
    (fleet / name).mkdir(parents=True)
    (fleet / name / "installation.toml").write_text(text, encoding="utf-8")
    return fleet / name


@pytest.fixture(scope="module")
def fleet(installation: Installation, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a fleet: a site with readings, one without any, one whose description is wrong."""
    folder = tmp_path_factory.mktemp("fleet")
    text = invented.installation_text()
    north = place(folder, "north", text)
    end = time.time()
    sensors = list(installation.sensor)
    rows = invented.frame(end - 3 * 3600, end, invented.usual_runs(end), sensors)
    invented.write(north / "archive", installation, rows, 1)
    place(folder, "south", text.replace(f'name = "{installation.name}"', 'name = "<b>South</b>"'))
    place(folder, "west", "name = 5\n")
    return folder


def test_round_notes_each_site_and_its_trouble(fleet: Path) -> None:
    """One round tells a site's newest reading and findings, and of a wrong description where it is wrong."""
    for _ in go_round(fleet, Pace(days=1.0), lambda: False):
        pass
    found = {one.name: one for one in read_notes(fleet)}

    assert found["north"].newest
    assert found["north"].sensors > 5
    assert found["north"].level in {"stop", "act", "watch", "good"}
    assert found["south"].newest == ""
    assert found["west"].level == "failed"
    assert "installation.toml" in found["west"].problem


def test_season_reaches_further_with_each_round(fleet: Path) -> None:
    """The first round looks at the last days, each further one at some more, up to the season; trouble loses nothing."""
    shutil.rmtree(noted_in(fleet), ignore_errors=True)
    reached = []
    for _ in range(3):
        for _ in go_round(fleet, Pace(days=3.0, season=6.0), lambda: False):
            pass
        reached.append({one.name: one.reach for one in read_notes(fleet)})

    assert [notes["north"] for notes in reached] == [3.0, 5.0, 6.0]
    assert {notes["west"] for notes in reached} == {0.0}


def test_new_site_has_not_been_looked_at(tmp_path: Path) -> None:
    """A site without a note, or with a torn one, counts as not looked at."""
    place(tmp_path, "east", "")
    notes = tmp_path / "state" / "site=_fleet" / "standing"
    notes.mkdir(parents=True)
    (notes / "east.json").write_text('{"name": ', encoding="utf-8")
    assert [one.level for one in read_notes(tmp_path)] == ["unseen"]


@pytest.fixture
def address(fleet: Path) -> Iterator[str]:
    """Serve the fleet as people do; return its address."""
    yield from serve(fleet)


def serve(fleet: Path, *options: str) -> Iterator[str]:
    """Run the command until the caller is done; yield its address."""
    command = [
        sys.executable,
        "-m",
        "tricklebook",
        "dashboard",
        "--fleet",
        str(fleet),
        "--port",
        "0",
        *options,
    ]
    process = subprocess.Popen(command, cwd=ROOT, stderr=subprocess.PIPE, text=True)
    assert process.stderr is not None
    try:
        for line in process.stderr:
            if found := re.search(r"http://\S+", line):
                yield found[0].rstrip("/")
                break
        else:
            pytest.fail("the dashboard did not begin")
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=DEADLINE_S)


@pytest.mark.slow
def test_fleet_page_leads_to_a_sites_pages(address: str, browser: Browser) -> None:
    """The page names every site, breaks no rule at any width, and a site's link opens its zones."""
    axe = Axe()
    for width, height in WIDTHS.values():
        page = browser.new_page(viewport={"width": width, "height": height})
        page.goto(address + "/")
        rows = page.locator("[data-site]")
        assert rows.count() == 3
        assert rows.nth(0).get_attribute("data-site") == "west"
        found = axe.run(page)
        assert found.violations_count == 0, found.generate_report()
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        page.close()
    page = browser.new_page()
    page.goto(address + "/?level=failed")
    assert page.locator("[data-site]").count() == 1
    page.goto(address + "/?find=<script>alert(1)</script>")
    assert page.locator("[data-site]").count() == 0
    page.goto(address + "/")
    page.locator("[data-site=north] a").click()
    page.wait_for_selector("[data-testid=zones]", timeout=60_000)
    page.get_by_role("link", name="bench1").first.click()
    page.wait_for_url("**/site/north/zone/bench1")
    page.close()


def test_stranger_lets_no_site_be_opened(fleet: Path, tmp_path: Path) -> None:
    """Without a session a site's address leads to the login page, and nothing is started for it."""
    users = tmp_path / "users.toml"
    save(users, {"ana": made("ana", "a long enough word", "look")})
    settings = Settings(users=users)
    sites = Sites(fleet, settings, Pace())
    client = Client(Dispatch(fleet_page(fleet, settings), sites, settings))

    for path in ("/site/north/", "/site/north/zone/bench1", "/site/west/", "/site/north/share/forged"):
        assert client.get(path).headers["Location"].startswith("/login?")
    assert sites.names == ()


@pytest.mark.slow
def test_guest_of_one_site_sees_no_other(fleet: Path, tmp_path: Path) -> None:
    """Nobody passes without a session; a link made for one site opens neither another nor the fleet's page."""
    users = tmp_path / "users.toml"
    save(users, {"ana": made("ana", "a long enough word", "manage")})
    secret = Access(users, time.time, "site/north").make_link("ana", time.time() + 3600, "client")
    for address in serve(fleet, "--users", str(users)):
        guest = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
        stranger = urllib.request.build_opener()

        assert "password" in stranger.open(address + "/").read().decode()
        assert "password" in stranger.open(address + "/site/north/").read().decode()
        assert "password" in stranger.open(f"{address}/site/south/share/{secret}").read().decode()
        with pytest.raises(urllib.error.HTTPError, match="403"):
            stranger.open(f"{address}/share/{secret}")
        guest.open(f"{address}/site/north/share/{secret}").close()
        assert "password" not in guest.open(address + "/site/north/").read().decode()
        assert "password" in guest.open(address + "/site/south/").read().decode()
        assert "password" in guest.open(address + "/").read().decode()
