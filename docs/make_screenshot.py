# ruff: noqa: INP001 - a script, not a package
"""Make the README's four pictures from a running demo: a zone, a run, the head, and all zones on a phone.

Run it as ``python docs/make_screenshot.py http://127.0.0.1:8050 docs`` once the demo has its history.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from playwright.sync_api import sync_playwright

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = "/usr/bin/chromium"
WAIT_MS = 120_000
LARGEST_BYTES = 200_000
"""A page of the README shall come quickly over a phone."""


@dataclass(frozen=True)
class Picture:
    """One picture: its name, the page, the part that is shown (the window where none is), the window, the look."""

    name: str
    path: str
    part: str = ""
    size: tuple[int, int] = (1280, 960)
    theme: str = "light"
    run: bool = False


def pictures(zone: str) -> tuple[Picture, ...]:
    """Return the four."""
    return (
        Picture("screenshot_zone.png", f"zone/{zone}?earlier=86400", "[data-testid=trends]"),
        Picture("screenshot_run.png", f"zone/{zone}", "[data-testid=clear-out]", run=True),
        Picture("screenshot_head.png", "head", "[data-testid=injectors]", theme="dark"),
        Picture("screenshot_phone.png", "", size=(390, 844)),
    )


def settle(page: Page) -> None:
    """Wait until every chart is drawn and the results are there."""
    page.wait_for_selector("h1", timeout=WAIT_MS)
    page.wait_for_function(
        "() => [...document.querySelectorAll('.chart')].every(box => box.dataset.drawn)", timeout=WAIT_MS
    )
    page.wait_for_selector("[data-testid=computed] .age", timeout=WAIT_MS)
    page.wait_for_function("() => document.querySelector('[data-testid=computed] .age').textContent !== ''")


def take(browser: Browser, address: str, picture: Picture, folder: Path) -> Path:
    """Write one picture, and return where.

    Raises
    ------
    SystemExit
        If it is larger than the README can bear.
    """
    width, height = picture.size
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if picture.theme == "dark" else "light",
    )
    page = context.new_page()
    page.goto(f"{address.rstrip('/')}/{picture.path}")
    settle(page)
    if picture.run:
        last = page.locator("tr", has_text=":").locator("a[href*='/run/']")
        page.goto(last.nth(1).evaluate("a => a.href"))
        settle(page)
    where = folder / picture.name
    if picture.part:
        page.locator(picture.part).first.screenshot(path=where)
    else:
        page.locator("h1").evaluate("e => e.scrollIntoView()")
        page.screenshot(path=where)
    context.close()
    if where.stat().st_size > LARGEST_BYTES:
        msg = f"{where} has {where.stat().st_size} bytes; at most {LARGEST_BYTES} are allowed"
        raise SystemExit(msg)
    return where


def main() -> None:
    """Read the command line and make the pictures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("address", help="of the running dashboard")
    parser.add_argument("folder", type=Path, help="where the pictures go")
    parser.add_argument("--zone", default="bench1", help="which zone is shown")
    given = parser.parse_args()
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM)
        for picture in pictures(given.zone):
            print(take(browser, given.address, picture, given.folder))  # noqa: T201 - a script's answer
        browser.close()


if __name__ == "__main__":
    main()
