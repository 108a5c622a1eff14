"""A thousand sites on one page: what a round of looking at them costs, the page itself, and how soon a finding is first.

``python -m benchmarks.fleet_page --sites 1000``. Every site has a day of readings up to now, of the least that makes a
real status: one zone, one injector, four sensors, a reading a minute, one run. `tricklebook dashboard --fleet` goes round
them as it does for people. Then one site's pressure rises above what its injector stands. ``--garden`` sites are of the
demo's garden, 24 sensors at 10 s, to tell what a full site costs. Processor times hold; wall times stand beside the load.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
import time
import tomllib
import urllib.request
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import psutil
import pyarrow as pa

from benchmarks.long_archive import Day, base_days, day_table, garden, garden_text
from dashboard.fleet.patrol import read_notes
from ingest import archive as parquet
from ingest.fleet import ARCHIVE, DESCRIPTION
from ingest.installation import Installation
from ingest.layout import day_folder, part_name

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashboard.fleet.standing import Standing

DAY_S = 86_400
STEP_S = 60
"""Time between readings of a small site. [s]"""

WITHHELD_S = 900
"""The last readings of the site that is found at fault; they come in while the round goes on. [s]"""

TOO_HIGH = 460.0
"""Pressure at the injector then; it stands 400. [kPa]"""

START_S = 7200.0
"""Time for a round at most. [s]"""

SMALL = """
name = "{name}"
timezone = "UTC"
supply = {{ kind = "well", backflow_preventer = "none" }}
@
[injector.pump]
kind = "proportional pump"
ratio = "1:100"
max_static_pressure = "400 kPa"
[stock.A]
injector = "pump"
nutrients = {{ N = "20 g/L" }}
[zone.bench]
emitters = [{{ count = 400, flow = "2 L/h" }}]
target = {{ ratio = "1:100" }}
"""
SENSORS = {
    "head_flow": ("flow", "source", "L/h", 0.0, 800.0),
    "stock_flow": ("flow", "stock", "L/h", 0.0, 8.0),
    "feed_pressure": ("pressure", "mixed", "kPa", 40.0, 210.0),
    "bench_pressure": ("pressure", "zone", "kPa", 0.0, 100.0),
}
"""Sensor to its quantity, point, unit, and value at rest and in a run [stored unit]."""


def small_text(name: str) -> str:
    """Return the description of a small site."""
    rows = []
    for sensor, (quantity, point, unit, _, _) in SENSORS.items():
        zone = 'zone = "bench", ' if point == "zone" else ""
        rows.append(
            f'sensor.{sensor} = {{ quantity = "{quantity}", point = "{point}", unit = "{unit}", {zone}'
            f'interval = "{STEP_S} s", source = {{ csv = "{sensor}" }} }}'
        )
    return "\n".join(rows).join(SMALL.format(name=name).split("@"))


def small_day(seed: int) -> Day:
    """Return a day of a small site, watered for half an hour at six o'clock UTC."""
    rng = np.random.default_rng(seed)
    times = np.arange(0, DAY_S, STEP_S)
    on = (times >= 6 * 3600) & (times < 6 * 3600 + 1800)
    return {
        name: (times * 1_000_000, np.where(on, work, rest) * (1 + 0.002 * rng.normal(size=len(times))))
        for name, (_, _, _, rest, work) in SENSORS.items()
    }


def write(archive: Path, system: Installation, days: tuple[Day, Day], now: float, until: float) -> None:
    """Write yesterday and today, from a day before now up to an instant. [s since 1970, UTC]"""
    today = int(now) // DAY_S
    for content, day in zip(days, (today - 1, today), strict=True):
        table = day_table(content, day)
        at = table.column("time").cast(pa.int64()).to_numpy() / 1e6
        _put(archive, system, day, table.filter(pa.array((at >= now - DAY_S) & (at < until))), part=1)


def _put(archive: Path, system: Installation, day: int, table: pa.Table, *, part: int) -> None:
    if table.num_rows:
        folder = archive / day_folder("readings", system.site, day)
        folder.mkdir(parents=True, exist_ok=True)
        whole = table.replace_schema_metadata(parquet.describe(system))
        (folder / part_name(part)).write_bytes(parquet.encode(whole, "readings"))


def make(fleet: Path, sites: int, full: int, now: float) -> Path:
    """Write the fleet, the last `full` sites of the garden; return the archive of the site that is to be at fault."""
    chosen = fleet / f"site{sites * 2 // 3:04d}" / ARCHIVE
    small, large = small_day(1), base_days(1, 2) if full else None
    for number in range(sites + full):
        name, folder = f"Quillfen {number:04d}", fleet / f"site{number:04d}"
        is_small = number < sites
        folder.mkdir(parents=True)
        (folder / DESCRIPTION).write_text(small_text(name) if is_small else garden_text(name), "utf-8")
        system = small_system(name) if is_small else garden(name)
        days = (small, small) if is_small or large is None else (large[0], large[1])
        archive = folder / ARCHIVE
        write(archive, system, days, now, now - WITHHELD_S if archive == chosen else now)
    return chosen


def small_system(name: str) -> Installation:
    """Return a small site's system."""
    return Installation.model_validate(tomllib.loads(small_text(name)))


def go_wrong(archive: Path, now: float) -> None:
    """Let the last readings of a site come in: its pressure stands too high."""
    system = small_system(f"Quillfen {archive.parent.name.removeprefix('site')}")
    times = np.arange(int(now - WITHHELD_S), int(now), STEP_S)
    for day in np.unique(times // DAY_S).tolist():
        mine = (times[times // DAY_S == day] - day * DAY_S) * 1_000_000
        content = {name: (mine, np.full(len(mine), rest)) for name, (_, _, _, rest, _) in SENSORS.items()}
        content["feed_pressure"] = (mine, np.full(len(mine), TOO_HIGH))
        _put(archive, system, day, day_table(content, day), part=2)


@dataclass
class Fleet:
    """A fleet that is served."""

    folder: Path
    address: str
    server: psutil.Process

    @property
    def patrol(self) -> psutil.Process:
        """The process that goes round."""
        while True:
            for child in self.server.children():
                if "dashboard.fleet.patrol" in child.cmdline():
                    return child
            time.sleep(0.1)

    def notes(self) -> list[Standing]:
        """Return how each site stands."""
        return read_notes(self.folder)

    def first(self) -> str:
        """Return the site that stands first on the page, which alone is asked for."""
        found = re.search(r'data-site="([^"]+)" data-level="stop"', self.page("?level=stop"))
        return found[1] if found else ""

    def page(self, query: str = "") -> str:
        """Return the page."""
        with urllib.request.urlopen(f"{self.address}/{query}") as answer:  # noqa: S310 - our own server
            text: str = answer.read().decode()
        return text


@contextmanager
def served(folder: Path) -> Iterator[Fleet]:
    """Serve a fleet as people do."""
    command = [sys.executable, "-m", "tricklebook", "dashboard", "--fleet", str(folder), "--port", "0"]
    server = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    try:
        assert server.stderr is not None  # noqa: S101 - it was asked for
        address = next(word for word in server.stderr.readline().split() if word.startswith("http"))
        yield Fleet(folder, address.rstrip("/"), psutil.Process(server.pid))
    finally:
        server.terminate()
        server.wait(30)


def spent(process: psutil.Process) -> float:
    """Return a process's processor time. [s]"""
    times = process.cpu_times()
    return float(times.user + times.system)


def round_of(fleet: Fleet, since: str, cpu: float, begun: float) -> tuple[list[tuple[int, float]], float]:
    """Wait for a round that begins after an instant; return its processor time by sites seen, and its time. [s]"""
    marks = [(0, cpu)]
    while time.monotonic() < begun + START_S:
        notes = fleet.notes()
        seen = sum(note.looked > since for note in notes)
        marks.append((seen, spent(fleet.patrol)))
        if seen == len(notes):
            return marks, time.monotonic() - begun
        time.sleep(2.0)
    message = "the round did not end"
    raise SystemExit(message)


def tell(what: str, marks: list[tuple[int, float]], wall: float, sites: int) -> None:
    """Print what a round cost, and whether a site costs the same at its end as at its beginning."""
    seen, cpu = (np.array(column, float) for column in zip(*marks, strict=True))
    middle = float(np.interp(sites / 2, seen, cpu))
    first, second = middle - cpu[0], float(np.interp(sites, seen, cpu)) - middle
    print(
        f"{what}: processor {cpu[-1] - cpu[0]:.0f} s in {wall:.0f} s; a small site {(first + second) / sites * 1e3:.0f} ms, "
        f"the second half of them {second / first:.2f} times the first"
    )
    if seen[-1] > sites:
        full = cpu[-1] - float(np.interp(sites, seen, cpu))
        print(f"{'':4s}a full site {full / (seen[-1] - sites) * 1e3:.0f} ms")


def page_cost(fleet: Fleet, times: int = 20) -> None:
    """Print what the page costs."""
    before, walls = spent(fleet.server), []
    for _ in range(times):
        begun = time.perf_counter()
        size = len(fleet.page())
        walls.append(time.perf_counter() - begun)
    cpu = (spent(fleet.server) - before) / times
    print(
        f"page: server's processor {cpu * 1e3:.0f} ms, {size / 1e3:.0f} kB, opens in {np.median(walls) * 1e3:.0f} ms "
        f"(p95 {np.percentile(walls, 95) * 1e3:.0f})"
    )


def find(fleet: Fleet, chosen: Path, now: float) -> None:
    """Let a site go wrong and tell how soon it stands first."""
    go_wrong(chosen, now)
    begun, name = time.monotonic(), chosen.parent.name
    while fleet.first() != name:
        if time.monotonic() > begun + START_S:
            message = f"{name} never stood first: {json.dumps(fleet.first())}"
            raise SystemExit(message)
        time.sleep(2.0)
    note = next(note for note in fleet.notes() if note.name == name)
    print(
        f"{name} stands first after {time.monotonic() - begun:.0f} s: {note.worst}; at most a round, half on average"
    )


def main(arguments: list[str] | None = None) -> None:
    """Run it and print what was measured."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--garden", type=int, default=20)
    given = parser.parse_args(sys.argv[1:] if arguments is None else arguments)
    with tempfile.TemporaryDirectory() as spare:
        folder, now = Path(spare), time.time()
        chosen = make(folder, given.sites, given.garden, now)
        print(
            f"{given.sites} small sites and {given.garden} full ones made in {time.time() - now:.0f} s",
            flush=True,
        )
        with served(folder) as fleet:
            tell("first round", *round_of(fleet, "", 0.0, time.monotonic()), given.sites)
            after = max(note.looked for note in fleet.notes()), spent(fleet.patrol), time.monotonic()
            page_cost(fleet)
            find(fleet, chosen, now)
            tell("next round", *round_of(fleet, *after), given.sites)
            levels = sorted({note.level for note in fleet.notes()})
            memory = [process.memory_info().rss / 1e6 for process in (fleet.server, fleet.patrol)]
            print(
                f"memory: server {memory[0]:.0f} MB, patrol {memory[1]:.0f} MB; sites stand {', '.join(levels)}"
            )
        print(f"load average {', '.join(f'{value:.1f}' for value in psutil.getloadavg())}")


if __name__ == "__main__":
    main()
