"""Readers see archive and journal as one table, each reading once."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pandas as pd
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import archive as parquet
from ingest.store import first_time, latest, read_readings
from ingest.upkeep import upkeep
from tests.support.archives import DAY_S, NOON, SITE, pack, parts, small_installation, store, write

if TYPE_CHECKING:
    from pathlib import Path

    from _pytest.tmpdir import TempPathFactory


def keys(readings: pd.DataFrame) -> list[tuple[str, float, float]]:
    """Return sensor, seconds after noon, and value of each reading."""
    seconds = readings["time"].astype("int64") / 1e6 - NOON
    return list(zip(readings["sensor"].astype(str), seconds, readings["value"], strict=True))


def test_nothing_is_an_empty_table(tmp_path: Path) -> None:
    """An archive that does not exist yet has no readings and the usual columns."""
    readings = read_readings(tmp_path / "none", small_installation())

    assert list(readings.columns) == ["time", "sensor", "value", "quality", "received"]
    assert readings.empty
    assert latest(tmp_path / "none", small_installation()).empty


def test_journal_is_seen_before_it_is_archived(tmp_path: Path) -> None:
    """A reading is there as soon as it is durable, with its time of receipt."""
    write(tmp_path, [pack(("flow", NOON, 100.0), ("ec", NOON, 1.5))], received_s=NOON + 7)

    readings = read_readings(tmp_path, small_installation())

    assert keys(readings) == [("ec", 0, 1.5), ("flow", 0, 100.0)]
    assert set(readings["received"]) == {pd.Timestamp(NOON + 7, unit="s", tz="UTC")}
    assert readings["time"].dt.tz is not None


def test_archive_and_journal_are_one(tmp_path: Path) -> None:
    """What is archived and what is not come sorted by sensor and time; the archived one of two stays."""
    store(tmp_path, [pack(("ec", NOON, 1.0), ("ec", NOON + 20, 3.0))])
    write(tmp_path, [pack(("ec", NOON + 10, 2.0), ("ec", NOON + 20, 9.0), ("flow", NOON - 5, 7.0))])

    readings = read_readings(tmp_path, small_installation())

    assert keys(readings) == [("ec", 0, 1.0), ("ec", 10, 2.0), ("ec", 20, 3.0), ("flow", -5, 7.0)]


def test_sensors_and_period_are_those_asked_for(tmp_path: Path) -> None:
    """The start belongs to the period and the end does not, in files and in the journal."""
    rows = [("ec", NOON + second, float(second)) for second in range(0, 40, 10)]
    store(tmp_path, [pack(*rows), pack(("flow", NOON, 5.0)), pack(("ec", NOON + 3 * DAY_S, 1.0))])
    write(tmp_path, [pack(("ec", NOON + 15, 15.0), ("ec", NOON + 30.5, 30.5), ("flow", NOON + 15, 5.0))])

    readings = read_readings(
        tmp_path,
        small_installation(),
        sensors=["ec"],
        start=datetime.fromtimestamp(NOON + 10, UTC),
        end=datetime.fromtimestamp(NOON + 30, UTC),
    )

    assert keys(readings) == [("ec", 10, 10.0), ("ec", 15, 15.0), ("ec", 20, 20.0)]


def test_instant_without_zone_is_refused(tmp_path: Path) -> None:
    """A time without a zone could be any of many."""
    with pytest.raises(ValueError, match="has no time zone"):
        read_readings(tmp_path, small_installation(), start=datetime(2024, 1, 1))  # noqa: DTZ001 - the claim


def test_latest_is_the_newest_of_each_sensor(tmp_path: Path) -> None:
    """The newest reading of a sensor is found in the journal, in today's files or in those of other days."""
    store(tmp_path, [pack(("ec", NOON, 1.0), ("flow", NOON, 7.0)), pack(("ec", NOON + 2 * DAY_S, 2.0))])

    assert keys(latest(tmp_path, small_installation())) == [("ec", 2 * DAY_S, 2.0), ("flow", 0, 7.0)]

    write(tmp_path, [pack(("flow", NOON + 3 * DAY_S, 8.0))])

    assert keys(latest(tmp_path, small_installation())) == [("ec", 2 * DAY_S, 2.0), ("flow", 3 * DAY_S, 8.0)]


def test_first_time_is_that_of_the_oldest_reading(tmp_path: Path) -> None:
    """The oldest reading is found in the first day's files or in the journal; where there is none, there is no time."""
    system = small_installation()
    assert first_time(tmp_path, system) is None

    write(tmp_path, [pack(("flow", NOON + 60, 8.0))])
    assert first_time(tmp_path, system) == pd.Timestamp(NOON + 60, unit="s", tz="UTC")

    store(tmp_path, [pack(("ec", NOON + DAY_S, 2.0)), pack(("ec", NOON + 5, 1.0), ("flow", NOON + 9, 7.0))])
    assert first_time(tmp_path, system) == pd.Timestamp(NOON + 5, unit="s", tz="UTC")

    write(tmp_path, [pack(("flow", NOON - DAY_S, 8.0))])
    assert first_time(tmp_path, system) == pd.Timestamp(NOON - DAY_S, unit="s", tz="UTC")


def test_any_parquet_reader_opens_it(tmp_path: Path) -> None:
    """Pandas opens the folder with no help: columns, types, hive partitions, order within each file."""
    store(tmp_path, [pack(("flow", NOON + 10, 2.0), ("ec", NOON + 5, 1.0), ("ec", NOON, 0.5))])

    frame = pd.read_parquet(tmp_path / "readings")

    assert list(frame["sensor"]) == ["ec", "ec", "flow"]
    assert list(frame["value"]) == [0.5, 1.0, 2.0]
    assert {name: str(kind) for name, kind in frame.dtypes.items()} == {
        "time": "datetime64[us, UTC]",
        "sensor": "category",
        "value": "float64",
        "quality": "int8",
        "received": "datetime64[us, UTC]",
        "site": "category",
        "date": "category",
    }
    assert set(frame["site"]) == {SITE}
    assert set(frame["date"]) == {"2024-03-04"}


def test_schema_says_quantity_and_unit(tmp_path: Path) -> None:
    """A file by itself says what each sensor measures and in which unit, as a UCUM code."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])

    told = json.loads(pq.read_schema(parts(tmp_path)[0]).metadata[parquet.METADATA])

    assert told["sensors"]["ec"] == {"quantity": "conductivity", "unit": "mS/cm"}
    assert told["sensors"]["flow"] == {"quantity": "flow", "unit": "L/h"}


def test_same_rows_are_the_same_bytes(tmp_path: Path) -> None:
    """A round that is done again writes the same file, byte for byte."""
    for name in ("one", "other"):
        store(tmp_path / name, [pack(("ec", NOON, 1.0), ("flow", NOON, 2.0))], received_s=NOON)

    assert parts(tmp_path / "one")[0].read_bytes() == parts(tmp_path / "other")[0].read_bytes()


def test_damaged_file_is_named(tmp_path: Path) -> None:
    """A file that cannot be read is an error that names it, never a silent hole."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    path = parts(tmp_path)[0]
    path.write_bytes(path.read_bytes()[:-20])

    with pytest.raises(
        parquet.DamagedFileError, match=r"part-0000000000.parquet is damaged .* archive verify"
    ):
        read_readings(tmp_path, small_installation())


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.lists(
            st.tuples(st.sampled_from(["ec", "flow"]), st.integers(-100_000, 100_000), st.integers(0, 3)),
            max_size=6,
        ),
        min_size=1,
        max_size=8,
    ),
    st.lists(st.sampled_from(["archive", "merge", "nothing"]), min_size=8, max_size=8),
)
def test_first_value_of_an_instant_stays_whatever_is_archived_when(
    tmp_path_factory: TempPathFactory, batches: list[list[tuple[str, int, int]]], steps: list[str]
) -> None:
    """Duplicates, late and out-of-order readings: the table is the first value of each sensor and instant."""
    archive = tmp_path_factory.mktemp("archive")
    first: dict[tuple[str, int], float] = {}

    for batch, step in zip(batches, steps, strict=False):
        for sensor, second, value in batch:
            first.setdefault((sensor, second), float(value))
        message = pack(*((sensor, NOON + second, float(value)) for sensor, second, value in batch))
        (write if step == "nothing" else store)(archive, [message])
        if step == "merge":
            upkeep(archive, SITE, everything=True, limit=10)

    expected = sorted((sensor, second, value) for (sensor, second), value in first.items())
    assert keys(read_readings(archive, small_installation())) == expected
