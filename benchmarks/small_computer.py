"""One site with a year of data on a computer with 512 MB: ingester, dashboard and analysis held to it.

``python -m benchmarks.small_computer``. Ingester and dashboard, which analyses too, run together in one memory
group of the kernel that kills what asks for more; then the ingester and the analysis of the whole year by
command. A broker and a browser outside it give them work. It needs the right to make such a
group (root); without it, it says so and does nothing.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import paho.mqtt.client as mqtt
import psutil
from paho.mqtt.enums import CallbackAPIVersion
from playwright.sync_api import Error as PlaywrightError
from playwright.sync_api import sync_playwright

from benchmarks.long_archive import BASE_DAYS, base_days, day_table, garden, garden_text
from ingest import archive as parquet
from ingest.layout import day_folder, part_name
from ingest.upkeep import upkeep
from sample_data.packs import packs
from sample_data.plant import build
from sample_data.schedule import DAY_S, Scenario, session
from tests.support.broker import Broker, free_port

if TYPE_CHECKING:
    from collections.abc import Iterator

GROUPS = Path("/sys/fs/cgroup/memory"), Path("/sys/fs/cgroup")
"""Where the kernel's memory groups stand: first version, second version."""

MIB = 2**20
CHROMIUM = "/usr/bin/chromium"
PAGES = ("/", "/zone/bench1", "/head", "/findings", "/installation", "/service")
START_S = 180.0


class Group:
    """A memory group of the kernel.

    Parameters
    ----------
    limit : int
        Memory that its processes have together, with what of files they keep in memory. [bytes]
    log : Path
        What they have to say.
    """

    def __init__(self, limit: int, log: Path) -> None:
        self._log = log
        first, second = GROUPS
        self.is_first = first.is_dir()
        self.folder = (first if self.is_first else second) / f"tricklebook-{os.getpid()}"
        self.folder.mkdir()
        name = "memory.limit_in_bytes" if self.is_first else "memory.max"
        (self.folder / name).write_text(str(limit))
        if not self.is_first:
            (self.folder / "memory.swap.max").write_text("0")

    def start(self, *command: str) -> subprocess.Popen[bytes]:
        """Start one of the project's commands in the group."""
        inside = f'echo $$ > "{self.folder / "cgroup.procs"}"; exec "$@"'
        whole = ["sh", "-c", inside, "sh", sys.executable, "-m", "tricklebook", *command]
        with self._log.open("ab") as log:
            return subprocess.Popen(whole, stdout=subprocess.PIPE, stderr=log)

    def own_memory(self) -> int:
        """Return the memory that is not a copy of files. [bytes]"""
        wanted = "total_rss" if self.is_first else "anon"
        lines = (self.folder / "memory.stat").read_text().splitlines()
        return sum(int(line.split()[1]) for line in lines if line.split()[0] == wanted)

    def shares(self) -> dict[str, int]:
        """Return each process's own memory by what it does, shared pages counted in parts. [bytes]"""
        found = {}
        for pid in (self.folder / "cgroup.procs").read_text().split():
            try:
                process = psutil.Process(int(pid))
                words = [word for word in process.cmdline() if "-" not in word]
                found[f"{words[1]} {pid}"] = int(process.memory_full_info().pss)
            except (psutil.Error, IndexError):
                continue
        return found

    def kills(self) -> int:
        """Return how many processes the kernel killed for asking for too much."""
        name = "memory.oom_control" if self.is_first else "memory.events"
        lines = (self.folder / name).read_text().splitlines()
        return sum(int(line.split()[1]) for line in lines if line.split()[0] == "oom_kill")

    def close(self) -> None:
        """End what still runs in it, and remove it."""
        end = time.monotonic() + START_S
        while time.monotonic() < end:
            for pid in (self.folder / "cgroup.procs").read_text().split():
                os.kill(int(pid), signal.SIGKILL)
            try:
                self.folder.rmdir()
            except OSError:
                time.sleep(0.1)
            else:
                return


@dataclass
class Watched:
    """A group's memory, a look every fifth of a second. [bytes]"""

    seen: list[int] = field(default_factory=lambda: [0])
    shares: dict[str, int] = field(default_factory=dict)

    def look(self, group: Group) -> None:
        """Note the memory now, and whose it is where it was never more."""
        now = group.own_memory()
        if now > max(self.seen):
            self.shares = group.shares()
        self.seen.append(now)

    def told(self) -> str:
        """Return the most so far, and whose it was, in MiB."""
        whose = ", ".join(f"{name} {share / MIB:.0f}" for name, share in sorted(self.shares.items()))
        return f"{max(self.seen) / MIB:.0f} ({whose})"


@contextmanager
def watching(group: Group) -> Iterator[Watched]:
    """Watch the group's memory while the block runs."""
    seen = Watched()
    done = threading.Event()

    def look() -> None:
        while not done.wait(0.2):
            seen.look(group)

    thread = threading.Thread(target=look)
    thread.start()
    try:
        yield seen
    finally:
        done.set()
        thread.join()


def fill(archive: Path, days: int) -> int:
    """Write so many days up to yesterday; return the readings."""
    system, content = garden(), base_days()
    last = int(time.time()) // DAY_S
    tour = max(float(c["water_meter"][1].max()) for c in content) - float(content[0]["water_meter"][1].min())
    rows = 0
    for n in range(days):
        day = last - days + n
        table = day_table(content[n % BASE_DAYS], day, register=tour * (n // BASE_DAYS))
        folder = archive / day_folder("readings", system.site, day)
        folder.mkdir(parents=True)
        whole = table.replace_schema_metadata(parquet.describe(system))
        (folder / part_name(n)).write_bytes(parquet.encode(whole, "readings", level=9))
        rows += table.num_rows
    while upkeep(archive, system.site, everything=True, limit=days):
        pass
    return rows


def send(port: int, hours: float) -> int:
    """Publish what the devices measured in the last hours; return the messages."""
    now = int(time.time())
    plant = build(garden(), Scenario(3, 2, (session(now),)), until=now + DAY_S)
    client = mqtt.Client(CallbackAPIVersion.VERSION2, "devices")
    client.connect("127.0.0.1", port)
    client.loop_start()
    waiting = [
        client.publish(pack.topic, pack.payload, qos=1) for pack in packs(plant, now - int(hours * 3600), now)
    ]
    for info in waiting:
        info.wait_for_publish(START_S)
    client.disconnect()
    client.loop_stop()
    return len(waiting)


def browse(address: str) -> list[float]:
    """Open every page twice and the widest range of a zone; return the seconds of each."""
    taken = []
    with sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM)
        page = chromium.new_page(viewport={"width": 1280, "height": 1000})
        page.set_default_timeout(START_S * 1000)
        for path in PAGES * 2:
            begun = time.perf_counter()
            page.goto(address + path)
            page.wait_for_selector("main h1")
            taken.append(time.perf_counter() - begun)
        chromium.close()
    return taken


def address_of(dashboard: subprocess.Popen[bytes], port: int) -> str:
    """Return the dashboard's address once it answers."""
    end = time.monotonic() + START_S
    while time.monotonic() < end and dashboard.poll() is None:
        for connection in psutil.net_connections("tcp"):
            if connection.laddr.port == port and connection.status == psutil.CONN_LISTEN:
                return f"http://127.0.0.1:{port}"
        time.sleep(0.2)
    message = "the dashboard did not begin"
    raise SystemExit(message)


def asked(arguments: list[str]) -> argparse.Namespace:
    """Return what is asked for."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--limit", type=int, default=512, help="MiB")
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> None:
    """Run it and print what was used."""
    options = asked(sys.argv[1:] if arguments is None else arguments)
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        try:
            group = Group(options.limit * MIB, folder / "log")
        except OSError as error:
            print(f"no memory group can be made here ({error}); nothing was measured")
            return
        installation, archive = folder / "installation.toml", folder / "archive"
        rows = fill(archive, options.days)
        broker = Broker(folder=folder)
        broker.start()
        text = garden_text().replace("port = 1883", f"port = {broker.port}")
        installation.write_text(text, encoding="utf-8")
        both = ["--installation", str(installation), "--archive", str(archive)]
        port = free_port()
        with watching(group) as seen:
            begun = time.perf_counter()
            ingester = group.start("ingest", *both, "--port", str(broker.port))
            dashboard = group.start("dashboard", *both, "--port", str(port))
            address = address_of(dashboard, port)
            print(
                f"{rows:,} readings of {options.days} days; the dashboard answers after {time.perf_counter() - begun:.1f} s"
            )
            idle = seen.seen[-1]
            messages = send(broker.port, 24.0)
            try:
                pages = browse(address)
            except PlaywrightError as error:
                print(
                    f"the pages failed: {error}; killed by the kernel: {group.kills()}; memory {seen.told()}"
                )
                print((folder / "log").read_text("utf-8")[-4000:])
                raise
            busy = seen.told()
            alive = dashboard.poll() is None
            dashboard.send_signal(signal.SIGINT)
            dashboard.wait(START_S)
            seen.seen, begun = [0], time.perf_counter()
            analysis = group.start("analyse", *both, "--json")
            said, _ = analysis.communicate()
            took = time.perf_counter() - begun
        alive = alive and ingester.poll() is None
        ingester.terminate()
        ingester.wait(START_S)
        broker.kill()
        kills = group.kills()
        group.close()
    print(
        f"memory of its own at most, in MiB: at the start {idle / MIB:.0f}; ingester and dashboard with its "
        f"analysis, pages and a day of readings {busy}; ingester and the analysis of everything by command "
        f"{seen.told()}; limit {options.limit}"
    )
    print(f"{messages} packs taken in; pages opened in {min(pages):.1f} to {max(pages):.1f} s")
    print(f"analysis: status {analysis.returncode}, {len(said):,} bytes of JSON, {took:.0f} s")
    print(f"killed by the kernel: {kills}; ingester and dashboard ran to the end: {alive}")


if __name__ == "__main__":
    main()
