# ruff: noqa: INP001 - a script, not a package
"""Make the README's picture: open a zone's page of a running dashboard and keep what it shows.

Run it as ``python docs/make_screenshot.py http://127.0.0.1:8050/zone/bench1 docs/screenshot.png``.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

CHROMIUM = "/usr/bin/chromium"
WAIT_MS = 120_000


def settle(page: Page) -> None:
    """Wait until the chart is drawn and the results are there."""
    page.wait_for_selector("h1", timeout=WAIT_MS)
    if page.locator(".chart").count():
        page.wait_for_selector(".chart[data-drawn]", timeout=WAIT_MS)
    page.wait_for_selector("[data-testid=computed] .age", timeout=WAIT_MS)
    page.wait_for_function("() => document.querySelector('[data-testid=computed] .age').textContent !== ''")


def make(
    address: str,
    picture: Path,
    *,
    width: int = 1280,
    height: int = 1500,
    theme: str = "light",
    hours: int = 0,
) -> None:
    """Write a picture of one page.

    Parameters
    ----------
    address : str
        Of the page.
    picture : Path
        Where the PNG goes.
    width, height : int
        Of the window. [px]
    theme : {"light", "dark"}
        Look of the page.
    hours : int
        Range of the chart, where the page has a button for it; 0 leaves it. [h]
    """
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM)
        context = browser.new_context(
            viewport={"width": width, "height": height},
            color_scheme="dark" if theme == "dark" else "light",
        )
        page = context.new_page()
        page.goto(address)
        settle(page)
        if hours:
            page.click(f"[data-range='{hours * 3600}']")
            page.wait_for_function(
                "wide => { const d = document.querySelector('.chart').dataset; return Math.abs(d.to - d.from - wide) < 1; }",
                arg=hours * 3600,
            )
        page.screenshot(path=picture)
        browser.close()


def main() -> None:
    """Read the command line and make the picture."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("address", help="address of the page")
    parser.add_argument("picture", type=Path, help="where the PNG goes")
    parser.add_argument("--width", type=int, default=1280)
    parser.add_argument("--height", type=int, default=1500)
    parser.add_argument("--theme", choices=("light", "dark"), default="light")
    parser.add_argument("--hours", type=int, choices=(0, 1, 6, 24), default=0)
    given = parser.parse_args()
    make(
        given.address,
        given.picture,
        width=given.width,
        height=given.height,
        theme=given.theme,
        hours=given.hours,
    )


if __name__ == "__main__":
    main()
