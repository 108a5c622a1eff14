"""Every format has the same numbers, and they are those that were planted."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest

from dashboard.export.catalogue import READINGS, TABLES
from dashboard.export.columns import DIGITS, Column, Table, rounded, table_of
from dashboard.export.text_files import harmless, write_csv
from tests.dashboard.export.trial import (
    DAYS,
    Made,
    csv_of,
    parquet_of,
    plainly,
)


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_format_has_the_same_numbers(made: Made, sheets: dict[str, pd.DataFrame], table: Table) -> None:
    """CSV, Parquet and the workbook open in pandas with the same columns, rows, words and, to the last digit, numbers."""
    kinds = {c.name: c.kind for c in table.columns}
    one, two, three = csv_of(made, table.name), parquet_of(made, table.name), sheets[table.name]

    assert list(one) == list(two) == list(three) == list(kinds)
    assert len(one) == len(two) == len(three)
    for name, kind in kinds.items():
        if kind in ("number", "whole"):
            parquet = two[name].to_numpy(float)
            np.testing.assert_array_equal(one[name].to_numpy(float), parquet)
            np.testing.assert_array_equal(three[name].to_numpy(float), parquet)
        elif kind == "time":
            stored = pd.to_datetime(two[name], utc=True)
            assert (pd.to_datetime(one[name], utc=True) == stored).where(stored.notna(), other=True).all()
            sheet = pd.to_datetime(three[name], utc=True)
            assert (
                ((sheet - stored).abs() < pd.Timedelta(milliseconds=1))
                .where(stored.notna(), other=True)
                .all()
            )
        elif kind == "text":
            safe = [harmless(str(v)) if isinstance(v, str) else None for v in two[name]]
            assert [str(v) if pd.notna(v) else None for v in one[name]] == safe
            plain = [v if isinstance(v, str) else None for v in two[name]]
            assert [str(v) if pd.notna(v) else None for v in three[name]] == plain


def test_tables_that_matter_have_rows(made: Made) -> None:
    """The comparison of formats is no comparison of empty tables."""
    filled = {table.name for table in TABLES if len(parquet_of(made, table.name))}

    assert {"doses", "treatment_means", "equivalence", "runs", "estimates", "readings", "sensors"} <= filled


def test_doses_are_what_the_plots_were_given(made: Made) -> None:
    """Every run's nitrogen lies in its interval in 95 % of the runs or more, and the plots of a zone got the same."""
    doses = parquet_of(made, "doses").query("nutrient == 'N'")
    truth = {
        (g.zone, pd.Timestamp(g.start, unit="s", tz="UTC").round("10min")): g.nitrogen_g_m2
        for g in made.given
    }
    true = np.array(
        [truth[zone, at.round("10min")] for zone, at in zip(doses.zone, doses.run_start, strict=True)]
    )

    assert len(doses) == DAYS * 5
    assert ((doses.low <= true) & (true <= doses.high)).mean() >= 0.95
    assert doses.value.to_numpy(float) == pytest.approx(true, rel=0.02)
    pair = doses.pivot_table(index="run", columns="plot", values="value")[["p1", "p2"]].dropna()
    assert (pair.p1 == pair.p2).all()


def test_verdicts_are_those_that_were_planted(made: Made) -> None:
    """On target is equivalent, half as much again is different from target and neighbour, unsteady is undecided."""
    table = parquet_of(made, "equivalence").query("nutrient == 'N' and plot.isna()")
    verdicts = {(r.treatment, r.against): r.verdict for r in table.itertuples()}

    assert verdicts == {
        ("full", "target"): "equivalent",
        ("rich", "target"): "different",
        ("rich", "full"): "different",
        ("unsteady", "target"): "undecided",
    }
    undecided = table[table.verdict == "undecided"].iloc[0]
    assert undecided.more_runs > 0
    assert f"{undecided.more_runs:.0f} more runs" in undecided.words


def test_mean_keeps_what_meters_share(made: Made) -> None:
    """The shared part of a treatment's mean is as large as in one run; the part of each run alone is smaller."""
    means = parquet_of(made, "treatment_means").query("treatment == 'rich' and nutrient == 'N'").iloc[0]
    doses = parquet_of(made, "doses").query("treatment == 'rich' and nutrient == 'N'")

    assert means.shared_sd / means["mean"] == pytest.approx(doses.shared_sd.mean(), rel=0.02)
    assert means.random_sd / means["mean"] == pytest.approx(doses.random_sd.mean() / np.sqrt(DAYS), rel=0.05)
    assert means.runs == DAYS


def test_libreoffice_shows_the_same_numbers(made: Made, tmp_path: Path) -> None:
    """LibreOffice opens the workbook; each number of each sheet is the one in Parquet, to the nine digits that it prints."""
    office = shutil.which("soffice")
    if office is None:
        pytest.skip("LibreOffice (soffice) is not installed on this machine")
    every_sheet = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"
    subprocess.run(
        [
            office,
            "--headless",
            f"-env:UserInstallation={(tmp_path / 'profile').as_uri()}",
            "--convert-to",
            every_sheet,
            "--outdir",
            tmp_path,
            made.out / "export.xlsx",
        ],
        check=True,
        capture_output=True,
        timeout=240,
    )
    for table in TABLES:
        shown = pd.read_csv(tmp_path / f"export-{table.name}.csv", **plainly(table.name))
        stored = parquet_of(made, table.name)
        assert len(shown) == len(stored), table.name
        for column in table.columns:
            if column.kind in ("number", "whole"):
                np.testing.assert_allclose(
                    shown[column.name].to_numpy(float),
                    stored[column.name].to_numpy(float),
                    rtol=5e-9,
                    atol=0.0,
                )


def test_numbers_are_rounded_alike_one_by_one_and_in_bulk() -> None:
    """Twelve digits stay, whatever the size, and the two ways of rounding never differ."""
    rng = np.random.default_rng(4)
    values = rng.normal(size=20_000) * 10.0 ** rng.integers(-7, 11, 20_000)
    alone = np.array([float(f"{v:.{DIGITS}g}") for v in values])

    np.testing.assert_array_equal(rounded(values), alone)
    assert rounded([0.0, 1e-20, 3e15, np.inf])[:3].tolist() == [0.0, 1e-20, 3e15]


def test_missing_cells_stay_empty(tmp_path: Path) -> None:
    """A cell without a value is empty in CSV and null in Parquet, whatever its kind."""
    kinds = ("text", "number", "whole", "yes or no", "time", "day")
    table = Table("t", "a row", tuple(Column(kind, kind, "m") for kind in kinds))  # type: ignore[arg-type] # the kinds are right
    batch = table_of(table, [{}, {"number": float("nan"), "text": ""}])
    write_csv(tmp_path / "t.csv", table, [batch])

    assert batch.to_pylist() == [dict.fromkeys(kinds)] * 2
    assert (tmp_path / "t.csv").read_text().splitlines()[1:] == [",,,,,", ",,,,,"]
    assert isinstance(READINGS.schema, pa.Schema)
