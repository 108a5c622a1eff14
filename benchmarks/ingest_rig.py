"""What the throughput benchmark is made of: a fast publisher, a broker that only blasts, and the arms' harness."""

from __future__ import annotations

import json
import multiprocessing
import re
import socket
import subprocess
import sys
import threading
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from benchmarks.ingest_arm import SITE, peak
from ingest import checkpoint
from ingest.packets import encode_length

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

SENSORS = 30
BASE = 1_700_000_000
"""Instant of the first reading. [s since 1970, UTC]"""

WINDOW = 8000
"""Messages that the publisher has on their way."""

PIECE = 100
"""Messages that are sent with one call."""

DEADLINE_S = 300.0
LOOK_S = 0.02

INSTALLATION = """
name = "Bench"
timezone = "UTC"
supply = { kind = "well", backflow_preventer = "none" }
zone.a = {}
""" + "".join(
    f'sensor.s{i} = {{ quantity = "pressure", point = "mixed", unit = "kPa", source = {{ senml = "s{i}" }} }}\n'
    for i in range(SENSORS)
)

_FORK = multiprocessing.get_context("fork")


def payload(number: int, records: int) -> bytes:
    """Return message `number` with so many readings, each instant of a sensor once."""
    sensor, row = number % SENSORS, number // SENSORS
    begin = BASE + row * records
    if records == 1:
        record = {"n": f"s{sensor}", "u": "kPa", "t": begin, "v": 100 + number % 50}
        return json.dumps([record]).encode()
    rest = [{"t": second, "v": 100 + second % 50} for second in range(1, records)]
    head = {"bn": f"s{sensor}", "bt": begin, "bu": "kPa", "v": 100}
    return json.dumps([head, *rest], separators=(",", ":")).encode()


def packet(number: int, body: bytes, *, five: bool) -> bytes:
    """Return a QoS 1 PUBLISH packet."""
    mid = number % 65_535 + 1
    content = b"\x00\x05bench" + mid.to_bytes(2, "big") + (b"\x00" if five else b"") + body
    return b"\x32" + encode_length(len(content)) + content


def stream(messages: int, records: int, *, five: bool) -> list[bytes]:
    """Return the packets of all messages, `PIECE` of them in each part."""
    return [
        b"".join(packet(n, payload(n, records), five=five) for n in range(begin, begin + PIECE))
        for begin in range(0, messages, PIECE)
    ]


def publish(port: int, pieces: list[bytes]) -> None:
    """Publish over MQTT 3.1.1 as fast as the broker acknowledges."""
    with socket.create_connection(("127.0.0.1", port)) as link:
        link.sendall(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x3c\x00\x05bench")
        link.recv(4)
        answered = 0
        for index, piece in enumerate(pieces):
            link.sendall(piece)
            while (index + 1) * PIECE - answered // 4 > WINDOW:
                answered += len(link.recv(65_536))
        while answered // 4 < len(pieces) * PIECE:
            answered += len(link.recv(65_536))
        link.sendall(b"\xe0\x00")


def end_session(port: int) -> None:
    """Let the broker forget the ingester's session, so that it queues nothing for it while others are measured."""
    name = b"tricklebook-bench"
    body = b"\x00\x04MQTT\x04\x02\x00\x3c" + len(name).to_bytes(2, "big") + name
    with socket.create_connection(("127.0.0.1", port)) as link:
        link.sendall(b"\x10" + encode_length(len(body)) + body)
        link.recv(4)
        link.sendall(b"\xe0\x00")


@contextmanager
def publishing(port: int, pieces: list[bytes]) -> Iterator[Callable[[], None]]:
    """Give a call that begins to publish, in a process of its own."""
    process = _FORK.Process(target=publish, args=(port, pieces), daemon=True)
    try:
        yield process.start
    finally:
        if process.pid is not None:
            process.kill()
            process.join()


def _blast(listener: socket.socket, pieces: list[bytes]) -> None:
    link, _ = listener.accept()
    link.recv(4096)
    link.sendall(b"\x20\x03\x00\x00\x00")
    while not (asked := re.search(rb"\x82[\x00-\x7f](..)", link.recv(4096), re.DOTALL)):
        pass
    link.sendall(b"\x90\x04" + asked[1] + b"\x00\x01")
    threading.Thread(target=_drain, args=(link,), daemon=True).start()
    for piece in pieces:
        link.sendall(piece)
    time.sleep(DEADLINE_S)


def _drain(link: socket.socket) -> None:
    while link.recv(65_536):
        pass


@contextmanager
def blasting(pieces: list[bytes]) -> Iterator[int]:
    """Give the port of a broker that sends everything at once to its one subscriber: no broker's cost."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        process = _FORK.Process(target=_blast, args=(listener, pieces), daemon=True)
        process.start()
        try:
            yield int(listener.getsockname()[1])
        finally:
            process.kill()
            process.join()


@dataclass
class Outcome:
    """What a subscriber came to.

    Attributes
    ----------
    wall_s, cpu_s : float
        From the first message to the last, and processor time with the start. [s]
    stored_s : float
        To the last reading in Parquet; 0 where there is none. [s]
    rss : list of (int, int)
        Receiver's and archiver's peak memory at a tenth and at the end. [bytes]
    """

    wall_s: float
    cpu_s: float
    stored_s: float = 0.0
    rss: list[tuple[int, int]] = field(default_factory=list)


@contextmanager
def arm(role: str, port: int, messages: int, folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    """Start an arm, and return when it is ready."""
    command = [sys.executable, "-m", "benchmarks.ingest_arm", role, str(port), str(messages), str(folder)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE)
    try:
        told(process)
        yield process
    finally:
        process.kill()
        process.wait()
        if process.stdout is not None:
            process.stdout.close()


def told(process: subprocess.Popen[bytes]) -> dict[str, Any]:
    """Return the next line of an arm."""
    line = b"" if process.stdout is None else process.stdout.readline()
    content: dict[str, Any] = json.loads(line)
    return content


def run_bare(port: int, messages: int, folder: Path, feed: Callable[[], None]) -> Outcome:
    """Measure the plain library; `feed` is called once it is subscribed."""
    with arm("bare", port, messages, folder) as process:
        feed()
        found = told(process)
    return Outcome(found["wall_s"], found["cpu_s"])


def run_ingester(port: int, messages: int, records: int, folder: Path, feed: Callable[[], None]) -> Outcome:
    """Measure receiver and archiver at work together, to the last acknowledgement and the last row."""
    with (
        arm("archiver", port, messages, folder) as archive,
        arm("receiver", port, messages, folder) as process,
    ):
        begun = time.perf_counter()
        feed()
        early = 0
        while (stored := _stored(folder)) < messages * records:
            if not early and stored * 10 >= messages * records:
                early = peak(archive.pid)
            if time.perf_counter() - begun > DEADLINE_S:
                message = f"only {stored} readings were stored in {DEADLINE_S} s"
                raise TimeoutError(message)
            time.sleep(LOOK_S)
        stored_s = time.perf_counter() - begun
        late = peak(archive.pid)
        found = told(process)
    return Outcome(
        found["wall_s"], found["cpu_s"], stored_s, [(found["early"], found["late"]), (early or late, late)]
    )


def _stored(folder: Path) -> int:
    found = checkpoint.load(folder, SITE)
    return 0 if found is None else found.counts.get("readings", 0)
