"""How the ingester is, for people, service managers and Prometheus."""

from __future__ import annotations

import json
import shutil
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any

from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily

from ingest import checkpoint as checkpoints
from ingest.checkpoint import Checkpoint, CheckpointError
from ingest.status import read_all
from ingest.tail import backlog

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from prometheus_client.core import Metric

STALE_S = 15.0
"""Age of a status after which its process counts as stuck; it is written every two seconds. [s]"""

BACKLOG_BYTES = 256 * 2**20
"""Journal that is not archived after which something is wrong: several segments. [bytes]"""


def problems(archive: Path, site: str, now: float) -> list[str]:
    """Return what is wrong with a site's ingest, one sentence each; nothing where all is well.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    now : float
        This machine's clock. [s since 1970]
    """
    archiver, receivers = read_all(archive, site)
    found = [] if receivers else ["no receiver has ever run here"]
    for name, status in [*receivers.items(), ("archiver", archiver)]:
        if status is None:
            found.append("no archiver has ever run here")
        elif now - status["time"] > STALE_S:
            found.append(f"{name}: no sign of life for {now - status['time']:.0f} s")
        elif status["problem"]:
            found.append(f"{name}: {status['state']}: {status['problem']}")
    behind = backlog(archive, site, checkpoints.read_positions(archive, site))
    if behind > BACKLOG_BYTES:
        found.append(f"{behind / 2**20:.0f} MiB of the journal are not in the archive yet")
    return found


class Collector:
    """Reads a site's state when Prometheus asks.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    """

    def __init__(self, archive: Path, site: str) -> None:
        self._archive = archive
        self._site = site

    def collect(self) -> Iterator[Metric]:
        """Yield every metric."""
        archiver, receivers = read_all(self._archive, self._site)
        yield from _of_receivers(receivers)
        yield from self._of_archive(archiver or {})

    def _of_archive(self, archiver: dict[str, Any]) -> Iterator[Metric]:
        try:
            found = checkpoints.load(self._archive, self._site) or Checkpoint()
        except CheckpointError:
            found = Checkpoint()
        for name, text in _COUNTS.items():
            yield CounterMetricFamily(f"tricklebook_{name}", text, value=found.counts.get(name, 0))
        rejects = CounterMetricFamily(
            "tricklebook_rejects", "Records that went to quarantine.", labels=["reason"]
        )
        for name, count in sorted(found.counts.items()):
            if name.startswith("reject:"):
                rejects.add_metric([name.removeprefix("reject:")], count)
        yield rejects
        newest = archiver.get("newest_us", 0)
        if newest:
            lag = time.time() - newest / 1e6
            yield GaugeMetricFamily(
                "tricklebook_lag_seconds", "Age of the newest reading in the archive.", value=lag
            )
        behind = backlog(self._archive, self._site, found.positions)
        yield GaugeMetricFamily(
            "tricklebook_journal_bytes", "Journal that is not in the archive yet.", value=behind
        )
        left = shutil.disk_usage(self._archive).free
        yield GaugeMetricFamily("tricklebook_disk_free_bytes", "Space left for the archive.", value=left)
        wrong = problems(self._archive, self._site, time.time())
        yield GaugeMetricFamily(
            "tricklebook_healthy", "1 where nothing is wrong, else 0.", value=int(not wrong)
        )


_COUNTS = {
    "readings": "Readings stored.",
    "duplicates": "Readings that were stored already.",
    "messages": "Messages taken from the journal.",
    "events": "Gaps and other events noted.",
}

_RECEIVER_COUNTS = {
    "messages": ("received_messages", "Messages made durable in the journal."),
    "acknowledged": ("acknowledged_messages", "Messages acknowledged to the broker."),
    "again": ("redelivered_messages", "Messages that the broker sent again and the journal had."),
    "too_large": ("oversize_messages", "Messages too large to keep whole."),
    "connections": ("connections", "Connections made to the broker."),
    "gaps": ("session_gaps", "Sessions that the broker lost."),
}


def _of_receivers(receivers: dict[str, dict[str, Any]]) -> Iterator[Metric]:
    for field, (name, text) in _RECEIVER_COUNTS.items():
        counter = CounterMetricFamily(f"tricklebook_{name}", text, labels=["writer"])
        for writer, status in receivers.items():
            counter.add_metric([writer], status[field])
        yield counter
    last = GaugeMetricFamily(
        "tricklebook_last_acknowledgement_seconds", "When a message was last acknowledged.", labels=["writer"]
    )
    up = GaugeMetricFamily("tricklebook_receiving", "1 while connected and storing.", labels=["writer"])
    for writer, status in receivers.items():
        last.add_metric([writer], status["last_ack_us"] / 1e6)
        up.add_metric([writer], int(status["state"] == "receiving"))
    yield last
    yield up


def serve(archive: Path, site: str, port: int) -> int:
    """Answer ``/health`` and ``/metrics`` on this machine's own address, in a thread of its own.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    port : int
        0 for any that is free.

    Returns
    -------
    int
        The port.

    Raises
    ------
    OSError
        If the port is taken.
    """
    registry = CollectorRegistry()
    registry.register(Collector(archive, site))

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            if self.path == "/metrics":
                self._answer(200, "text/plain; version=0.0.4; charset=utf-8", generate_latest(registry))
            elif self.path == "/health":
                wrong = problems(archive, site, time.time())
                body = json.dumps({"healthy": not wrong, "problems": wrong}).encode()
                self._answer(503 if wrong else 200, "application/json", body)
            else:
                self._answer(404, "text/plain", b"/health or /metrics\n")

        def _answer(self, status: int, kind: str, body: bytes) -> None:
            self.send_response(status)
            self.send_header("Content-Type", kind)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_: object) -> None:
            """Keep quiet: a page that is asked for every few seconds is no news."""

    server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, name="health", daemon=True).start()
    return int(server.server_address[1])
