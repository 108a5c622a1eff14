"""The export by command: what it does without a trial, without readings, and with wrong words."""

from __future__ import annotations

import json
import re
import subprocess
import sys
import zipfile
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from analysis.cli_equivalence import read_margin, words
from analysis.equivalence.plots import plot_doses
from analysis.equivalence.treatments import compare
from dashboard.export.bundle import export_folder
from dashboard.export.order import read_formats
from dashboard.export.readings import resolution_s
from ingest.errors import UserError
from tests.dashboard.export.trial import (
    ROOT,
    Made,
)
from tests.support import trial_archive


@pytest.mark.slow
def test_export_without_a_trial_has_everything_else(tmp_path: Path) -> None:
    """An installation that describes no plots exports runs, estimates and readings, and empty tables of treatments."""
    trial_archive.make(tmp_path, 1)
    text = (tmp_path / "installation.toml").read_text("utf-8")
    plain = re.sub(r"(?ms)^\[(treatment|plot)\..*?(?=^\[(?!treatment|plot))", "", text)
    (tmp_path / "installation.toml").write_text(plain, "utf-8")
    done = subprocess.run(
        [
            *(sys.executable, "-m", "tricklebook", "export", "--formats", "csv", "--resolution", "10min"),
            *("--installation", tmp_path / "installation.toml", "--archive", tmp_path / "archive"),
            *("--out", tmp_path / "out.zip"),
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )

    assert "no trial is described" in done.stderr
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        assert len(archive.read("csv/doses.csv").splitlines()) == 1
        assert len(archive.read("csv/runs.csv").splitlines()) == 5
        assert not any(name.startswith("figures/") for name in archive.namelist())


def test_wrong_words_are_told(made: Made, tmp_path: Path) -> None:
    """Formats, resolutions and folders that will not do each say what was expected."""
    with pytest.raises(UserError, match=r"'parqet' is not known.*did you mean \"parquet\""):
        read_formats("csv,parqet")
    with pytest.raises(UserError, match="names none"):
        read_formats(" , ")
    with pytest.raises(UserError, match="expected a time"):
        resolution_s("often")
    with pytest.raises(UserError, match="divide a day"):
        resolution_s("7 min")
    with pytest.raises(UserError, match="divide a day"):
        resolution_s("0.5 s")
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "file").write_text("x")
    with pytest.raises(UserError, match="name a new folder"):
        export_folder(made.order, made.results, tmp_path / "full")


def test_period_without_readings_gives_empty_tables(made: Made, tmp_path: Path) -> None:
    """A month in which nothing was stored exports as tables with headings and no rows of runs or readings."""
    start, end = pd.Timestamp("2026-09-01T00:00Z"), pd.Timestamp("2026-09-03T00:00Z")
    order = replace(made.order, start=start, end=end)
    results = replace(made.results, start=start, end=end, runs=(), estimates=(), findings=())
    out = export_folder(order, results, tmp_path / "out")
    rows = {p.stem: len(pd.read_parquet(p)) for p in (out / "parquet").iterdir()}

    assert rows["readings"] == rows["runs"] == rows["doses"] == 0
    assert rows["plots"] == 5
    assert (out / "csv" / "readings.csv").read_text("utf-8").count("\n") == 1
    verdicts = pd.read_csv(out / "csv" / "equivalence.csv").verdict
    assert set(verdicts) == {"refused"}


def test_workbook_without_its_library_is_told(
    made: Made, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A program without XlsxWriter says what to install or to leave out, and leaves nothing behind."""
    monkeypatch.setitem(sys.modules, "xlsxwriter", None)
    with pytest.raises(UserError, match=r"install tricklebook\[export\], or name --formats csv,parquet"):
        export_folder(made.order, made.results, tmp_path / "out")

    assert list(tmp_path.iterdir()) == []


@pytest.mark.slow
def test_equivalence_command_tells_each_treatment(made: Made) -> None:
    """The command's JSON holds the verdicts; its words name difference, margin and what more runs would do."""
    command = [sys.executable, "-m", "tricklebook", "equivalence", "--installation", str(made.described)]
    command += ["--archive", str(made.archive), "--from", "2026-06-01", "--to", "2026-06-06"]
    command += ["--json", "--margin", "70 %"]
    found = json.loads(subprocess.run(command, cwd=ROOT, capture_output=True, check=True).stdout)
    doses = plot_doses(made.system, made.results.runs, made.results.estimates)
    told = words(made.system, compare(made.system, doses))

    assert {c["verdict"] for c in found if c["treatment"] == "rich" and c["against"] == "target"} == {
        "equivalent"
    }
    assert "full, N: equivalent. against its target" in told
    assert "unsteady, N: undecided." in told
    assert "would settle it" in told


def test_margin_of_the_command_is_read_with_its_unit() -> None:
    """A margin without a sign of its unit beyond one, or of nothing, is refused with what was expected."""
    assert read_margin("7.5 %") == pytest.approx(0.075)
    with pytest.raises(UserError, match="--margin '0 %': expected more than 0 %"):
        read_margin("0 %")
    with pytest.raises(UserError, match="--margin '10': expected more than 0 %"):
        read_margin("10")
    with pytest.raises(UserError, match="--margin 'ten'"):
        read_margin("ten")
