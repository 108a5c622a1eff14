"""The pages in a real browser, over a real server and a real archive."""

from __future__ import annotations

import re
import time
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

from tests.dashboard.conftest import OpenPage, Served

WIDTHS = {"phone": (390, 844), "tablet": (820, 1180), "desk": (1280, 900)}
PAGES = ("All zones", "Head", "Findings", "Catch tests", "Installation", "Service log", "bench1", "Run of")
LIVE_MS = 5000


def drawn(page: Page) -> None:
    """Wait until every chart of the page is drawn."""
    page.wait_for_selector(".chart")
    for chart in page.locator(".chart").all():
        expect(chart).to_have_attribute("data-drawn", re.compile("[1-9]"), timeout=15_000)


def computed(page: Page) -> None:
    """Wait until results are there."""
    expect(page.get_by_test_id("computed")).to_contain_text("Runs of the last", timeout=30_000)


def axis(page: Page) -> list[str]:
    """Return the labels of the time axis."""
    return [" ".join(text.split()) for text in page.locator(".xtick text").all_text_contents()]


def points(page: Page, sensor: str) -> list[float]:
    """Return the values that the chart really draws for a sensor's mean line."""
    found: Any = page.evaluate(
        """sensor => {
            const box = document.querySelector('.plot');
            const at = box.data.findIndex(t => t.meta === sensor + ' mean');
            return Array.from(box.data[at].y);
        }""",
        sensor,
    )
    return [float(y) for y in found if y is not None]


def check(page: Page, axe: Axe, width: int) -> None:
    """Check one page: no violation, no scrolling sideways."""
    found = axe.run(page)

    assert found.violations_count == 0, found.generate_report()
    assert page.evaluate("document.documentElement.scrollWidth") <= width


@pytest.mark.slow
@pytest.mark.parametrize("device", WIDTHS)
def test_pages_pass_axe_and_fit(open_page: OpenPage, device: str, tmp_path: Path) -> None:
    """No page has an axe violation, scrolls sideways, logs an error or asks another host, in either look."""
    width, height = WIDTHS[device]
    opened = open_page("/", width=width, height=height)
    page, axe = opened.page, Axe()
    computed(page)
    for name in PAGES:
        if name == "Run of":
            page.get_by_test_id("runs").get_by_role("link").nth(1).click()
        else:
            page.get_by_test_id("bar").get_by_role("link", name=name, exact=True).click()
        expect(page.get_by_role("heading", level=1)).to_contain_text(name)
        if name in {"Head", "bench1", "Run of"}:
            drawn(page)
        for fold in page.locator("summary").all():
            fold.click()
        for look in ("dark", "light"):
            page.get_by_test_id(f"look-{look}").click()
            page.screenshot(path=tmp_path / f"{device} {look} {name}.png", full_page=True)
            check(page, axe, width)
    assert opened.complaints == []


def test_targets_are_large_enough_for_wet_hands(open_page: OpenPage) -> None:
    """On a phone every button, link and fold is at least 44 px high and wide."""
    page = open_page("/zone/bench1", width=390, height=844).page
    drawn(page)
    computed(page)
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, a:not(.skip), summary')]
            .filter(e => e.checkVisibility())
            .map(e => [e.textContent, e.getBoundingClientRect()])
            .filter(([, box]) => box.width < 44 || box.height < 44)
            .map(([text]) => text)"""
    )

    assert small == []


def test_zone_changes_without_reloading(open_page: OpenPage) -> None:
    """A link shows the other zone in the same document, gives it its title and moves the focus to its heading."""
    opened = open_page("/zone/bench1")
    page = opened.page
    drawn(page)
    page.evaluate("window.same = true")

    page.get_by_role("link", name="bench2").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Zone bench2")

    expect(page).to_have_title(re.compile("^Zone bench2"))
    expect(page.get_by_role("heading", level=1)).to_be_focused()
    expect(page.locator(".chart")).to_have_attribute("data-address", "/api/chart/zone/bench2")
    assert page.url.endswith("/zone/bench2")
    assert page.evaluate("window.same")
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("Zone bench1")
    assert opened.complaints == []


def test_units_change_axis_and_tables_and_are_kept(open_page: OpenPage) -> None:
    """One click turns axis titles, tiles and tables to US units; they stay on the next page and after a reload."""
    page = open_page("/zone/bench1").page
    drawn(page)
    computed(page)
    expect(page.locator(".plot")).to_contain_text("[kPa]")

    page.get_by_test_id("units-us").click()

    expect(page.locator(".plot")).to_contain_text("[psi]")
    expect(page.locator(".plot")).not_to_contain_text("[kPa]")
    expect(page.get_by_test_id("sensors")).to_contain_text("psi")
    expect(page.get_by_test_id("runs")).to_contain_text("gal")
    expect(page.get_by_test_id("units-us")).to_have_attribute("aria-pressed", "true")
    page.reload()
    drawn(page)
    expect(page.locator(".plot")).to_contain_text("[psi]")
    page.get_by_role("link", name="Head").click()
    expect(page.get_by_test_id("sensors")).to_contain_text("psi")


def test_times_are_the_sites_whatever_the_browsers_zone(open_page: OpenPage) -> None:
    """Browsers in New York and in Kiritimati label eight o'clock in Lisbon as such, at the same place."""
    for zone in ("America/New_York", "Pacific/Kiritimati"):
        page = open_page("/zone/bench1", zone=zone).page
        drawn(page)
        page.get_by_role("button", name="Closer").click()
        expect(page.locator("[data-move=live]")).to_have_attribute("aria-pressed", "false")
        expect(page.locator(".xaxislayer-above, .plot").first).to_contain_text("Europe/Lisbon")
        page.evaluate(
            "document.querySelector('.chart').dispatchEvent(new CustomEvent('show', {detail: [1764057600, 1764064800]}))"
        )

        expect(page.locator(".xtick text").first).to_contain_text("08:00")


def test_new_readings_arrive_by_themselves(open_page: OpenPage, served: Served) -> None:
    """A reading that was just stored stands in its tile and in the chart, and the chart is not built anew."""
    page = open_page("/zone/bench1").page
    drawn(page)
    page.evaluate("window.kept = document.querySelector('.plot .main-svg')")
    before = page.locator(".chart").get_attribute("data-drawn")
    expect(page.get_by_test_id("sensors").locator("[data-sensor=head_flow]")).to_contain_text("L/h")

    now = time.time()
    served.add(now - 1, now)

    tile = page.get_by_test_id("sensors").locator("[data-sensor=head_flow] .age")
    expect(tile).to_have_text(re.compile("^[0-3] s ago"), timeout=LIVE_MS)
    expect(page.locator(".chart")).not_to_have_attribute("data-drawn", before or "", timeout=LIVE_MS)
    assert page.evaluate("window.kept === document.querySelector('.plot .main-svg')")


def test_open_folds_stay_open_when_results_come_in(open_page: OpenPage, served: Served) -> None:
    """A method that somebody reads is not folded away by the next computation."""
    page = open_page("/zone/bench1").page
    computed(page)
    fold = page.get_by_test_id("estimates").locator("details").first
    fold.locator("summary").click()
    when = page.locator("#computed .age").get_attribute("data-since")
    page.evaluate("document.querySelector('#body').dataset.said = 'something else'")

    served.watch.analyse()

    expect(page.locator("#computed .age")).not_to_have_attribute("data-since", when or "", timeout=LIVE_MS)
    expect(fold).to_have_attribute("open", "")


def test_silent_sensor_is_unmistakable(open_page: OpenPage) -> None:
    """A silent sensor has its word, its struck-out value, and its stretch on the chart."""
    page = open_page("/zone/bench1").page
    drawn(page)
    tile = page.locator("[data-sensor=source_ec]")

    expect(tile).to_have_attribute("data-state", "silent")
    expect(tile).to_contain_text("Silent")
    expect(tile).to_contain_text("min ago")
    expect(page.locator(".plot")).to_contain_text("no reading: source")


def test_keyboard_reads_and_moves_the_chart(open_page: OpenPage) -> None:
    """The first tab stop skips the header; arrows read values aloud, plus looks closer, End follows again."""
    page = open_page("/zone/bench1").page
    drawn(page)
    page.keyboard.press("Tab")
    expect(page.locator(".skip")).to_be_focused()
    page.get_by_test_id("chart").focus()

    page.keyboard.press("ArrowLeft")
    expect(page.get_by_test_id("readout")).to_contain_text("L/h")
    expect(page.get_by_test_id("readout")).to_have_attribute("aria-live", "polite")
    page.keyboard.press("+")
    expect(page.locator("[data-move=live]")).to_have_attribute("aria-pressed", "false")
    page.keyboard.press("End")
    expect(page.locator("[data-move=live]")).to_have_attribute("aria-pressed", "true")


def test_drag_looks_closer_and_double_click_follows_again(open_page: OpenPage) -> None:
    """A drag across the chart asks for that stretch alone; a double click goes back to live."""
    page = open_page("/zone/bench1").page
    drawn(page)
    box = page.locator(".plot .nsewdrag").nth(1).bounding_box()
    assert box is not None
    chart = page.locator(".chart")
    wide = float(chart.get_attribute("data-to") or 0) - float(chart.get_attribute("data-from") or 0)

    page.mouse.move(box["x"] + box["width"] * 0.4, box["y"] + 30)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, box["y"] + 32, steps=5)
    page.mouse.up()

    page.wait_for_function(
        "wide => { const d = document.querySelector('.chart').dataset; return d.to - d.from < wide * 0.3; }",
        arg=wide,
    )
    page.mouse.dblclick(box["x"] + box["width"] * 0.5, box["y"] + 30)
    expect(page.locator("[data-move=live]")).to_have_attribute("aria-pressed", "true")


def test_many_quick_moves_end_at_the_last(open_page: OpenPage) -> None:
    """Of a dozen moves in a second, the last one is what is shown."""
    page = open_page("/zone/bench1").page
    drawn(page)
    page.evaluate(
        """() => {
            const press = seconds => document.querySelector(`[data-range="${seconds}"]`).click();
            for (let i = 0; i < 11; i += 1) press(i % 2 ? 604800 : 3600);
        }"""
    )

    page.wait_for_function(
        "() => { const d = document.querySelector('.chart').dataset; return Math.abs(d.to - d.from - 3600) < 1; }"
    )
    expect(page.locator("[data-range='3600']")).to_have_attribute("aria-pressed", "true")
    expect(page.locator("[data-range='604800']")).to_have_attribute("aria-pressed", "false")


def test_chart_draws_the_readings(open_page: OpenPage) -> None:
    """What the browser draws has the values that were stored: 800 L/h in a run, nothing between."""
    page = open_page("/zone/bench1").page
    drawn(page)

    flow = points(page, "head_flow")
    assert max(flow) == pytest.approx(800, abs=20)
    assert min(flow) == 0
    assert len(flow) > 300


def test_print_hides_the_controls(open_page: OpenPage, tmp_path: Path) -> None:
    """On paper there are no buttons, and the chart and the tables stay."""
    page = open_page("/zone/bench1").page
    drawn(page)
    computed(page)
    page.emulate_media(media="print")
    page.pdf(path=tmp_path / "zone.pdf", format="A4", landscape=True)

    expect(page.locator(".chart-buttons")).to_be_hidden()
    expect(page.locator("nav")).to_be_hidden()
    expect(page.get_by_test_id("estimates")).to_be_visible()
    assert (tmp_path / "zone.pdf").stat().st_size > 10_000
