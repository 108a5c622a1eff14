"""Three tasks as three people do them in a browser: an operator, a plot manager, a contractor; clicks are counted.

A click is a press of a button, a link, a fold or a field; typing into a field that has been clicked costs none.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from time import time

import pandas as pd
import pytest
from playwright.sync_api import Browser, Locator, Page, expect
from werkzeug.security import generate_password_hash

from analysis import ledger
from analysis.service import Service
from dashboard.access.users import User, save
from dashboard.app import Settings
from ingest.installation import Installation
from tests.dashboard import field, season
from tests.dashboard.conftest import Served, serve

WORD = "quiet river stone"
PEOPLE = {"A. Weller": "note", "B. Ash": "manage", "C. Reed": "manage"}
"""Who may do what; the first is the operator, the others plot manager and contractor."""

ANSWERED_MS = 20_000
"""A page on a machine that analyses a season meanwhile."""

ANALYSED_MS = 240_000
"""The first analysis of the season on a busy machine."""


@dataclass
class Hand:
    """A hand that counts what it presses."""

    page: Page
    clicks: int = 0

    def press(self, place: Locator) -> None:
        """Press one thing."""
        place.click()
        self.clicks += 1

    def write(self, place: Locator, words: str) -> None:
        """Press a field and type."""
        self.press(place)
        place.press_sequentially(words)


@pytest.fixture(scope="module")
def garden(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Serve a season whose bench1 was treated with acid twelve days ago, and whose bench2 gets too little today."""
    folder = tmp_path_factory.mktemp("season")
    installation = Installation.model_validate(tomllib.loads(season.installation_text()))
    now = time()
    for number, day in enumerate(season.readings(now), start=1):
        field.write(folder / "archive", installation, day, number)
    treated = pd.Timestamp(now - season.SERVED_DAYS_AGO * 86400 + 1, unit="s", tz="UTC")
    ledger.add_service(
        folder / "archive", Service(treated, "C. Reed", "acid flush", "bench1", None, "one hour at pH 3")
    )
    users = folder / "users.toml"
    hashed = generate_password_hash(WORD, "pbkdf2:sha256:1000")
    save(users, {name: User(role, hashed) for name, role in PEOPLE.items()})  # type: ignore[arg-type]  # one of the three
    yield from serve(folder / "archive", installation, Settings("/", users), days=season.DAYS)


def arrive(browser: Browser, garden: Served, name: str, width: int, height: int) -> Hand:
    """Return a hand of somebody who has logged in and looks at the first page, its results there."""
    page = browser.new_context(viewport={"width": width, "height": height}, accept_downloads=True).new_page()
    page.goto(garden.address)
    page.locator("[name=name]").fill(name)
    page.locator("[name=password]").fill(WORD)
    page.get_by_role("button", name="Log in").click()
    expect(page.get_by_test_id("computed")).to_contain_text("Runs of the last", timeout=ANALYSED_MS)
    return Hand(page)


@pytest.mark.slow
def test_operator_answers_a_wrong_ec_on_a_phone(browser: Browser, garden: Served) -> None:
    """Bench 2's EC looks wrong: see what happened in its run and acknowledge it with a note, in at most 4 clicks."""
    hand = arrive(browser, garden, "A. Weller", 390, 844)
    page = hand.page
    case = page.get_by_test_id("attention").locator("[data-kind='EC out of band']").first
    expect(case).to_contain_text("1.62 mS/cm", timeout=ANSWERED_MS)

    hand.press(case.get_by_role("link", name="See the run"))
    expect(page.get_by_role("heading", level=1)).to_have_text("Run of bench2", timeout=ANSWERED_MS)
    expect(page.get_by_test_id("clear-out").locator(".chart")).to_have_attribute(
        "data-drawn", "1", timeout=20_000
    )
    case = page.get_by_test_id("findings").locator("[data-kind='EC out of band']").first
    hand.press(case.locator("summary", has_text="Answer"))
    hand.write(case.locator("[name=note]"), "stock tank topped up with water by mistake")
    hand.press(case.get_by_role("button", name="I have seen it"))

    expect(case).to_contain_text("A. Weller has seen it", timeout=ANSWERED_MS)
    expect(case).to_contain_text("topped up with water")
    assert hand.clicks <= 4
    page.context.close()


@pytest.mark.slow
def test_manager_takes_a_dose_with_its_interval_away(browser: Browser, garden: Served) -> None:
    """What dose bench1 got in its last run, how sure, and the numbers as a file: at most 2 clicks at a desk."""
    hand = arrive(browser, garden, "B. Ash", 1280, 900)
    page = hand.page
    card = page.locator("[data-zone=bench1]").first
    expect(card).to_contain_text("N given", timeout=ANSWERED_MS)

    hand.press(card.get_by_role("link", name="Open bench1"))
    row = page.locator("[data-row='nutrient dose N']").first
    expect(row).to_contain_text(" g", timeout=ANSWERED_MS)
    expect(row).to_contain_text(" to ")
    with page.expect_download() as waiting:
        hand.press(page.get_by_role("link", name="Save these numbers"))
    table = pd.read_csv(Path(waiting.value.path()))

    dose = table[(table["quantity"] == "nutrient dose") & (table["nutrient"] == "N")].iloc[0]
    assert 24.0 < dose["low"] < dose["value"] < dose["high"] < 30.0
    assert (dose["unit"], dose["level"], dose["zone"]) == ("g", 0.95, "bench1")
    assert hand.clicks <= 2
    page.context.close()


@pytest.mark.slow
def test_contractor_shows_an_effect_and_gives_a_link(browser: Browser, garden: Served) -> None:
    """What the acid gained bench1, with its interval, and a link that lets the client see it: at most 4 clicks."""
    hand = arrive(browser, garden, "C. Reed", 820, 1180)
    page = hand.page

    hand.press(page.get_by_test_id("bar").get_by_role("link", name="Service log"))
    effect = page.get_by_test_id("service-gained").locator("tr", has_text="bench1")
    expect(effect).to_contain_text("acid flush", timeout=ANSWERED_MS)
    gained = float(effect.locator(".number").inner_text().removesuffix("%"))
    assert gained == pytest.approx(100 * season.LOST / (1 - season.LOST), abs=1.0)
    hand.press(page.locator("summary", has_text="Let a guest look"))
    form = page.get_by_test_id("form-link")
    hand.write(form.locator("[name=note]"), "the client")
    hand.press(form.get_by_role("button", name="Make a link"))
    expect(form.locator(".answer")).to_contain_text("/share/", timeout=ANSWERED_MS)
    expect(page.get_by_test_id("links")).to_contain_text("the client", timeout=ANSWERED_MS)
    link = form.locator(".answer").inner_text().split()[-1]

    assert hand.clicks <= 4
    guest = browser.new_context(viewport={"width": 390, "height": 844}).new_page()
    guest.goto(link)
    guest.get_by_test_id("bar").get_by_role("link", name="Service log").click()
    expect(guest.get_by_test_id("service-gained")).to_contain_text("acid flush", timeout=ANSWERED_MS)
    assert guest.locator("form").count() == 0
    for opened in (page, guest):
        opened.context.close()
