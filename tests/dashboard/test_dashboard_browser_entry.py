"""Writing in a real browser: drafts survive, entries are kept, markup stays text."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect
from werkzeug.security import generate_password_hash

from analysis.ledger import read_services
from dashboard.access.users import User, save
from dashboard.app import Settings
from ingest.installation import Installation
from tests.dashboard.conftest import OpenPage, Served, Watched, serve

NASTY = "<img src=x onerror=\"document.title='owned'\"><script>document.title='owned'</script>"
WORD = "quiet river stone"


def fill_service(page: Page, note: str, person: str = "A. Weller") -> None:
    """Fill the form of the service log; it is folded away once something stands there."""
    form = page.get_by_test_id("form-service")
    if not form.is_visible():
        page.locator("summary", has_text="Write down what was done").click()
    form.locator("[name=kind]").select_option("lines flushed")
    form.locator("[name=zone]").select_option("bench1")
    form.locator("[name=note]").fill(note)
    form.locator("[name=person]").fill(person)


def test_service_entry_is_kept_and_shown_as_text(open_page: OpenPage, served: Served) -> None:
    """An entry stands in the file and in the log at once; a script in it stays text."""
    opened = open_page("/service")
    page = opened.page
    fill_service(page, NASTY, person="<b>A. Weller</b>")

    page.get_by_test_id("form-service").get_by_role("button", name="Keep it").click()

    expect(page.get_by_test_id("form-service").locator(".answer")).to_have_text("Kept.")
    expect(page.get_by_test_id("service-log")).to_contain_text(NASTY)
    entry = read_services(served.archive)[-1]
    assert (entry.kind, entry.zone, entry.note, entry.person) == (
        "lines flushed",
        "bench1",
        NASTY,
        "<b>A. Weller</b>",
    )
    assert page.locator("#page img, #page b").count() == 0
    expect(page).to_have_title(re.compile("^Service log"))
    assert opened.complaints == []


def test_refusal_is_told_and_nothing_is_lost(open_page: OpenPage) -> None:
    """A form that is not complete is refused in words, and what was typed stays."""
    page = open_page("/service").page
    fill_service(page, "half a sentence", person="")

    page.get_by_test_id("form-service").get_by_role("button", name="Keep it").click()

    expect(page.get_by_test_id("form-service").locator(".answer")).to_contain_text(
        "name of who does this is missing"
    )
    expect(page.get_by_test_id("form-service").locator("[name=note]")).to_have_value("half a sentence")


def test_draft_survives_a_reload(open_page: OpenPage) -> None:
    """What is typed and not yet sent is there again after the page is loaded anew."""
    page = open_page("/service").page
    fill_service(page, "not sent yet")

    page.reload()
    page.wait_for_selector("h1")

    expect(page.get_by_test_id("form-service").locator("[name=note]")).to_have_value("not sent yet")
    expect(page.get_by_test_id("form-service").locator("[name=kind]")).to_have_value("lines flushed")


def test_finding_is_answered(open_page: OpenPage, served: Served) -> None:
    """A finding that somebody has seen moves from open to acknowledged, with name and note."""
    page = open_page("/findings").page
    expect(page.get_by_test_id("computed")).to_contain_text("Runs of the last", timeout=30_000)
    case = page.get_by_test_id("findings-open").locator("article").first
    mark = case.get_attribute("data-case")
    case.locator("summary", has_text="Answer").click()
    case.locator("[name=person]").fill("B. Ash")
    case.locator("[name=note]").fill("cable was loose")

    case.get_by_role("button", name="I have seen it").click()

    seen = page.get_by_test_id("findings-acknowledged").locator(f"[data-case='{mark}']")
    expect(seen).to_contain_text("B. Ash has seen it")
    expect(seen).to_contain_text("cable was loose")
    assert served.watch.records is not None
    assert [r.person for r in served.watch.records.cases.book().remarks[str(mark)]] == ["B. Ash"]


def test_file_of_what_is_seen_is_downloaded(open_page: OpenPage) -> None:
    """The chart's data come as CSV, in the units of the screen, each row with its unit."""
    page = open_page("/zone/bench1").page
    expect(page.locator(".chart")).to_have_attribute("data-drawn", re.compile("[1-9]"), timeout=15_000)

    with page.expect_download() as waiting:
        page.locator("[data-save=csv]").click()
    text = Path(waiting.value.path()).read_text("utf-8")

    assert text.startswith("time,sensor,point,quantity,unit,least,mean,greatest,readings,flagged,bucket_s")
    assert "head_flow,source,flow,L/h" in text
    with page.expect_download() as waiting:
        page.locator("[data-save=svg]").click()
    assert "<svg" in Path(waiting.value.path()).read_text("utf-8")


@pytest.fixture
def behind_login(installation: Installation, tmp_path: Path) -> Iterator[Served]:
    """Serve an empty archive under a path, to people who must log in."""
    users = tmp_path / "users.toml"
    save(users, {"B. Ash": User("manage", generate_password_hash(WORD, "pbkdf2:sha256:1000"))})
    yield from serve(tmp_path / "archive", installation, Settings("/drip/", users))


def log_in(opened: Watched) -> Page:
    """Fill in the login page."""
    page = opened.page
    page.locator("[name=name]").fill("B. Ash")
    page.locator("[name=password]").fill(WORD)
    page.get_by_role("button", name="Log in").click()
    page.wait_for_selector("#page h1")
    return page


def test_login_works_under_a_path_without_a_script(open_page: OpenPage, behind_login: Served) -> None:
    """Behind a proxy under a path: log in, land on the page that was asked for, sign entries, log out."""
    opened = open_page("/zone/bench1", base=behind_login.address)
    assert Axe().run(opened.page).violations_count == 0
    page = log_in(opened)

    expect(page.get_by_role("heading", level=1)).to_have_text("Zone bench1")
    page.get_by_test_id("bar").get_by_role("link", name="Service log").click()
    form = page.get_by_test_id("form-service")
    assert form.locator("[name=person]").count() == 0
    form.locator("[name=kind]").select_option("note")
    form.locator("[name=note]").fill("hello")
    form.get_by_role("button", name="Keep it").click()
    expect(page.get_by_test_id("service-log")).to_contain_text("B. Ash")
    assert opened.complaints == []
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_role("button", name="Log in")).to_be_visible()


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [390, 820, 1280])
def test_login_page_is_for_everybody(
    open_page: OpenPage, behind_login: Served, width: int, theme: str
) -> None:
    """The login page, a refusal on it too, has no axe violation and fits, at every width and in either look."""
    opened = open_page("/zone/bench1", base=behind_login.address, width=width, theme=theme)
    page, axe = opened.page, Axe()
    first = axe.run(page)
    page.locator("[name=name]").fill("B. Ash")
    page.locator("[name=password]").fill("wrong words")
    page.get_by_role("button", name="Log in").click()
    expect(page.locator("body")).to_contain_text("do not belong together")
    second = axe.run(page)

    ground = page.evaluate("() => getComputedStyle(document.body).backgroundColor")
    assert ground == {"light": "rgb(241, 241, 238)", "dark": "rgb(23, 27, 30)"}[theme]
    assert first.violations_count == 0, first.generate_report()
    assert second.violations_count == 0, second.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width
