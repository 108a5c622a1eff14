"""A thousand sites of twenty sensors through one broker and one ingester: lag, CPU, memory, each reading once.

``python benchmarks/fleet_ingest.py --sites 1000 --minutes 10``. A device of each site publishes a pack of all
its sensors every ten seconds, or each sensor for itself with ``--apart``. The broker is the real one; publisher,
broker and ingester share this machine, so CPU is told apart by process.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pandas as pd
import psutil

from benchmarks.fleet_devices import SENSORS, publish
from ingest.fleet import FLEET
from tests.support.broker import Broker

CONF = "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\nmax_inflight_messages 2000\n"
START_S = 300.0
"""Time that the ingester has to begin: it reads every site's description. [s]"""

MIB = 2**20


@dataclass
class Watched:
    """What a process and its children used."""

    process: psutil.Process
    peak: int = 0
    cpu: dict[int, float] = field(default_factory=dict)

    def look(self) -> None:
        """Note CPU and memory now."""
        family = [self.process]
        try:
            family += self.process.children(recursive=True)
        except psutil.NoSuchProcess:
            return
        memory = 0
        for each in family:
            try:
                times = each.cpu_times()
                memory += each.memory_info().rss
            except psutil.NoSuchProcess:
                continue
            self.cpu[each.pid] = times.user + times.system
        self.peak = max(self.peak, memory)

    @property
    def cpu_s(self) -> float:
        """CPU time so far. [s]"""
        return sum(self.cpu.values())


def describe(fleet: Path, sites: int) -> None:
    """Write the descriptions of all sites."""
    sensors = "".join(
        f'sensor.s{k:02d} = {{ quantity = "pressure", point = "mixed", unit = "kPa", source = {{ senml = "s{k:02d}" }} }}\n'
        for k in range(SENSORS)
    )
    for number in range(sites):
        folder = fleet / f"site{number:04d}"
        folder.mkdir(parents=True)
        (folder / "installation.toml").write_text(
            f'name = "{folder.name}"\ntimezone = "UTC"\nzone.a = {{}}\n'
            'supply = { kind = "well", backflow_preventer = "none" }\n'
            f'{sensors}[broker]\ntopics = ["sites/{folder.name}/#"]\n',
            encoding="utf-8",
        )


def broker_process(port: int) -> psutil.Process:
    """Return the process that listens at a port of this machine."""
    for process in psutil.process_iter():
        try:
            found = [c for c in process.net_connections("tcp") if c.status == psutil.CONN_LISTEN]
        except psutil.Error:
            continue
        if any(connection.laddr.port == port for connection in found):
            return process
    message = f"nobody listens at port {port}"
    raise SystemExit(message)


def ready(fleet: Path) -> bool:
    """Tell whether receiver and archiver work."""
    state = fleet / "state" / f"site={FLEET}"
    try:
        receiver = json.loads((state / "receiver.fleet.json").read_text("utf-8"))
        archiver = json.loads((state / "archiver.json").read_text("utf-8"))
    except (OSError, ValueError):
        return False
    return bool(receiver["state"] == "receiving" and archiver["state"] == "archiving")


def wait(condition: threading.Event, seconds: float, watched: list[Watched]) -> None:
    """Watch the processes until the condition is set."""
    end = time.monotonic() + seconds
    while not condition.wait(1.0) and time.monotonic() < end:
        for each in watched:
            each.look()


def tell(fleet: Path, published: int) -> None:
    """Print what became of the readings."""
    files = sorted(fleet.glob("*/archive/readings/*/*/*.parquet"))
    lags, rows, keys = [], 0, 0
    for folder in sorted(fleet.glob("site*/archive/readings")):
        frame = pd.read_parquet(folder, columns=["time", "sensor", "received"])
        rows += len(frame)
        keys += len(frame.drop_duplicates(["time", "sensor"]))
        lags.append((frame["received"] - frame["time"]).dt.total_seconds().to_numpy())
    lag = np.concatenate(lags)
    print(
        f"readings published {published:,}, archived {keys:,}, lost {published - keys}, doubled {rows - keys}"
    )
    print(f"files {len(files):,}, {sum(path.stat().st_size for path in files) / rows:.2f} bytes a reading")
    at = np.percentile(lag, [50, 95, 99, 100])
    print(
        "lag from publishing to the journal [s]: median {:.3f}, p95 {:.3f}, p99 {:.3f}, longest {:.3f}".format(
            *at
        )
    )


def main(arguments: list[str] | None = None) -> None:
    """Run it and print a table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--apart", action="store_true", help="a message for each reading")
    parser.add_argument("--every", type=float, default=60.0, help="seconds between two files of a site")
    options = parser.parse_args(sys.argv[1:] if arguments is None else arguments)
    with tempfile.TemporaryDirectory() as place:
        fleet = Path(place) / "fleet"
        describe(fleet, options.sites)
        broker = Broker(folder=Path(place), conf=CONF)
        broker.start()
        command = [
            sys.executable,
            "-m",
            "tricklebook",
            "ingest",
            "--fleet",
            str(fleet),
            "--port",
            str(broker.port),
        ]
        begun = time.monotonic()
        ingester = subprocess.Popen([*command, "--every", str(options.every)], stderr=subprocess.DEVNULL)
        while not ready(fleet):
            if time.monotonic() > begun + START_S or ingester.poll() is not None:
                message = "the ingester did not begin"
                raise SystemExit(message)
            time.sleep(0.2)
        print(f"{options.sites} sites of {SENSORS} sensors; ready after {time.monotonic() - begun:.1f} s")
        watched = [Watched(psutil.Process(ingester.pid)), Watched(broker_process(broker.port))]
        for each in watched:
            each.look()
        before = [each.cpu_s for each in watched]
        done = threading.Event()
        told: list[int] = []
        seconds = options.minutes * 60

        def devices() -> None:
            told.append(publish(broker.port, options.sites, seconds, apart=options.apart))
            done.set()

        own = time.process_time()
        threading.Thread(target=devices, daemon=True).start()
        wait(done, seconds * 2 + START_S, watched)
        for each in watched:
            each.look()
        used = [each.cpu_s - cpu for each, cpu in zip(watched, before, strict=True)]
        ingester.terminate()
        ingester.wait(START_S)
        broker.kill()
        rate = told[0] / seconds
        load = [f"{value:.1f}" for value in psutil.getloadavg()]
        print(
            f"{rate:,.0f} readings/s for {seconds:.0f} s, one pack of {1 if options.apart else SENSORS} a message"
        )
        print(
            f"CPU of a core: ingester {used[0] / seconds:.1%}, broker {used[1] / seconds:.1%}, "
            f"devices {(time.process_time() - own) / seconds:.1%}; load average {', '.join(load)}"
        )
        print(
            f"ingester's CPU a reading {used[0] / told[0] * 1e6:.1f} µs, {used[0] / used[1]:.1f} of the broker's"
        )
        print(f"memory: ingester {watched[0].peak / MIB:.0f} MiB, broker {watched[1].peak / MIB:.0f} MiB")
        tell(fleet, told[0])


if __name__ == "__main__":
    main()
