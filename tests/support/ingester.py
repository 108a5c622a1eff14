"""A real ingester for fault tests: started fast, killed at will, checked against what was published."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as mqtt
import pandas as pd
from paho.mqtt.enums import CallbackAPIVersion

from ingest.load_installation import load
from ingest.rounds import Rounds

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

ROOT = Path(__file__).parents[2]
DEADLINE_S = 180.0
"""How long anything may take before the test fails."""

SENSORS = 4
STEP_S = 432
"""Time between two messages' readings, so that a day passes in 200 messages. [s]"""

BASE = 1_000_000_000
"""Instant of the first reading. [s since 1970, UTC]"""

INSTALLATION = """
name = "Home"
timezone = "UTC"
supply = { kind = "well", backflow_preventer = "none" }
zone.a = {}
""" + "".join(
    f'sensor.s{i} = {{ quantity = "pressure", point = "mixed", unit = "kPa", source = {{ senml = "s{i}" }} }}\n'
    for i in range(SENSORS)
)


def until(condition: Callable[[], object], what: str, deadline_s: float = DEADLINE_S) -> None:
    """Return once the condition holds; fail with `what` where it never does."""
    end = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end:
            message = f"waited {deadline_s} s in vain: {what}"
            raise AssertionError(message)
        time.sleep(0.005)


def payload(number: int) -> bytes:
    """Return message `number`: one reading of each sensor, all telling the number."""
    when = BASE + number * STEP_S
    return json.dumps([{"n": f"s{i}", "u": "kPa", "t": when, "v": number} for i in range(SENSORS)]).encode()


class Devices:
    """Publishes numbered messages with QoS 1 and knows which the broker has taken.

    Parameters
    ----------
    port : int
        The broker's.
    """

    def __init__(self, port: int) -> None:
        self.published = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, "devices")
        self._client.max_inflight_messages_set(1000)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._waiting: list[mqtt.MQTTMessageInfo] = []

    def publish(self, count: int) -> None:
        """Publish the next messages."""
        for _ in range(count):
            self._waiting.append(self._client.publish("garden/x", payload(self.published), qos=1))
            self.published += 1

    def publish_raw(self, body: bytes, topic: str = "garden/bad", *, retain: bool = False) -> None:
        """Publish something else."""
        self._waiting.append(self._client.publish(topic, body, qos=1, retain=retain))

    def settle(self) -> None:
        """Return when the broker has taken everything."""
        for info in self._waiting:
            info.wait_for_publish(DEADLINE_S)
            assert info.is_published()
        self._waiting.clear()

    @property
    def unsettled(self) -> int:
        """How many messages the broker has not taken yet."""
        self._waiting = [info for info in self._waiting if not info.is_published()]
        return len(self._waiting)

    def is_connected(self) -> bool:
        """Tell whether the broker has answered and not gone."""
        return self._client.is_connected()

    def close(self) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()


@dataclass
class Zygote:
    """Forks ingester processes on order.

    Attributes
    ----------
    folder : Path
        For the archive, the installation and the log.
    port : int
        The broker's.
    """

    folder: Path
    port: int
    site: str = "home"
    _running: dict[str, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Start it."""
        self.installation = self.folder / "installation.toml"
        self.installation.write_text(INSTALLATION, encoding="utf-8")
        self.archive = self.folder / "archive"
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.zygote", str(self.installation)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )

    def _order(self, **order: Any) -> int:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(order).encode() + b"\n")
        self._process.stdin.flush()
        return int(self._process.stdout.readline())

    def start(self, role: str, fault: str = "", **options: Any) -> int:
        """Start a receiver or an archiver, with a planted fault where one is named."""
        order = {
            "archive": str(self.archive),
            "installation": str(self.installation),
            "site": self.site,
            "writer": "home",
            "topics": ["#"],
            "level": 5,
            "keepalive": 15,
            "group": None,
            "port": self.port,
            "log": str(self.folder / "log"),
            "every": 0.02,
            "reserve": 0,
            "segment": 200_000,
            **options,
        }
        pid = self._order(do="start", role=role, fault=fault, **order)
        self._running[role] = pid
        return pid

    def is_running(self, role: str) -> bool:
        """Tell whether a process has not ended."""
        pid = self._running.get(role)
        if pid is None:
            return False
        state = Path(f"/proc/{pid}/stat")
        return state.exists() and state.read_text().rpartition(")")[2].split()[0] != "Z"

    def end(self, role: str, signum: int = signal.SIGKILL) -> int:
        """End a process and return its exit status."""
        pid = self._running.pop(role)
        os.kill(pid, signum)
        return self._order(do="wait", pid=pid)

    def adopt(self, role: str, pid: int) -> None:
        """Take charge again of a process whose place another one has taken."""
        self._running[role] = pid

    def reap(self, role: str) -> int:
        """Return the exit status of a process that has ended or is about to."""
        return self._order(do="wait", pid=self._running.pop(role))

    def close(self) -> None:
        """End everything."""
        for role in list(self._running):
            self.end(role)
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        self._process.wait(DEADLINE_S)
        self._process.stdout.close()

    @property
    def log(self) -> str:
        """What the processes have logged."""
        path = self.folder / "log"
        return path.read_text("utf-8") if path.exists() else ""

    def status(self, writer: str = "home") -> dict[str, Any]:
        """Return a receiver's status."""
        path = self.archive / "state" / f"site={self.site}" / f"receiver.{writer}.json"
        content: dict[str, Any] = json.loads(path.read_text("utf-8")) if path.exists() else {"state": "none"}
        return content

    def begin(self) -> None:
        """Start a receiver for the first time, and return when the broker knows its subscription."""
        self.start("receiver")
        until(lambda: self.status()["state"] == "receiving", f"the first subscription; log: {self.log}")

    def archive_all(self) -> None:
        """Archive in this process what the journals hold."""
        rounds = Rounds(self.archive, load(self.installation))
        while rounds.run().size:
            pass

    def pid(self, role: str) -> int:
        """Return a process's id."""
        return self._running[role]

    def stored(self) -> int:
        """Return how many readings the archive has just now; 0 where it is being changed."""
        try:
            return len(self.readings())
        except (OSError, ValueError):
            return 0

    def readings(self) -> pd.DataFrame:
        """Return the archive as any reader of Parquet folders sees it."""
        return pd.read_parquet(self.archive / "readings")


@contextmanager
def zygote(folder: Path, port: int) -> Iterator[Zygote]:
    """Start a zygote for the block."""
    made = Zygote(folder, port)
    try:
        yield made
    finally:
        made.close()


def lost_and_doubled(readings: pd.DataFrame, published: int) -> tuple[int, int]:
    """Return how many of the published readings are missing, and how many are there more than once.

    A reading with another value than was published counts as missing.
    """
    number = (readings["time"].astype("int64") // 10**6 - BASE) // STEP_S
    right = readings[(readings["value"] == number) & readings["sensor"].astype(str).str.startswith("s")]
    keys = pd.DataFrame({"number": number, "sensor": right["sensor"].astype(str)}).dropna()
    doubled = int(keys.duplicated().sum())
    return published * SENSORS - len(keys.drop_duplicates()), doubled
