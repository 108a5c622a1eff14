"""One subscriber, as a process of its own that loads what it needs and nothing else.

``python -m benchmarks.ingest_arm bare|receiver|archiver PORT MESSAGES FOLDER``; prints ``ready``, then one
line of JSON when the last message is there.
"""

from __future__ import annotations

import json
import os
import re
import resource
import signal
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from ingest.intake import Tally

SITE = "bench"


def peak(pid: int) -> int:
    """Return a process's largest resident memory so far. [bytes]"""
    found = re.search(r"VmHWM:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text("ascii"))
    return int(found[1]) * 1024 if found else 0


def say(**told: Any) -> None:
    """Print a line with what was measured, and the processor time so far. [s]"""
    usage = resource.getrusage(resource.RUSAGE_SELF)
    sys.stdout.write(json.dumps({**told, "cpu_s": usage.ru_utime + usage.ru_stime}) + "\n")
    sys.stdout.flush()


def bare(port: int, messages: int) -> None:
    """Subscribe with the plain library, QoS 1, and only count."""
    import paho.mqtt.client as mqtt  # noqa: PLC0415 - each arm loads its own
    from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion  # noqa: PLC0415 - as above

    client = mqtt.Client(CallbackAPIVersion.VERSION2, "bare", protocol=MQTTProtocolVersion.MQTTv5)
    seen, begun = [0], [0.0]

    def count(*_: Any) -> None:
        if not seen[0]:
            begun[0] = time.perf_counter()
        seen[0] += 1
        if seen[0] == messages:
            say(wall_s=time.perf_counter() - begun[0])

    def subscribe(*_: Any) -> None:
        client.subscribe("bench", qos=1)

    def ready(*_: Any) -> None:
        say(ready=True)

    client.on_message = count
    client.on_connect = subscribe
    client.on_subscribe = ready
    client.connect("127.0.0.1", port)
    client.loop_forever()


def receiver(port: int, messages: int, folder: Path) -> None:
    """Be the ingester's receiver: journal, fdatasync, acknowledgement.

    Its time begins with the wait in which the first message came.
    """
    from ingest.address import Address  # noqa: PLC0415 - each arm loads its own
    from ingest.intake import Intake  # noqa: PLC0415 - as above
    from ingest.journal import JournalWriter  # noqa: PLC0415 - as above
    from ingest.receiver import Receiver  # noqa: PLC0415 - as above

    state: dict[str, Any] = {"ready": False, "begun": time.perf_counter(), "early": 0, "done": False}

    def watch(tally: Tally) -> None:
        if not state["ready"] and tally.state == "receiving":
            state["ready"] = True
            say(ready=True)
        if not tally.messages:
            state["begun"] = time.perf_counter()
        if not state["early"] and tally.messages * 10 >= messages:
            state["early"] = peak(os.getpid())
        if not state["done"] and tally.messages >= messages:
            state["done"] = True
            wall_s = time.perf_counter() - state["begun"]
            say(wall_s=wall_s, early=state["early"], late=peak(os.getpid()))

    address = Address("127.0.0.1", port, "tricklebook-bench", ("bench",))
    with JournalWriter(folder, SITE, SITE) as journal:
        Receiver(address, Intake(journal, watch), _watch_drops=False).run()


def archiver(folder: Path) -> None:
    """Be the ingester's archiver."""
    from benchmarks.ingest_rig import INSTALLATION  # noqa: PLC0415 - each arm loads its own
    from ingest.archiver import Archiver  # noqa: PLC0415 - as above
    from ingest.load_installation import loads  # noqa: PLC0415 - as above
    from ingest.rounds import Rounds  # noqa: PLC0415 - as above

    told: list[int] = []
    signal.signal(signal.SIGTERM, lambda *_: told.append(1))
    say(ready=True)
    described = loads(INSTALLATION.encode())
    Archiver(folder, described.site, Rounds(folder, described), lambda: bool(told), every_s=0.5).run()


def main(role: str, port: str, messages: str, folder: str) -> None:
    """Be the arm that is named."""
    if role == "bare":
        bare(int(port), int(messages))
    elif role == "receiver":
        receiver(int(port), int(messages), Path(folder))
    else:
        archiver(Path(folder))


if __name__ == "__main__":
    main(*sys.argv[1:])
