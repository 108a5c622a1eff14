"""Readings acknowledged on stable storage, beside a bare subscriber and raw Parquet; memory; bytes a reading.

``python -m benchmarks.ingest_throughput``. All ratios are of one run, the cases taken in turn, medians;
the absolute rates are those of a machine that may be busy with other things.
"""

from __future__ import annotations

import os
import statistics
import tempfile
import time
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from benchmarks import ingest_bytes
from benchmarks.ingest_rig import (
    BASE,
    SENSORS,
    Outcome,
    blasting,
    end_session,
    publishing,
    run_bare,
    run_ingester,
    stream,
)
from tests.support.broker import Broker

if TYPE_CHECKING:
    from collections.abc import Iterator

REPEATS = 5
CASES = ((1, 120_000), (100, 18_000))
"""Readings in a message, and messages."""

CONF = (
    "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\n"
    "max_inflight_messages 2000\n"
)

MIB = 2**20


@dataclass
class Results:
    """Outcomes of one case, repeat by repeat."""

    live_bare: list[Outcome] = field(default_factory=list)
    live_ingester: list[Outcome] = field(default_factory=list)
    blast_bare: list[Outcome] = field(default_factory=list)
    blast_ingester: list[Outcome] = field(default_factory=list)
    parquet_rows_s: list[float] = field(default_factory=list)


def raw_parquet(records: int, messages: int, folder: Path) -> float:
    """Return rows a second of pyarrow alone, its defaults, writing the same readings with one fsync."""
    rows = records * messages
    table = pa.table(
        {
            "time": pa.array((BASE + np.arange(rows) // SENSORS) * 1_000_000, pa.timestamp("us", tz="UTC")),
            "sensor": pa.array([f"s{i}" for i in range(SENSORS)]).take(pa.array(np.arange(rows) % SENSORS)),
            "value": pa.array(100.0 + np.arange(rows) % 50),
            "quality": pa.array(np.full(rows, 2, np.int8)),
            "received": pa.array(np.full(rows, BASE * 1_000_000), pa.timestamp("us", tz="UTC")),
        }
    )
    begun = time.perf_counter()
    with (folder / "raw.parquet").open("wb") as file:
        pq.write_table(table, file)
        file.flush()
        os.fsync(file.fileno())
    return rows / (time.perf_counter() - begun)


def measure(records: int, messages: int, port: int) -> Results:
    """Run every arm of one case, in turn, several times."""
    out = Results()
    live, blast = (stream(messages, records, five=five) for five in (False, True))
    for _ in range(REPEATS):
        with _folder() as folder, publishing(port, live) as feed:
            out.live_bare.append(run_bare(port, messages, folder, feed))
        with _folder() as folder, publishing(port, live) as feed:
            out.live_ingester.append(run_ingester(port, messages, records, folder, feed))
        end_session(port)
        with _folder() as folder, blasting(blast) as place:
            out.blast_bare.append(run_bare(place, messages, folder, _nothing))
        with _folder() as folder, blasting(blast) as place:
            out.blast_ingester.append(run_ingester(place, messages, records, folder, _nothing))
        with _folder() as folder:
            out.parquet_rows_s.append(raw_parquet(records, messages, folder))
    return out


@contextmanager
def _folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as name:
        yield Path(name)


def _nothing() -> None:
    """Feed nothing: the broker blasts by itself."""


def _median(outcomes: list[Outcome], name: str, count: int) -> float:
    seconds = [float(getattr(outcome, name)) for outcome in outcomes]
    return statistics.median(count / each for each in seconds)


def _row(name: str, readings_s: float, bare: float) -> None:
    print(f"  {name:<52}{readings_s:>14,.0f}{readings_s / bare:>9.2f}")


def show(records: int, messages: int, found: Results) -> None:
    """Print one case's table."""
    total = records * messages
    bare = _median(found.live_bare, "wall_s", total)
    blast = _median(found.blast_bare, "wall_s", total)
    raw = statistics.median(found.parquet_rows_s)
    print(f"\n{records} readings a message, {messages} messages, {REPEATS} repeats, medians")
    print(f"  {'':<52}{'readings/s':>14}{'ratio':>9}")
    _row("mosquitto: bare paho, QoS 1, counts only", bare, bare)
    _row("mosquitto: ingester, durable, acknowledged", _median(found.live_ingester, "wall_s", total), bare)
    _row("mosquitto: ingester, in Parquet", _median(found.live_ingester, "stored_s", total), bare)
    _row("blast: bare paho", blast, blast)
    _row("blast: ingester, durable, acknowledged", _median(found.blast_ingester, "wall_s", total), blast)
    stored = _median(found.blast_ingester, "stored_s", total)
    _row("blast: ingester, in Parquet", stored, blast)
    _row("raw pyarrow, default encoding, one file", raw, blast)
    print(f"  into Parquet at full blast by raw pyarrow: {stored / raw:.3f}")
    cpu = statistics.median(outcome.cpu_s for outcome in found.live_ingester) / messages * 1e6
    bare_cpu = statistics.median(outcome.cpu_s for outcome in found.live_bare) / messages * 1e6
    print(f"  receiver's CPU a message: {cpu:.1f} µs; bare paho's {bare_cpu:.1f} µs")
    for place, name in enumerate(("receiver", "archiver")):
        early = max(outcome.rss[place][0] for outcome in found.live_ingester) / MIB
        late = max(outcome.rss[place][1] for outcome in found.live_ingester) / MIB
        print(f"  {name}'s peak memory at a tenth {early:.0f} MiB, at the end {late:.0f} MiB")


def main() -> None:
    """Print throughput, memory and bytes a reading."""
    with tempfile.TemporaryDirectory() as folder:
        broker = Broker(Path(folder), CONF)
        broker.start()
        try:
            for records, messages in CASES:
                show(records, messages, measure(records, messages, broker.port))
        finally:
            broker.kill()
    ingest_bytes.main()


if __name__ == "__main__":
    main()
