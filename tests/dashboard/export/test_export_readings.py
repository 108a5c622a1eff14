"""Readings are exported as archive and flags have them, a day at a time."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from analysis.flagged import flagged_days
from analysis.quality.outcomes import WORDS
from dashboard.export import workbook
from dashboard.export.bundle import export_folder
from dashboard.export.readings import bucketed, reading_batches
from ingest import upkeep
from ingest.readings import Quality
from ingest.store import read_readings
from tests.dashboard.export.trial import (
    Made,
    parquet_of,
)


def test_readings_are_summed_up_as_archive_and_flags_have_them(made: Made) -> None:
    """Each bucket's numbers are those of the archive's readings without the flagged ones; its counts are those of all."""
    frame = read_readings(made.archive, made.system, start=made.order.start, end=made.order.end)
    frame["bucket"] = frame["time"].dt.floor("10min")
    every = frame.groupby(["sensor", "bucket"], observed=True)
    flagged = parquet_of(made, "flagged")
    out = pd.MultiIndex.from_frame(flagged.loc[flagged["quality"] >= 3, ["sensor", "time"]])
    good = frame[~pd.MultiIndex.from_frame(frame[["sensor", "time"]].astype({"sensor": str})).isin(out)]
    value = good.groupby(["sensor", "bucket"], observed=True)["value"]
    table = parquet_of(made, "readings").set_index(["sensor", "time"]).sort_index()

    assert len(table) == every.ngroups
    wanted = pd.DataFrame(
        {"mean": value.mean(), "min": value.min(), "max": value.max(), "last": value.last()}
    )
    wanted = wanted.rename_axis(index={"bucket": "time"}).reindex(table.index)
    for name in ("mean", "min", "max", "last"):
        np.testing.assert_allclose(table[name].to_numpy(float), wanted[name].to_numpy(float), rtol=1e-11)
    assert table.n.sum() + table.n_flagged.sum() == len(frame)
    assert table.n_flagged.sum() == len(out) >= (frame["quality"] >= 3).sum() > 0
    assert set(table["quality"]) <= {Quality.GOOD, Quality.NOT_EVALUATED, Quality.SUSPECT, Quality.BAD}


def test_every_flagged_reading_stands_with_its_test_and_its_status(made: Made) -> None:
    """The table of flagged readings has each once, its value as stored, its test, and provisional while its day is open."""
    flagged = parquet_of(made, "flagged")
    days = list(flagged_days(made.archive, made.system, made.order.start, made.order.end))
    every = pd.concat([day.readings for day in days])
    every = every[(every["time"] >= made.order.start) & (every["time"] < made.order.end)]

    assert len(flagged) == (every["flag"] != Quality.GOOD).sum()
    assert not flagged.duplicated(["sensor", "time"]).any()
    assert set(flagged["test"]) <= set(WORDS.values()) - {"passed"}
    assert set(flagged["status"]) == set(parquet_of(made, "readings")["status"]) == {"provisional"}


def test_closed_days_are_exported_as_final(made: Made, tmp_path: Path) -> None:
    """Once the days have manifests the same readings come as final, and none waits for a neighbour any more."""
    archive = tmp_path / "archive"
    shutil.copytree(made.archive, archive)
    upkeep.upkeep(archive, made.system.site, everything=True, limit=100)
    out = export_folder(
        replace(made.order, archive=archive, formats=("parquet",)), made.results, tmp_path / "out"
    )
    readings, flagged = (
        pd.read_parquet(out / "parquet" / f"{name}.parquet") for name in ("readings", "flagged")
    )

    assert set(readings["status"]) == {"final"}
    assert set(flagged["quality"]) <= {Quality.SUSPECT, Quality.BAD, Quality.MISSING}
    assert readings.n.sum() == parquet_of(made, "readings").n.sum()


def test_readings_come_a_day_at_a_time(made: Made) -> None:
    """Buckets of the days together are the same as those of all readings at once, and each day's flagged ones are handed on."""
    days = list(flagged_days(made.archive, made.system, made.order.start, made.order.end))
    kept: list[pa.Table] = []
    parts = list(reading_batches(made.system, days, made.order.start, made.order.end, 600, kept.append))
    every = pd.concat([day.readings for day in days])
    every = every[(every["time"] >= made.order.start) & (every["time"] < made.order.end)]
    every["sensor"] = every["sensor"].astype("category")
    whole = bucketed(made.system, every, 600, "provisional")

    assert len(parts) == len(kept) == len(days)
    assert sum(part.num_rows for part in parts) == whole.num_rows


def test_bucket_without_a_good_reading_has_no_numbers(made: Made) -> None:
    """Where every reading is flagged there is no mean, and the worst flag is told."""
    frame = pd.DataFrame(
        {
            "time": pd.to_datetime(["2026-06-01T00:00:05Z", "2026-06-01T00:00:10Z", "2026-06-01T00:01:00Z"]),
            "sensor": pd.Categorical(["feed_ec"] * 3),
            "value": [1.0, 2.0, 3.0],
            "flag": np.array([3, 4, 1], np.int8),
        }
    )
    rows = bucketed(made.system, frame, 60, "final").to_pylist()

    assert [(r["mean"], r["n"], r["n_flagged"], r["quality"], r["status"]) for r in rows] == [
        (None, 0, 2, 4, "final"),
        (3.0, 1, 0, 1, "final"),
    ]
    assert bucketed(made.system, frame[:0], 60, "final").num_rows == 0


def test_sheet_that_cannot_hold_the_readings_says_where_they_are(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Beyond the rows of a sheet the workbook has one line that names the files, and the files have every row."""
    monkeypatch.setattr("dashboard.export.bundle.MOST_ROWS", 100)
    out = export_folder(made.order, made.results, tmp_path / "out")
    shown = pd.read_excel(out / "export.xlsx", sheet_name="readings")

    assert len(shown) == 1
    assert "they are in csv/readings.csv and parquet/readings.parquet" in str(shown.iloc[0, 0])
    assert len(pd.read_parquet(out / "parquet" / "readings.parquet")) > 100
    assert workbook.MOST_ROWS == 2**20 - 1
