"""Charts in a real browser: a run's clear-out, what stands beside, value axes, paper, 200 % zoom, catch tests."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from tests.dashboard.conftest import OpenPage
from tests.dashboard.test_dashboard_browser import computed, drawn

SPOTS = ("/", "/zone/bench1", "/head", "/findings", "/catch", "/installation", "/service")


def laid(page: Page, box: str = ".chart") -> dict[str, Any]:
    """Return what the first chart in a box has drawn: its traces' names, its value ranges, its annotations."""
    found: dict[str, Any] = page.evaluate(
        """box => {
            const plot = document.querySelector(box).querySelector('.plot');
            const layout = plot.layout;
            const axes = Object.keys(layout).filter(k => /^yaxis[2-9]/.test(k));
            return {
                names: plot.data.map(t => t.name),
                metas: plot.data.map(t => t.meta || ''),
                ranges: axes.map(k => layout[k].range),
                texts: layout.annotations.map(a => a.text),
                x: layout.xaxis.range,
            };
        }""",
        box,
    )
    return found


def to_last_full_run(page: Page) -> None:
    """Open the page of the zone's last run that is over."""
    computed(page)
    page.get_by_test_id("runs").get_by_role("link").nth(1).click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Run of")
    drawn(page)


def test_run_shows_what_its_clear_out_was_read_from(open_page: OpenPage) -> None:
    """A run's page draws each reading of the far cell, the water under it, step and threshold with their names."""
    opened = open_page("/zone/bench1")
    page = opened.page
    to_last_full_run(page)

    told = laid(page, "[data-testid=clear-out]")
    assert {"far cell, each reading", "water alone"} <= set(told["names"])
    assert any("clear: 5" in text for text in told["texts"])
    assert "step of the injection" in told["texts"]
    expect(page.get_by_test_id("budget")).to_contain_text("%")
    assert opened.complaints == []


def test_whole_run_is_one_press_away(open_page: OpenPage) -> None:
    """After looking closer, one press, or the End key, shows the whole run again."""
    page = open_page("/zone/bench1").page
    to_last_full_run(page)
    box = page.get_by_test_id("clear-out")
    chart = box.locator(".chart")
    whole = (chart.get_attribute("data-from"), chart.get_attribute("data-to"))

    box.get_by_role("button", name="Closer").click()
    expect(chart).not_to_have_attribute("data-from", str(whole[0]))
    box.get_by_role("button", name="Whole run").click()

    expect(chart).to_have_attribute("data-from", str(whole[0]))
    expect(chart).to_have_attribute("data-to", str(whole[1]))


def test_choice_stands_in_the_address_and_the_read_out_tells_both(open_page: OpenPage) -> None:
    """A press lays bench2 beside bench1; the address carries it, and the cursor reads both at one moment."""
    opened = open_page("/zone/bench1")
    page = opened.page
    drawn(page)
    page.locator("summary", has_text="Compare").click()
    page.get_by_test_id("chart-choices").get_by_role("link", name="bench2").click()
    expect(page).to_have_url(re.compile(r"/zone/bench1\?beside=bench2$"))
    page.wait_for_function(
        "() => (document.querySelector('.plot').data || []).some(t => (t.meta || '').includes('@'))"
    )

    page.get_by_test_id("chart").focus()
    page.keyboard.press("ArrowLeft")

    words = page.get_by_test_id("readout").inner_text()
    assert re.search(r"Pressure, zone [\d.]+ kPa", words)
    assert re.search(r"Pressure, zone, bench2 [\d.]+ kPa", words)
    page.reload()
    drawn(page)
    assert any("@" in meta for meta in laid(page)["metas"])
    assert opened.complaints == []


def test_choosing_keeps_the_stretch_that_is_looked_at(open_page: OpenPage) -> None:
    """Who has gone back half a day and then lays another zone beside it still looks at the same stretch."""
    page = open_page("/zone/bench1").page
    drawn(page)
    page.get_by_role("button", name="Earlier").click()
    page.wait_for_function("() => document.querySelector('.chart').dataset.drawn > 1")
    start = page.locator(".chart").get_attribute("data-from")
    page.locator("summary", has_text="Compare").click()
    page.get_by_test_id("chart-choices").get_by_role("link", name="bench2").click()

    page.wait_for_function(
        "() => (document.querySelector('.plot').data || []).some(t => (t.meta || '').includes('@'))"
    )
    assert page.locator(".chart").get_attribute("data-from") == start


def test_earlier_time_lies_on_the_same_start(open_page: OpenPage) -> None:
    """The read-out of a run three hours before is what that moment's own chart reads."""
    page = open_page("/zone/bench1?earlier=10800").page
    drawn(page)
    told = page.evaluate(
        """async () => {
            const box = document.querySelector('.chart');
            const at = Number(box.dataset.from) + 5000;
            const ask = async (from, more) => (await (await fetch(
                box.dataset.address + `?from=${from}&to=${from + 7200}&width=800&units=metric&theme=light` + more
            )).json()).columns;
            const both = await ask(at, '&earlier=10800');
            const then = await ask(at - 10800, '');
            return [both['bench1_pressure@'].mean.bdata, then['bench1_pressure'].mean.bdata];
        }"""
    )

    assert told[0] == told[1]
    assert "source, 3 h before" in laid(page)["names"]


def test_value_axes_stay_until_they_are_asked_to_fit(open_page: OpenPage) -> None:
    """Flow's axis is the same for an hour and a day; a press fits the axes to the readings, another fixes them."""
    page = open_page("/zone/bench1").page
    drawn(page)
    first = laid(page)["ranges"][0]
    page.locator("[data-range='86400']").click()
    page.wait_for_function(
        "() => { const d = document.querySelector('.chart').dataset; return d.to - d.from > 80000; }"
    )
    assert laid(page)["ranges"][0] == first == [0, 1000]

    page.locator("summary", has_text="Compare").click()
    page.get_by_role("link", name="Fit the readings").click()
    page.wait_for_function("() => document.querySelector('.chart').dataset.options === 'axis=fit'")
    expect(page).to_have_url(re.compile("axis=fit"))
    page.get_by_role("link", name="Fixed").click()
    expect(page).to_have_url(re.compile("/zone/bench1$"))


def test_finding_leads_to_its_place_on_the_curve(open_page: OpenPage) -> None:
    """From the list of findings one press shows the stretch of the chart in which a sensor fell silent."""
    page = open_page("/findings").page
    computed(page)
    case = page.locator("[data-kind='sensor silent']").first
    case.get_by_role("link", name=re.compile("See the")).click()
    drawn(page)

    start, end = laid(page)["x"]
    assert end - start < 12 * 3600
    expect(page).to_have_url(re.compile(r"(from=\d+&to=\d+|/run/)"))


def test_catch_test_comes_from_a_file_and_is_compared(open_page: OpenPage, tmp_path: Path) -> None:
    """Two tests, one from a file with pressures, one typed: results with classes, and what changed between them."""
    opened = open_page("/catch")
    page = opened.page
    form = page.get_by_test_id("form-catch")
    rows = "".join(f"{2.0 + 0.02 * (k % 5):.2f},{100 + k % 7}\n" for k in range(20))
    (tmp_path / "test.csv").write_text("flow [L/h],pressure [kPa]\n" + rows)
    form.locator("[name=zone]").select_option("bench1")
    form.locator("[name=when]").fill("2025-04-14 10:00")
    form.locator("[name=person]").fill("A. Weller")
    form.locator("input[type=file]").set_input_files(tmp_path / "test.csv")
    expect(form.locator("[name=caught]")).to_have_value(re.compile("flow"))
    form.get_by_role("button", name="Keep it").click()
    expect(form.locator(".answer")).to_have_text("Kept.")
    form.locator("[name=when]").fill("2026-04-14 10:00")
    form.locator("[name=caught]").fill("90 " * 15 + "40 " * 5)
    form.locator("[name=minutes]").fill("3")
    form.get_by_role("button", name="Keep it").click()

    table = page.get_by_test_id("catch-bench1-tests")
    expect(table.locator("tbody tr")).to_have_count(2)
    newest = table.locator("tbody tr").first
    expect(newest).to_contain_text("more than chance")
    expect(newest).to_contain_text("%, ")
    expect(table.locator("tbody tr").nth(1)).to_contain_text("excellent")
    expect(table.locator("tbody tr").nth(1)).to_contain_text("is pressure's")
    assert opened.complaints == []


def test_catch_test_that_will_not_do_is_refused_in_words(open_page: OpenPage) -> None:
    """A test without a unit's meaning is refused with the line that is wrong, and what was typed stays."""
    page = open_page("/catch").page
    page.locator("summary", has_text="Enter a catch test").click()
    form = page.get_by_test_id("form-catch")
    if not form.is_visible():
        page.locator("summary", has_text="Enter a catch test").click()
    form.locator("[name=person]").fill("A. Weller")
    form.locator("[name=caught]").fill("flow [L/h]\n2\n2\ntwo\n2\n")
    form.get_by_role("button", name="Keep it").click()

    expect(form.locator(".answer")).to_contain_text("line 4")
    expect(form.locator("[name=caught]")).to_have_value("flow [L/h]\n2\n2\ntwo\n2\n")


@pytest.mark.slow
def test_pages_fit_at_200_per_cent(open_page: OpenPage) -> None:
    """At 200 % zoom of a desk's window no page scrolls sideways."""
    page = open_page("/", width=640, height=450).page
    for spot in SPOTS:
        page.goto(page.url.split("/", 3)[0] + "//" + page.url.split("/", 3)[2] + spot)
        page.wait_for_selector("h1")
        if spot in {"/zone/bench1", "/head"}:
            drawn(page)

        assert page.evaluate("document.documentElement.scrollWidth") <= 640, spot


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_paper_has_a_light_chart_of_its_width_and_no_buttons(
    open_page: OpenPage, tmp_path: Path, theme: str
) -> None:
    """A run is printed on sheets with its chart inside the margins, light in either look, without any button."""
    page = open_page("/zone/bench1", theme=theme).page
    to_last_full_run(page)
    page.emulate_media(media="print")
    page.pdf(path=tmp_path / "run.pdf", format="A4")

    visible = page.evaluate(
        "() => [...document.querySelectorAll('.button, button, summary, form')].filter(e => e.checkVisibility()).length"
    )
    wide = page.evaluate("() => document.querySelector('.plot-box').getBoundingClientRect().width")
    inverted = page.evaluate("() => getComputedStyle(document.querySelector('.plot')).filter")
    assert visible == 0
    assert wide > 0
    assert ("invert" in inverted) == (theme == "dark")
    assert (tmp_path / "run.pdf").stat().st_size > 10_000
