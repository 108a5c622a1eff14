"""What comes from outside, in a real browser: a proxy under a path, days of 23 and 25 hours, markup in every field."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlsplit

import pandas as pd
import pyarrow.parquet as pq
import pytest
from playwright.sync_api import Browser, Page, expect
from werkzeug.security import generate_password_hash

from dashboard.access.users import User, save
from dashboard.app import Settings
from ingest.installation import Installation
from tests.dashboard import field
from tests.dashboard.conftest import OpenPage, Served, serve
from tests.support.front import Front

WORD = "quiet river stone"
NASTY = "<img src=x onerror=\"document.title='owned'\">{{7*7}}"
FREE = {"note", "person", "what"}
"""Fields that take any words; others take only what has sense, so markup in them is refused, and told as text."""

DRAWN_MS = 20_000


def drawn(page: Page) -> None:
    """Wait until the chart is drawn."""
    expect(page.locator(".chart").first).to_have_attribute(
        "data-drawn", re.compile("[1-9]"), timeout=DRAWN_MS
    )


@pytest.fixture
def front(installation: Installation, tmp_path: Path) -> Iterator[Front]:
    """Serve an hour of readings under a path, behind a proxy, to people who must log in."""
    save(
        tmp_path / "users.toml",
        {"B. Ash": User("manage", generate_password_hash(WORD, "pbkdf2:sha256:1000"))},
    )
    now = time.time()
    field.write(tmp_path / "archive", installation, field.frame(now - 3600, now, []), 1)
    for behind in serve(
        tmp_path / "archive", installation, Settings("/drip/", tmp_path / "users.toml", behind_proxy=True)
    ):
        proxy = Front(urlsplit(behind.address).port or 0)
        yield proxy
        proxy.close()


LINK = """async () => {
  const root = document.documentElement;
  const answer = await fetch(root.dataset.prefix + 'api/entry/link', {
    method: 'POST',
    headers: { 'Content-Type': 'application/json', 'X-Tricklebook-Token': root.dataset.token },
    body: JSON.stringify({ days: '2', note: 'the client' }),
  });
  return (await answer.json()).message;
}"""


def test_pages_work_behind_a_proxy_under_a_path(front: Front, open_page: OpenPage, browser: Browser) -> None:
    """Log in, look, write and share through a proxy: everything stays below the path and names the proxy's address."""
    opened = open_page("/drip/zone/bench1", base=front.address)
    page = opened.page
    page.locator("[name=name]").fill("B. Ash")
    page.locator("[name=password]").fill(WORD)
    page.get_by_role("button", name="Log in").click()
    drawn(page)
    assert urlsplit(page.url).path == "/drip/zone/bench1"
    page.get_by_test_id("bar").get_by_role("link", name="Service log").click()
    form = page.get_by_test_id("form-service")
    form.locator("[name=kind]").select_option("note")
    form.locator("[name=note]").fill("by way of the proxy")
    form.get_by_role("button", name="Keep it").click()
    expect(page.get_by_test_id("service-log")).to_contain_text("by way of the proxy")

    told = str(page.evaluate(LINK))
    address = re.search(r"http\S+/share/\S+", told)
    assert address is not None
    assert address[0].startswith(front.address + "/drip/share/")
    guest = browser.new_page()
    guest.goto(address[0])
    expect(guest.get_by_test_id("bar")).to_be_visible(timeout=DRAWN_MS)
    guest.close()
    assert opened.complaints == []
    assert all(path.startswith("/drip/") for path in front.paths)


def moment(*parts: int) -> float:
    """Return a UTC instant. [s since 1970]"""
    return datetime(*parts, tzinfo=UTC).timestamp()  # type: ignore[misc, arg-type]  # year to second


SHOW = "ends => document.querySelector('.chart').dispatchEvent(new CustomEvent('show', { detail: ends }))"
SHORT_DAY = moment(2026, 3, 29), moment(2026, 3, 29, 23)
LONG_DAY = moment(2026, 10, 24, 23), moment(2026, 10, 26)


@pytest.fixture
def days(installation: Installation, tmp_path: Path) -> Iterator[Served]:
    """Serve the two days of 2026 on which Lisbon's clocks change, midnight to midnight there."""
    for number, (start, end) in enumerate((SHORT_DAY, LONG_DAY), start=1):
        field.write(tmp_path, installation, field.frame(start, end, [], ["supply_pressure"]), number)
    yield from serve(tmp_path, installation)


def test_days_of_23_and_25_hours_are_shown_whole(days: Served, browser: Browser, tmp_path: Path) -> None:
    """Such a day has as many hours and readings as it really has: no hour is invented, doubled or lost."""
    page = browser.new_page(viewport={"width": 2400, "height": 1200}, timezone_id="America/New_York")
    page.goto(days.address + "/head")
    drawn(page)
    for (start, end), hours, ones, words in (
        (SHORT_DAY, 23, 0, "clocks go forward 60 min"),
        (LONG_DAY, 25, 2, "clocks go back 60 min"),
    ):
        page.evaluate(SHOW, [start, end])
        expect(page.locator(".chart")).to_have_attribute("data-from", str(int(start)), timeout=DRAWN_MS)
        expect(page.locator(".plot")).to_contain_text(words)
        with page.expect_download() as waiting:
            page.locator("[data-save=parquet]").click()
        waiting.value.save_as(tmp_path / "seen.parquet")
        seen = pq.read_table(tmp_path / "seen.parquet").to_pandas()
        seen = seen[seen["sensor"] == "supply_pressure"]
        assert seen["readings"].sum() == hours * 360
        assert seen["time"].min() == pd.Timestamp(start, unit="s", tz="UTC")
        assert (seen["time"].diff().dropna() == pd.Timedelta(seconds=seen["bucket_s"].iloc[0])).all()
        page.evaluate(SHOW, [start, start + 5 * 3600])
        expect(page.locator(".chart")).to_have_attribute(
            "data-to", str(int(start) + 5 * 3600), timeout=DRAWN_MS
        )
        labels = page.evaluate(
            "document.querySelector('.plot')._fullLayout.xaxis.ticktext.map(t => t.slice(0, 5))"
        )
        assert labels.count("01:00") == ones
        assert {"00:00", "02:00", "03:00"} <= set(labels)
    page.close()


def test_picture_of_what_is_seen_is_downloaded(open_page: OpenPage) -> None:
    """The chart as it stands comes as a PNG and as an SVG."""
    page = open_page("/zone/bench1").page
    drawn(page)
    for kind, begins in (("png", b"\x89PNG"), ("svg", b"<svg")):
        with page.expect_download() as waiting:
            page.locator(f"[data-save={kind}]").click()
        content = Path(waiting.value.path()).read_bytes()
        assert content.startswith(begins)
        assert len(content) > 10_000


def fill_all(page: Page, *, everywhere: bool) -> int:
    """Write markup into every field of every form, or where any words are taken, and send them; return how many."""
    page.evaluate("document.querySelectorAll('details').forEach(fold => (fold.open = true))")
    forms = page.locator("form.entry")
    for n in range(forms.count()):
        form = forms.nth(n)
        for area in form.locator("textarea, input:not([type=file])").all():
            if area.is_visible():
                area.fill(NASTY if everywhere or area.get_attribute("name") in FREE else "")
        for choice in form.locator("select").all():
            choice.select_option(index=choice.locator("option").count() - 1)
        if form.locator("button[type=submit]").first.is_visible():
            with page.expect_response("**/api/entry/**"):
                form.locator("button[type=submit]").first.click()
    return forms.count()


@pytest.mark.slow
def test_markup_in_every_field_stays_text(
    open_page: OpenPage, served: Served, installation: Installation
) -> None:
    """Every field of every form on every page, found by looking, takes a script and no page ever runs it."""
    places = [
        "/",
        "/findings",
        "/head",
        "/service",
        "/installation",
        *(f"/zone/{zone}" for zone in installation.zone),
    ]
    opened = open_page("/findings")
    page = opened.page
    expect(page.get_by_test_id("computed")).to_contain_text("Runs of the last", timeout=30_000)
    links = page.get_by_test_id("bar").get_by_role("link").all()
    places = sorted({*places, *(str(link.get_attribute("href")) for link in links)})
    forms = 0
    for place in places:
        for everywhere in (True, False):
            page.goto(served.address + place)
            page.wait_for_selector("#page h1")
            forms += fill_all(page, everywhere=everywhere)
    assert forms >= 10
    kept = 0
    for place in places:
        page.goto(served.address + place)
        page.wait_for_selector("#page h1")
        kept += (page.locator("#page").text_content() or "").count("{{7*7}}")
        assert page.locator("#page img[src=x], #page script").count() == 0
        assert "owned" not in page.title()
    assert kept >= 2
    bad = [text for text in opened.complaints if "400" not in text]
    assert bad == []
