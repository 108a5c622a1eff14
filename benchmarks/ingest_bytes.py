"""Bytes a reading in the archive, for the garden of the demo at 10 s, beside other encodings of the same rows.

``python -m benchmarks.ingest_bytes``. Every reading goes the whole way: SenML as the devices send it live, one
pack a device every 10 s with its own time of receipt, journal, rounds, merge. The other encodings are those
that the archive's own was chosen from; values as scaled integers would be smaller, but then not every reader
would see what they mean.
"""

from __future__ import annotations

import io
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.archive import SCHEMA, read_file
from ingest.archive_info import info
from ingest.installation import Installation
from ingest.journal import JournalWriter
from ingest.load_installation import load
from ingest.rounds import Rounds
from ingest.tables import in_order
from ingest.upkeep import upkeep
from sample_data.folder import INSTALLATION
from sample_data.packs import packs
from sample_data.plant import build
from sample_data.schedule import Scenario, session

DAY_S = 86_400
HOUR_S = 3600
HOURS = 8
"""Hours of the day, with the morning's runs in them: each of their packs is a commit of its own."""

MOMENT_S = 10
DELAY_US = (20_000, 400_000)
"""Shortest and longest way of a pack from the device to the journal; an assumption. [µs]"""

_DELTA = {"time": "DELTA_BINARY_PACKED", "received": "DELTA_BINARY_PACKED"}
_DICTIONARY = ["sensor", "value", "quality"]
ENCODINGS: dict[str, dict[str, Any]] = {
    "pyarrow's defaults (snappy)": {},
    "zstd 3, defaults": {"compression": "zstd", "compression_level": 3},
    "zstd 3, times as differences, values split by byte": {
        "compression": "zstd",
        "compression_level": 3,
        "use_dictionary": ["sensor", "quality"],
        "column_encoding": {**_DELTA, "value": "BYTE_STREAM_SPLIT"},
    },
    **{
        f"zstd {level}, times as differences, values by dictionary": {
            "compression": "zstd",
            "compression_level": level,
            "use_dictionary": _DICTIONARY,
            "column_encoding": _DELTA,
        }
        for level in (1, 3, 9)
    },
}


def fill(folder: Path, installation: Installation) -> None:
    """Store some hours of a past day of the demo's garden, as they come live, and close the day."""
    end = int(time.time()) // DAY_S * DAY_S - DAY_S // 2
    plant = build(installation, Scenario(7, 2, (session(end),)), until=end + HOUR_S)
    chance = np.random.default_rng(7)
    rounds = Rounds(folder, installation)
    with JournalWriter(folder, "bench", installation.site) as journal:
        for begin in range(end - HOURS * HOUR_S, end, MOMENT_S):
            for pack in packs(plant, begin, begin + MOMENT_S):
                received = (begin + MOMENT_S) * 1_000_000 + int(chance.integers(*DELAY_US))
                journal.append([(pack.topic, pack.payload)], received_us=received)
            if (begin + MOMENT_S) % HOUR_S == 0:
                rounds.run()
    rounds.run()
    upkeep(folder, installation.site, everything=True, limit=1000)


def size(table: pa.Table, options: dict[str, Any]) -> int:
    """Return a file's length in an encoding. [bytes]"""
    sink = io.BytesIO()
    pq.write_table(table, sink, **options)
    return sink.tell()


def main() -> None:
    """Print bytes a reading, and the ratio to the smallest other encoding."""
    installation = load(INSTALLATION)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        fill(folder, installation)
        told = info(folder, installation.site)
        tables = [read_file(path) for path in sorted((folder / "readings").rglob("*.parquet"))]
        table = in_order(pa.concat_tables(tables)).cast(SCHEMA)
    print(
        f"\nbytes a reading: {told.readings} readings of {len(installation.sensor)} sensors, {HOURS} h at 10 s"
    )
    ours = told.bytes_a_reading
    print(f"  {'the archive, with its schema and units':<58}{ours:8.3f}")
    others = {text: size(table, options) / table.num_rows for text, options in ENCODINGS.items()}
    for text, other in others.items():
        print(f"  {text:<58}{other:8.3f}   archive / this: {ours / other:.2f}")
    print(f"  the archive by the smallest of these: {ours / min(others.values()):.2f}")


if __name__ == "__main__":
    main()
