"""Summaries say what the readings say, at every range, however the archive changes."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.feed import ArchiveFeed
from dashboard.keeper import DAY, Keeper
from dashboard.readings import raw_windows
from dashboard.rollup_files import RollupFiles
from dashboard.rollups import TIERS, joined, rolled, tier_for
from dashboard.windows import SECOND, STEPS, Readings, readings, window
from ingest.installation import Installation
from ingest.series import Series
from ingest.store import read_readings
from tests.dashboard import field

NOW = pd.Timestamp("2026-11-25T09:17:23Z")
START = NOW - pd.Timedelta(days=27)


def noisy(start_s: float, end_s: float, every_s: float, seed: int) -> pd.DataFrame:
    """Return rough readings of two sensors, with holes and one-sample spikes."""
    rng = np.random.default_rng(seed)
    times = np.arange(start_s, end_s, every_s)
    times = times[(rng.random(len(times)) > 0.1) & ((times // 86400) % 7 != 3)]
    stamps = pd.to_datetime((times * 1e6).astype(np.int64), unit="us", utc=True).as_unit("us")
    parts = []
    for name in ("head_flow", "feed_ec"):
        value = rng.normal(size=len(times)) + 50.0 * (rng.random(len(times)) > 0.9995)
        quality = np.where(rng.random(len(times)) > 0.99, 3, 1).astype(np.int8)
        columns = {"time": stamps, "sensor": name, "value": value, "quality": quality, "received": stamps}
        parts.append(pd.DataFrame(columns))
    return pd.concat(parts, ignore_index=True)


@pytest.fixture
def archive(tmp_path: Path, installation: Installation) -> Path:
    """Write four weeks of rough readings of two sensors, two minutes apart, over the end of a month."""
    field.write(tmp_path, installation, noisy(START.timestamp(), NOW.timestamp(), 121.0, 1), 1)
    return tmp_path


@pytest.fixture
def keeper(archive: Path, installation: Installation) -> Keeper:
    """Return a keeper that has summed up all."""
    made = Keeper(archive, ArchiveFeed(archive, installation), lambda: NOW)
    made.keep()
    return made


def same(keeper: Keeper, start: float, end: float, width: int) -> None:
    """Check a window from summaries against the one from readings. [s before now]"""
    a, b = (int((NOW.timestamp() - t) * SECOND) for t in (start, end))
    names = ["head_flow", "feed_ec", "bench1_valve"]

    summed, raw = keeper.windows(names, a, b, width), raw_windows(keeper.feed, names, a, b, width)

    for name in names:
        assert np.array_equal(summed[name].index, raw[name].index)
        assert np.array_equal(summed[name].low, raw[name].low)
        assert np.array_equal(summed[name].high, raw[name].high)
        assert np.array_equal(summed[name].count, raw[name].count)
        assert np.array_equal(summed[name].flagged, raw[name].flagged)
        assert summed[name].mean == pytest.approx(raw[name].mean, rel=1e-9, abs=1e-9)


def test_windows_from_summaries_equal_those_from_readings(keeper: Keeper) -> None:
    """Least, greatest, count and flags are exact at every range and width, up to the last reading."""
    for span in (600.0, 7200.0, 86400.0, 5 * 86400.0, 23 * 86400.0):
        for width in (7, 100, 1000):
            same(keeper, span, 0, width)
            same(keeper, span + 3 * 86400.0 + 1234.5, 3 * 86400.0, width)


@pytest.mark.parametrize("span_s", [60.0, 3600.0, 7200.0, 6 * 3600.0, 5 * 86400.0])
def test_windows_equal_what_pandas_sums_up(
    keeper: Keeper, archive: Path, installation: Installation, span_s: float
) -> None:
    """Least, greatest, count and flags of each bucket are those of the readings that fall in it; the mean within 2e-6."""
    for back_s in (0.0, 2.3 * 86400, 9.9 * 86400):
        end = int((NOW.timestamp() - back_s) * SECOND)
        drawn = keeper.windows(["head_flow"], end - int(span_s * SECOND), end, 1000)["head_flow"]
        edge = -(-end // drawn.step) * drawn.step
        ends = (pd.Timestamp(at, unit="us", tz="UTC") for at in (drawn.start, edge))
        rows = read_readings(archive, installation, sensors=["head_flow"], start=next(ends), end=next(ends))
        bucket = (rows["time"].astype("int64") - drawn.start) // drawn.step
        want = rows.assign(bad=rows["quality"] > 2).groupby(bucket.to_numpy())

        assert drawn.index.tolist() == list(want.groups)
        assert drawn.low.tolist() == want["value"].min().tolist()
        assert drawn.high.tolist() == want["value"].max().tolist()
        assert drawn.count.tolist() == want["value"].count().tolist()
        assert drawn.flagged.tolist() == want["bad"].sum().tolist()
        assert drawn.mean == pytest.approx(want["value"].mean().to_numpy(), rel=2e-6, abs=2e-6)


def test_late_readings_change_the_summaries(
    keeper: Keeper, archive: Path, installation: Installation
) -> None:
    """A spike that comes in ten days late stands in every range that holds its day."""
    time = [(NOW - pd.Timedelta(days=10)).as_unit("us")]
    columns = {"time": time, "sensor": "head_flow", "value": 999.0, "quality": np.int8(1), "received": time}
    late = pd.DataFrame(columns)
    field.write(archive, installation, late, 2)

    keeper.keep()

    same(keeper, 26 * 86400.0, 0, 1000)
    ends = (int((NOW.timestamp() - t) * SECOND) for t in (26 * 86400, 0))
    whole = keeper.windows(["head_flow"], next(ends), next(ends), 1000)
    assert whole["head_flow"].high.max() == 999.0


def test_pruned_days_leave_the_summaries(keeper: Keeper, archive: Path) -> None:
    """A day whose files are gone is gone from the summaries too."""
    day = (NOW - pd.Timedelta(days=20)).strftime("%Y-%m-%d")
    (folder,) = archive.glob(f"readings/site=*/date={day}")
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()

    keeper.keep()

    same(keeper, 26 * 86400.0, 0, 1000)


def test_torn_file_is_made_again(keeper: Keeper, archive: Path, installation: Installation) -> None:
    """Summaries that cannot be read are left out, not believed; made anew they are whole."""
    for path in archive.glob("rollups/site=*/step=*/*.parquet"):
        path.write_bytes(path.read_bytes()[:100])
    (archive / "rollups" / f"site={installation.site}" / "days.json").write_text("{")

    mended = Keeper(archive, ArchiveFeed(archive, installation), lambda: NOW)
    mended.keep()

    same(mended, 26 * 86400.0, 0, 1000)
    assert keeper.pending == frozenset()


def test_second_round_reads_nothing_twice(keeper: Keeper, monkeypatch: pytest.MonkeyPatch) -> None:
    """A round without changes sums up the open day only."""
    asked: list[int] = []
    read = keeper._day  # noqa: SLF001 - counts the days that are read

    def counting(day: int) -> dict[str, Readings]:
        asked.append(day)
        return read(day)

    monkeypatch.setattr(keeper, "_day", counting)

    keeper.keep()

    assert asked == [int(NOW.timestamp()) // 86400]


def test_summaries_survive_a_restart(keeper: Keeper, archive: Path, installation: Installation) -> None:
    """A new keeper takes over what the one before has made."""
    again = Keeper(archive, ArchiveFeed(archive, installation), lambda: NOW)
    same(again, 26 * 86400.0, 86400.0, 500)

    assert again.pending == keeper.pending == frozenset()


def test_what_is_not_summed_up_is_not_read_at_large(archive: Path, installation: Installation) -> None:
    """Before any summary is made, a long window stays blank except its last days; none of it is read raw."""

    class Counting(ArchiveFeed):
        """Notes how much is read."""

        def series(self, sensors: Sequence[str], start: int, end: int) -> dict[str, Series]:
            """Read, and note how long a stretch."""
            spans.append(end - start)
            return super().series(sensors, start, end)

    spans: list[int] = []
    fresh = Keeper(archive, Counting(archive, installation), lambda: NOW)
    fresh._pending = frozenset(range(int(START.timestamp()) // 86400, int(NOW.timestamp()) // 86400))  # noqa: SLF001 - as while the first round runs

    fresh.windows(["head_flow"], int(START.timestamp() * SECOND), int(NOW.timestamp() * SECOND), 1000)

    assert 0 < sum(spans) <= 3 * DAY


@given(
    st.lists(st.tuples(st.integers(0, 3 * 86400), st.floats(-1e3, 1e3)), min_size=1, max_size=100),
    st.sampled_from([step for step in STEPS if tier_for(step)]),
)
def test_summing_up_twice_is_summing_up_once(rows: list[tuple[int, float]], step: int) -> None:
    """A bucket made from summaries has the least, greatest and count of one made from readings."""
    made = dict(rows)
    time = np.array(sorted(made), np.int64) * SECOND
    data = readings(time, np.array([made[t // SECOND] for t in time.tolist()]))
    tier = tier_for(step)
    assert tier is not None

    once = window(data, start=0, end=4 * DAY, step=step)
    twice = window(rolled(rolled(data, TIERS[0]), tier), start=0, end=4 * DAY, step=step)

    assert np.array_equal(once.low, twice.low)
    assert np.array_equal(once.high, twice.high)
    assert np.array_equal(once.count, twice.count)
    assert once.mean == pytest.approx(twice.mean, rel=1e-9, abs=1e-9)


def test_files_open_in_pandas(keeper: Keeper, archive: Path) -> None:
    """Summaries are plain Parquet: pandas opens them without this program."""
    path = next(archive.glob("rollups/site=*/step=3600/*.parquet"))
    frame = pd.read_parquet(path)

    assert {"sensor", "time", "low", "high", "total", "count", "flagged"} == set(frame.columns)
    assert str(frame["time"].dtype) == "datetime64[us, UTC]"
    assert keeper.pending == frozenset()


def test_read_of_an_empty_folder_is_empty(tmp_path: Path) -> None:
    """Where there are no summaries, there is nothing, and no error."""
    found = RollupFiles(tmp_path / "none").read(["a"], TIERS[0], 0, DAY)

    assert len(found["a"].time) == 0


def test_joined_of_nothing_is_nothing() -> None:
    """No stretches make no rows."""
    assert isinstance(joined([]), Readings)
    assert len(joined([]).time) == 0
