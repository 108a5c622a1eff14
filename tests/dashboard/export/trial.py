"""What the tests of the export share: an export of a trial ground, read back as people read it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Any

import pandas as pd

from analysis.archive import analyse_archive
from analysis.results import Results
from dashboard.export.bundle import export_folder
from dashboard.export.catalogue import DICTIONARY, TABLES
from dashboard.export.order import Order
from ingest.load_installation import load
from tests.support import trial_archive
from tests.support.trial_archive import Given

DAYS = 5
BUCKET_S = 600
ROOT = Path(__file__).parents[3]
START, END = pd.Timestamp("2026-06-01", tz="Europe/Lisbon"), pd.Timestamp("2026-06-06", tz="Europe/Lisbon")


class Made:
    """An export of the trial ground, and what it was made from."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.given: list[Given] = trial_archive.make(folder, DAYS)
        self.archive = folder / "archive"
        self.described = folder / "installation.toml"
        self.system = load(self.described)
        start, end = START.tz_convert("UTC"), END.tz_convert("UTC")
        self.results: Results = analyse_archive(self.archive, self.system, start, end)
        described = self.described.read_bytes()
        self.order = Order(
            self.archive, self.system, described, "installation.toml", start, end, bucket_s=BUCKET_S
        )
        self.out = export_folder(self.order, self.results, folder / "out")


NAMES = {table.name: table for table in TABLES} | {"dictionary": DICTIONARY}


def plainly(name: str) -> dict[str, Any]:
    """Return how the export's README says to read: words stay words, only an empty cell is empty."""
    texts = {c.name: str for c in NAMES[name].columns if c.kind == "text"}
    return {"keep_default_na": False, "na_values": [""], "dtype": texts}


def csv_of(made: Made, name: str) -> pd.DataFrame:
    """Return a table as a person with plain pandas reads it."""
    table: pd.DataFrame = pd.read_csv(made.out / "csv" / f"{name}.csv", **plainly(name))
    return table


def parquet_of(made: Made, name: str) -> pd.DataFrame:
    """Return a table from Parquet."""
    return pd.read_parquet(made.out / "parquet" / f"{name}.parquet")


def hashes(folder: Path) -> dict[str, str]:
    """Return the hash of every file under a folder."""
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}
