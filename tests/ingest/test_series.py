"""Series are the readings of the table, read another way; a file's row groups part them so that few are decoded."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import archive as parquet
from ingest.series import read_series
from ingest.store import latest, read_readings
from ingest.upkeep import upkeep
from tests.support.archives import NOON, SITE, pack, parts, small_installation, store, write

if TYPE_CHECKING:
    from pathlib import Path

    from _pytest.tmpdir import TempPathFactory

BATCH = st.lists(
    st.tuples(st.sampled_from(["ec", "flow"]), st.integers(-100_000, 100_000), st.integers(0, 3)), max_size=6
)


def same(archive: Path, sensors: list[str], first_s: int, after_s: int) -> None:
    """Check the series of a stretch [s after noon] against the table of it."""
    start, end = ((NOON + second) * 1_000_000 for second in (first_s, after_s))
    found = read_series(archive, small_installation(), sensors, start, end)
    span = (pd.Timestamp(at, unit="us", tz="UTC") for at in (start, end))
    table = read_readings(archive, small_installation(), sensors=sensors, start=next(span), end=next(span))

    assert set(found) == set(table["sensor"].astype(str))
    for name, series in found.items():
        rows = table[table["sensor"] == name]
        assert series.time.tolist() == rows["time"].astype("int64").tolist()
        assert series.value.tolist() == rows["value"].tolist()
        assert series.quality.tolist() == rows["quality"].tolist()
        kinds = [str(column.dtype) for column in (series.time, series.value, series.quality)]
        assert kinds == ["int64", "float64", "int8"]


@settings(max_examples=25, deadline=None)
@given(
    st.lists(BATCH, min_size=1, max_size=8),
    st.lists(st.sampled_from(["archive", "merge", "nothing"]), min_size=8, max_size=8),
    st.lists(st.sampled_from(["ec", "flow"]), unique=True, min_size=1),
    st.tuples(st.integers(-110_000, 110_000), st.integers(1, 220_000)),
)
def test_series_are_the_readings_of_the_table(
    tmp_path_factory: TempPathFactory,
    batches: list[list[tuple[str, int, int]]],
    steps: list[str],
    sensors: list[str],
    stretch: tuple[int, int],
) -> None:
    """Late, doubled and out-of-order readings, archived, merged or in the journal: both ways read the same."""
    archive = tmp_path_factory.mktemp("archive")
    for batch, step in zip(batches, steps, strict=False):
        message = pack(*((sensor, NOON + second, float(value)) for sensor, second, value in batch))
        (write if step == "nothing" else store)(archive, [message])
        if step == "merge":
            upkeep(archive, SITE, everything=True, limit=10)

    same(archive, sensors, stretch[0], stretch[0] + stretch[1])
    same(archive, ["ec", "flow"], -110_000, 110_000)


def day(counts: dict[str, int], flagged: tuple[str, ...] = ()) -> pa.Table:
    """Return a day's table: so many readings of each sensor, a second apart; of some every seventh is suspect."""
    names = sorted(counts)
    times = np.concatenate([np.arange(counts[name]) for name in names]) + (NOON - 43_200)
    quality = [np.where((np.arange(counts[n]) % 7 == 0) & (n in flagged), 3, 1) for n in names]
    codes = np.repeat(np.arange(len(names), dtype=np.int32), [counts[name] for name in names])
    at = pa.array(times * 1_000_000, parquet.TIME)
    columns = [
        at,
        pa.DictionaryArray.from_arrays(pa.array(codes), pa.array(names, pa.string())),
        pa.array(np.sin(times / 900.0)),
        pa.array(np.concatenate(quality).astype(np.int8)),
        at,
    ]
    return pa.Table.from_arrays(columns, schema=parquet.SCHEMA)


def groups(data: bytes) -> list[tuple[str, str, int]]:
    """Return the first and the last sensor of each row group of a file, and its rows."""
    found = pq.read_metadata(io.BytesIO(data))
    every = [found.row_group(n) for n in range(found.num_row_groups)]
    limits = [group.column(1).statistics for group in every]
    return [(s.min, s.max, group.num_rows) for s, group in zip(limits, every, strict=True)]


def test_row_group_holds_one_sensor_where_it_has_enough() -> None:
    """A sensor of ten seconds has a row group, one of a second some of like size, and few readings share one."""
    made = groups(parquet.encode(day({"a": 8640, "b": 86_400, "c": 300, "d": 86_400}), "readings"))

    assert made[0] == ("a", "a", 8640)
    assert made[1:4] == [("b", "b", 28_800)] * 3
    assert [(first, last) for first, last, _ in made[4:]] == [("c", "d")] + [("d", "d")] * 2
    assert groups(parquet.encode(day({"a": 6, "b": 6}), "readings")) == [("a", "b", 12)]
    assert parquet.encode(day({"a": 0}), "readings")


@pytest.mark.parametrize("whole", [True, False])
def test_files_are_read_alike_however_their_row_groups_lie(tmp_path: Path, *, whole: bool) -> None:
    """A file of one row group, as older archives have it, and one of many give the table's readings."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    table = day({"ec": 40_000, "flow": 9_000}, flagged=("flow",))
    path = parts(tmp_path)[0]
    if whole:
        pq.write_table(table, path, row_group_size=table.num_rows)
    else:
        path.write_bytes(parquet.encode(table, "readings"))

    assert pq.read_metadata(path).num_row_groups == (1 if whole else 3)
    for stretch in (
        (-43_200, 43_200),
        (-40_000, -39_000),
        (-20_000, 0),
        (-36_000, -30_000),
        (10_000, 20_000),
    ):
        same(tmp_path, ["ec", "flow"], *stretch)
        same(tmp_path, ["flow"], *stretch)


def test_newest_reading_is_found_whatever_row_group_it_stands_in(tmp_path: Path) -> None:
    """A sensor with row groups of its own, one that shares some with another, and one with few readings."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    parts(tmp_path)[0].write_bytes(
        parquet.encode(day({"a": 70_000, "c": 3, "d": 40_000, "e": 7}), "readings")
    )

    found = latest(tmp_path, small_installation())

    assert (found["time"].astype("int64") // 1_000_000 - (NOON - 43_200)).tolist() == [69_999, 2, 39_999, 6]


def test_damaged_file_is_named(tmp_path: Path) -> None:
    """A file that cannot be read is an error that names it, never a silent hole."""
    store(tmp_path, [pack(("ec", NOON, 1.0))])
    path = parts(tmp_path)[0]
    path.write_bytes(path.read_bytes()[:-20])

    with pytest.raises(
        parquet.DamagedFileError, match=r"part-0000000000.parquet is damaged .* archive verify"
    ):
        read_series(tmp_path, small_installation(), ["ec"], 0, 2 * NOON * 1_000_000)
