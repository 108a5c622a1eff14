"""A running dashboard under measurement: its processes, viewers by plain HTTP, viewers in real browsers."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil

from benchmarks.dashboard_archive import installation_text

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

ZOOM = """async ([from, to]) => {
  const box = document.querySelector('.chart');
  const before = box.dataset.drawn;
  const began = performance.now();
  box.dispatchEvent(new CustomEvent('show', { detail: [from, to] }));
  while (box.dataset.drawn === before) await new Promise(requestAnimationFrame);
  await new Promise(requestAnimationFrame);
  return (performance.now() - began) / 1000;
}"""
"""Asks a page for a stretch and tells how long it took to the frame after the new picture. [s]"""

HIGHEST = """([sensor]) => {
  const trace = document.querySelector('.plot').data.find(t => t.meta === sensor + ' band');
  return Math.max(...trace.y.filter(y => y !== null));
}"""
"""Tells the greatest value that a page draws for a sensor."""


def line(what: str, times: list[float], scale: float = 1e3) -> float:
    """Print the middle, the 95th of 100 and the greatest of some times [s] and the load; return the second. [ms]"""
    p50, p95, most = np.percentile(np.array(times) * scale, [50, 95, 100])
    load = os.getloadavg()[0]
    print(
        f"{what:46s} p50 {p50:7.1f}  p95 {p95:7.1f}  max {most:7.1f} ms  n {len(times):3d}  load {load:4.1f}",
        flush=True,
    )
    return float(p95)


class Served:
    """A dashboard that runs.

    Parameters
    ----------
    process : psutil.Process
        Of the server.
    address : str
        Where it answers.
    """

    def __init__(self, process: psutil.Process, address: str) -> None:
        self.process = process
        self.address = address

    def cpu(self) -> float:
        """Return the processor time of the server, its analysis left out. [s]"""
        spent = self.process.cpu_times()
        return float(spent.user + spent.system)

    def memory(self) -> str:
        """Say what the server and its analysis need."""
        rows = Path(f"/proc/{self.process.pid}/status").read_text().splitlines()
        most = next(int(row.split()[1]) for row in rows if row.startswith("VmHWM")) / 1e3
        own = self.process.memory_full_info()
        also = [child.memory_full_info() for child in self.process.children()]
        return (
            f"server's memory {own.rss / 1e6:.0f} MB (most so far {most:.0f} MB); the analysis, in a process of its "
            f"own, {sum(c.rss for c in also) / 1e6:.0f} MB; both without what they share twice "
            f"{(own.pss + sum(c.pss for c in also)) / 1e6:.0f} MB"
        )


@contextmanager
def serving(folder: Path, archive: Path, described: str | None = None) -> Iterator[Served]:
    """Serve an archive as people do, and wait for its first results."""
    description = folder / "installation.toml"
    description.write_text(described or installation_text())
    files = ["--installation", str(description), "--archive", str(archive), "--port", "0"]
    command = [sys.executable, "-m", "tricklebook", "dashboard", *files]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert server.stderr is not None  # noqa: S101 - it was asked for
        address = next(word for word in server.stderr.readline().split() if word.startswith("http"))
        served = Served(psutil.Process(server.pid), address.rstrip("/"))
        first = pulse(served)
        deadline = time.monotonic() + 120
        while pulse(served) == first and time.monotonic() < deadline:
            time.sleep(0.5)
        yield served
    finally:
        server.kill()


def pulse(served: Served) -> str:
    """Return the mark of the newest results."""
    with urllib.request.urlopen(f"{served.address}/api/pulse") as answer:  # noqa: S310 - our own server
        text: str = answer.read().decode().split('"results":"')[1].split('"')[0]
    return text


def viewers(served: Served, start: float, end: float, *, count: int, think_s: float, each: int = 15) -> float:
    """Measure answers to viewers who ask by plain HTTP, each thinking between two questions; return p95. [ms]"""
    times: list[float] = []

    def look(seed: int) -> None:
        rng = np.random.default_rng(seed)
        time.sleep(rng.uniform(0, think_s))
        for _ in range(each):
            span = float(np.exp(rng.uniform(np.log(1800), np.log(end - start))))
            first = float(rng.uniform(start, end - span))
            query = f"?from={first}&to={first + span}&width=1200"
            began = time.perf_counter()
            with urllib.request.urlopen(f"{served.address}/api/chart/zone/bench{query}") as answer:  # noqa: S310 - our own server
                answer.read()
            times.append(time.perf_counter() - began)
            time.sleep(think_s)

    spent, began = served.cpu(), time.perf_counter()
    threads = [threading.Thread(target=look, args=(n,)) for n in range(count)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    wall, spent = time.perf_counter() - began, served.cpu() - spent
    p95 = line(f"{count} viewers by HTTP, {think_s:g} s to think", times)
    print(
        f"{'':46s} {len(times) / wall:.0f} answers a second; the server's processor {spent / len(times) * 1e3:.1f} ms each"
    )
    return p95


def renderers() -> float:
    """Return the processor time of all pages of the browser. [s]"""
    total = 0.0
    for child in psutil.Process().children(recursive=True):
        try:
            if "--type=renderer" in child.cmdline():
                total += sum(child.cpu_times()[:2])
        except psutil.Error:
            continue
    return total


def opened(chromium: Browser, served: Served, path: str = "/zone/bench") -> Page:
    """Open a page of a new reader and wait for its chart."""
    page = chromium.new_context(viewport={"width": 1280, "height": 1000}).new_page()
    page.goto(served.address + path)
    page.wait_for_selector(".chart[data-drawn]", timeout=60_000)
    return page


def page_opens(chromium: Browser, served: Served, times: int = 5) -> None:
    """Measure opening a page, cold and again."""
    cold, warm, server, browser = [], [], [], []
    for _ in range(times):
        spent, drawn, began = served.cpu(), renderers(), time.perf_counter()
        page = opened(chromium, served)
        cold.append(time.perf_counter() - began)
        server.append(served.cpu() - spent)
        browser.append(renderers() - drawn)
        came = page.evaluate("performance.getEntriesByType('resource').map(e => e.transferSize)")
        began = time.perf_counter()
        page.reload()
        page.wait_for_selector(".chart[data-drawn]", timeout=60_000)
        warm.append(time.perf_counter() - began)
        page.context.close()
    line("page open, cold, to the drawn chart", cold)
    print(f"{'':46s} {len(came)} requests, {sum(came) / 1e3:.0f} kB")
    line("... processor of the server", server)
    line("... processor of the browser's page", browser)
    line("page open again, to the drawn chart", warm)


def ten_browsers(chromium: Browser, served: Served, spans: list[tuple[float, float]]) -> None:
    """Measure ten pages, all open and live, of which one after the other zooms; then all at once."""
    pages = [opened(chromium, served) for _ in range(10)]
    spent, drawn, began = served.cpu(), renderers(), time.perf_counter()
    line(
        "ten live pages, one zooms at a time",
        [p.evaluate(ZOOM, list(s)) for p, s in zip(pages, spans, strict=True)],
    )
    for page, span in zip(pages, spans, strict=True):
        page.evaluate(f"window.zoomed = ({ZOOM})({list(span)})")
    line("ten live pages, all zoom at once", [page.evaluate("window.zoomed") for page in pages])
    wall = time.perf_counter() - began
    print(
        f"{'':46s} in {wall:.1f} s: the server's processor {served.cpu() - spent:.2f} s, "
        f"the browsers' {renderers() - drawn:.2f} s: this machine's pages wait for their browsers"
    )
    for page in pages:
        page.context.close()
