"""``tricklebook load``: files into the archive, once, with bad rows in the quarantine."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from ingest.load_installation import load
from ingest.store import read_readings
from tests.support.bench import TEXT

ROOT = Path(__file__).parents[2]

WIDE = """\
time;flow;plain (kPa);Rain
2026-05-01 06:00;500,5;240;0
2026-05-01 06:10;;241;0
2026-05-01 26:00;1;1;0
2026-05-01 06:20;oops;242;0
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Return a folder with an installation and a wide file of three good pressures, one good flow, two faults."""
    (tmp_path / "installation.toml").write_text(TEXT, "utf-8")
    (tmp_path / "wide.csv").write_text(WIDE, "utf-8")
    return tmp_path


def _load(folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a folder."""
    command = [sys.executable, "-m", "tricklebook", "load", *arguments]
    where = ["--installation", "installation.toml", "--archive", "archive"]
    environment = {"PYTHONPATH": str(ROOT), "PATH": "/usr/bin:/bin", "COLUMNS": "200"}
    return subprocess.run(
        [*command, *where], cwd=folder, env=environment, capture_output=True, text=True, check=False
    )


def _stored(folder: Path) -> pd.DataFrame:
    """Return what the archive holds."""
    return read_readings(folder / "archive", load(folder / "installation.toml"))


def _quarantine(folder: Path) -> pd.DataFrame:
    """Return what the quarantine holds, by detail."""
    parts = (folder / "archive" / "quarantine").rglob("*.parquet")
    return pd.concat([pd.read_parquet(part) for part in parts]).sort_values("detail")


def test_file_is_loaded_and_its_bad_rows_told(folder: Path) -> None:
    """Good cells are in the archive in stored units and UTC; bad rows are told, counted and quarantined."""
    done = _load(folder, "wide.csv", "--timezone", "Europe/Lisbon")

    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout == (
        "wide.csv: 4 readings loaded, 2 refused (1 time, 1 not a number), 1 empty cells\n"
        "  wide.csv, line 4: '2026-05-01 26:00' is no time; expected ISO 8601, like 2026-05-01 06:00:00, "
        'or say --time-format, like "%d.%m.%Y %H:%M"\n'
        "  wide.csv, line 5: column flow: 'oops' is no number; expected one like 1,31\n"
        "  columns of no sensor: Rain\n"
    )
    stored = _stored(folder)
    assert stored.sensor.astype(str).tolist() == ["flow", "plain", "plain", "plain"]
    assert stored.value.tolist() == [500.5, 240.0, 241.0, 242.0]
    assert stored.time.iloc[0] == pd.Timestamp("2026-05-01T05:00Z")
    assert _quarantine(folder)["reason"].tolist() == ["time", "not a number"]


def test_file_loaded_again_changes_nothing(folder: Path) -> None:
    """A second load of the same file, or of half of it, leaves each reading once."""
    (folder / "half.csv").write_text("\n".join(WIDE.splitlines()[:2]), "utf-8")
    for name in ("wide.csv", "half.csv", "wide.csv"):
        assert _load(folder, name, "--timezone", "Europe/Lisbon").returncode == 0

    assert len(_stored(folder)) == 4


def test_dry_run_stores_nothing(folder: Path) -> None:
    """A dry run tells what would be loaded and leaves no archive."""
    done = _load(folder, "wide.csv", "--timezone", "UTC", "--dry-run")

    assert done.stdout.startswith("wide.csv: 4 readings would be loaded, 2 refused")
    assert not (folder / "archive").exists()


@pytest.mark.parametrize(
    ("content", "arguments", "told"),
    [
        (WIDE, [], "the times of this file carry no time zone; say which with --timezone"),
        (WIDE, ["--timezone", "Lisbon"], "'Lisbon' is no time zone; expected one like"),
        (
            "time;flow\n1.5.2026;1\n2.5.2026;2\n",
            ["--timezone", "UTC"],
            "none of the first 2 rows is a reading",
        ),
        ("time;flow\n", ["--timezone", "UTC"], "file.csv: there is no reading in it"),
        ("a;b\n1;2\n", ["--timezone", "UTC"], "no column is named time; the columns are a, b"),
    ],
)
def test_wrong_file_or_option_stores_nothing(
    folder: Path, content: str, arguments: list[str], told: str
) -> None:
    """A file that is not understood ends with status 2 and one message on standard error, and stores nothing."""
    (folder / "file.csv").write_text(content, "utf-8")
    done = _load(folder, "file.csv", *arguments)

    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith("tricklebook: ")
    assert told in done.stderr
    assert list(folder.rglob("*.parquet")) == []


def test_file_in_another_encoding_is_told_and_read(folder: Path) -> None:
    """A file that is no UTF-8 is refused with the option that reads it."""
    text = "time;t\n2026-05-01 06:00;20\n2026-05-01 06:01;°\n"
    (folder / "latin.csv").write_text(text.replace("t\n", "short (°C)\n", 1), "latin-1")

    refused = _load(folder, "latin.csv", "--timezone", "UTC")
    taken = _load(folder, "latin.csv", "--timezone", "UTC", "--encoding", "latin-1")

    assert "say which with --encoding, like latin-1" in refused.stderr
    assert taken.stdout.startswith("latin.csv: 1 readings loaded, 1 refused (1 not a number)")


def test_missing_file_is_told(folder: Path) -> None:
    """A file that is not there is told."""
    done = _load(folder, "nothing.csv", "--timezone", "UTC")

    assert (done.returncode, done.stderr) == (
        2,
        "tricklebook: nothing.csv: cannot be read: no such file or directory\n",
    )
