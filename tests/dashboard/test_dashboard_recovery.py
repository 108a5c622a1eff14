"""A server that is killed while people look and write: pages go on by themselves, and nothing entered is lost."""

from __future__ import annotations

import re
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, Route, expect
from werkzeug.security import generate_password_hash

from analysis.ledger import read_services
from dashboard.access.users import User, save
from dashboard.layout import OTHERS
from ingest.installation import Installation
from tests.dashboard import field

WORD = "quiet river stone"
BACK_MS = 40_000
START_S = 60.0


class Command:
    """The dashboard's command on one port, started and killed as often as a test wants."""

    def __init__(self, folder: Path) -> None:
        self.archive = folder / "archive"
        with socket.create_server(("127.0.0.1", 0)) as free:
            port = free.getsockname()[1]
        (folder / "installation.toml").write_text(field.installation_text())
        save(
            folder / "users.toml",
            {"B. Ash": User("manage", generate_password_hash(WORD, "pbkdf2:sha256:1000"))},
        )
        files = ["--installation", str(folder / "installation.toml"), "--archive", str(self.archive)]
        files += ["--users", str(folder / "users.toml"), "--days", "1"]
        self.command = [sys.executable, "-m", "tricklebook", "dashboard", *files, "--port", str(port)]
        self.address = f"http://127.0.0.1:{port}"
        self.started: list[subprocess.Popen[str]] = []

    def start(self) -> None:
        """Start it, and return when it listens."""
        process = subprocess.Popen(self.command, stderr=subprocess.PIPE, text=True)
        self.started.append(process)
        assert process.stderr is not None
        assert "the dashboard is at" in process.stderr.readline()

    def kill(self) -> None:
        """Kill it without a word."""
        self.end()

    def end(self) -> None:
        """Kill what still runs."""
        for process in self.started:
            process.kill()
            process.wait()
            if process.stderr is not None:
                process.stderr.close()


@pytest.fixture
def command(tmp_path: Path, installation: Installation) -> Iterator[Command]:
    """Run the command over two hours of readings, for people who must log in."""
    now = time.time()
    made = Command(tmp_path)
    field.write(made.archive, installation, field.frame(now - 7200, now, field.usual_runs(now)), 1)
    made.start()
    yield made
    made.end()


@pytest.fixture
def context(browser: Browser, command: Command) -> Iterator[BrowserContext]:
    """Return a browser in which somebody has logged in."""
    made = browser.new_context(viewport={"width": 1280, "height": 900})
    page = made.new_page()
    page.goto(command.address + "/")
    page.locator("[name=name]").fill("B. Ash")
    page.locator("[name=password]").fill(WORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_selector("#page h1")
    page.close()
    yield made
    made.close()


def opened(context: BrowserContext, address: str) -> Page:
    """Open one page and wait for it."""
    page = context.new_page()
    page.goto(address)
    page.wait_for_selector("#page h1")
    return page


def run_address(context: BrowserContext, command: Command) -> str:
    """Return the address of a run's page."""
    page = opened(context, command.address + "/zone/bench1")
    link = page.get_by_test_id("runs").get_by_role("link").first
    expect(link).to_be_visible(timeout=BACK_MS)
    address = command.address + str(link.get_attribute("href"))
    page.close()
    return address


@pytest.mark.slow
def test_every_page_recovers_from_a_killed_server(
    command: Command, context: BrowserContext, installation: Installation
) -> None:
    """Every kind of page says that contact is lost, comes back without a touch or a new login, and shows what is new."""
    places = ["/", "/zone/bench1", *(f"/{word}" for word in OTHERS)]
    pages = [opened(context, command.address + place) for place in places]
    pages.append(opened(context, run_address(context, command)))
    charts = [page for page in pages if page.locator(".chart").count()]
    for page in charts:
        expect(page.locator(".chart").first).to_have_attribute(
            "data-drawn", re.compile("[1-9]"), timeout=BACK_MS
        )
    headings = [page.locator("h1").text_content() for page in pages]

    command.kill()
    for page in pages:
        expect(page.get_by_test_id("contact")).to_contain_text("No contact", timeout=BACK_MS)
    drawn = [page.locator(".chart").first.get_attribute("data-drawn") or "" for page in charts]
    now = time.time()
    field.write(command.archive, installation, field.frame(now - 60, now, []), 2)
    command.start()

    for page, heading in zip(pages, headings, strict=True):
        expect(page.get_by_test_id("contact")).to_be_hidden(timeout=BACK_MS)
        expect(page.locator("h1")).to_have_text(str(heading))
        expect(page.locator("#computed")).to_contain_text("Runs of the last", timeout=BACK_MS)
    live = [(page, n) for page, n in zip(charts, drawn, strict=True) if "/run/" not in page.url]
    assert len(live) >= 2
    for page, before in live:
        expect(page.locator(".chart").first).not_to_have_attribute("data-drawn", before, timeout=BACK_MS)
    tile = pages[1].get_by_test_id("sensors").locator("[data-sensor=head_flow] .age")
    shown = int(tile.get_attribute("data-since") or 0) / 1000
    assert shown == pytest.approx(now, abs=15)


def fill(page: Page, note: str) -> None:
    """Fill the form of the service log."""
    form = page.get_by_test_id("form-service")
    form.locator("[name=kind]").select_option("lines flushed")
    form.locator("[name=note]").fill(note)


def press(page: Page) -> None:
    """Send the form."""
    page.get_by_test_id("form-service").get_by_role("button").first.click()


def settled(page: Page) -> str:
    """Return the answer to what was sent, once there is one."""
    answer = page.get_by_test_id("form-service").locator(".answer")
    expect(answer).to_have_text(re.compile(r"Kept\.|may not be kept"), timeout=BACK_MS)
    return str(answer.text_content())


@pytest.mark.slow
def test_entries_outlive_a_kill_at_any_moment(command: Command, context: BrowserContext) -> None:
    """An entry sent as the server dies is kept, or stays in the form with a word; in the end each stands there once."""
    page = opened(context, command.address + "/service")
    notes = [f"killed after {delay} ms" for delay in (0, 8, 25, 80)]
    for note in notes:
        fill(page, note)
        page.evaluate("document.querySelector('[data-testid=form-service] .answer').textContent = ''")
        killing = threading.Timer(
            int(note.split()[2]) / 1000, command.started[-1].kill
        )  # a moment, not a wait
        killing.start()
        press(page)
        said = settled(page)
        killing.join()
        command.kill()
        if said != "Kept.":
            expect(page.get_by_test_id("form-service").locator("[name=note]")).to_have_value(note)
        command.start()
        expect(page.get_by_test_id("contact")).to_be_hidden(timeout=BACK_MS)
        if said != "Kept.":
            press(page)
            expect(page.get_by_test_id("form-service").locator(".answer")).to_have_text(
                "Kept.", timeout=BACK_MS
            )

    assert [entry.note for entry in read_services(command.archive)] == notes
    assert {entry.person for entry in read_services(command.archive)} == {"B. Ash"}


@pytest.mark.slow
def test_entry_whose_answer_is_lost_is_kept_once(command: Command, context: BrowserContext) -> None:
    """What was kept though nobody heard of it is not written twice: not after a reload, not after a restart."""
    page = opened(context, command.address + "/service")

    def lose(route: Route) -> None:
        route.fetch()
        route.abort()

    page.route("**/api/entry/service", lose)
    fill(page, "answer lost")
    press(page)
    assert "may not be kept" in settled(page)
    page.unroute("**/api/entry/service")
    command.kill()
    command.start()
    page.reload()
    expect(page.get_by_test_id("form-service").locator("[name=note]")).to_have_value("answer lost")

    press(page)

    assert settled(page) == "Kept."
    assert [entry.note for entry in read_services(command.archive)] == ["answer lost"]
    fill(page, "answer lost")
    press(page)
    expect(page.get_by_test_id("service-log")).to_contain_text("answer lost")
    expect(page.get_by_test_id("form-service").locator("[name=note]")).to_have_value("")
    assert len(read_services(command.archive)) == 2
