"""The same bytes twice, with provenance and dictionary, and nothing that a spreadsheet runs."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
import zipfile
from pathlib import Path

import openpyxl  # type: ignore[import-untyped] # it has no types
import pandas as pd
import pyarrow.parquet as pq
import pytest

from dashboard.export.bundle import export_bundle, export_folder
from dashboard.export.catalogue import DICTIONARY, TABLES
from dashboard.export.text_files import FORMULA_STARTS, harmless
from tests.dashboard.export.trial import (
    DAYS,
    ROOT,
    Made,
    csv_of,
    hashes,
    parquet_of,
)


@pytest.mark.slow
def test_same_input_gives_the_same_bytes(made: Made, tmp_path: Path) -> None:
    """The command that the provenance gives, run on copies elsewhere in another time zone, writes the same bytes."""
    shutil.copytree(made.archive, tmp_path / "copy")
    shutil.copy(made.described, tmp_path / "installation.toml")
    words = json.loads((made.out / "provenance.json").read_text("utf-8"))["command"]
    words = words.replace("installation.toml", str(tmp_path / "installation.toml"))
    command = (
        words.replace("ARCHIVE", str(tmp_path / "copy")).replace("OUT", str(tmp_path / "far" / "off")).split()
    )
    away = {"TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "2", "LC_ALL": "C.UTF-8"}
    subprocess.run(
        [sys.executable, "-m", *command],
        check=True,
        capture_output=True,
        cwd=ROOT,
        env=os.environ | away,
    )
    there = hashes(tmp_path / "far" / "off")

    assert there == hashes(made.out)
    assert {"export.xlsx", "csv/doses.csv", "parquet/readings.parquet", "figures/full-N.svg"} <= set(there)


def test_bundle_is_the_folder_in_one_file(made: Made, tmp_path: Path) -> None:
    """The zip holds the folder's very files, and two of them are the same bytes."""
    first = export_bundle(made.order, made.results, tmp_path / "one.zip").read_bytes()
    second = export_bundle(made.order, made.results, tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        held = {name: hashlib.sha256(archive.read(name)).hexdigest() for name in archive.namelist()}

    assert first == second
    assert held == hashes(made.out)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one.zip", "two.zip"]


def test_archive_and_description_are_not_changed_by_an_export(made: Made, tmp_path: Path) -> None:
    """Readings, ledgers and the installation file are the same bytes before and after."""
    before = hashes(made.archive / "readings"), made.described.read_bytes()
    export_folder(made.order, made.results, tmp_path / "again")

    assert (hashes(made.archive / "readings"), made.described.read_bytes()) == before


def test_provenance_names_what_the_export_rests_on(made: Made) -> None:
    """Hashes of description, archive days and files of the export are right; no folder of this machine is named."""
    text = (made.out / "provenance.json").read_text("utf-8")
    said = json.loads(text)

    assert said["installation"]["sha256"] == hashlib.sha256(made.described.read_bytes()).hexdigest()
    assert len(said["archive"]["days"]) == DAYS
    for day, files in said["archive"]["days"].items():
        for name, digest in files.items():
            assert hashlib.sha256((made.archive / day / name).read_bytes()).hexdigest() == digest
    assert {**said["files"], "provenance.json": "itself"}.keys() == hashes(made.out).keys()
    assert all(hashes(made.out)[name] == digest for name, digest in said["files"].items())
    assert said["period"] == {"from": "2026-05-31T23:00:00Z", "to": "2026-06-05T23:00:00Z"}
    assert said["rows"]["readings"] == len(parquet_of(made, "readings"))
    assert said["software"].startswith("tricklebook")
    assert str(made.folder) not in text


def test_dictionary_tells_every_column(made: Made, sheets: dict[str, pd.DataFrame]) -> None:
    """Every column of every file has a meaning, every number a unit or a column that names it, in both dictionaries."""
    told = pd.read_csv(made.out / "dictionary.csv", keep_default_na=False)
    for table in TABLES:
        assert list(told[told.table == table.name].column) == list(csv_of(made, table.name))
    assert (told.meaning != "").all()
    assert (told[told.type == "number"].unit != "").all()
    assert list(sheets["dictionary"].column) == list(told.column)
    assert list(told) == [c.name for c in DICTIONARY.columns]


def test_cell_is_empty_only_where_the_dictionary_says_what_that_means(made: Made) -> None:
    """A column whose dictionary gives no meaning to an empty cell has none."""
    silent = [
        f"{table.name}.{c.name}"
        for table in TABLES
        for c in table.columns
        if not c.empty and parquet_of(made, table.name)[c.name].isna().any()
    ]

    assert silent == []


def test_units_are_in_the_parquet_schema(made: Made) -> None:
    """Each Parquet column carries its unit and its meaning."""
    schema = pq.read_schema(made.out / "parquet" / "runs.parquet")

    assert schema.field("volume").metadata[b"unit"] == b"L"
    assert schema.field("mean_flow").metadata[b"unit"] == b"L/h"
    assert b"meaning" in schema.field("told").metadata


def test_no_cell_starts_a_formula(made: Made) -> None:
    """Texts from the field that look like formulas are marked in CSV, and are text in the workbook."""
    cells = [
        cell
        for path in (made.out / "csv").glob("*.csv")
        for row in csv.reader(path.read_text("utf-8").splitlines())
        for cell in row
        if cell.startswith(FORMULA_STARTS) and not re.fullmatch(r"[-+]?[\d.]+(e[-+]?\d+)?", cell)
    ]
    book = openpyxl.load_workbook(made.out / "export.xlsx", read_only=True)
    kinds = {cell.data_type for sheet in book for row in sheet.iter_rows() for cell in row}

    assert cells == []
    assert "f" not in kinds
    assert "'=half as much again" in (made.out / "csv" / "treatments.csv").read_text("utf-8")
    assert "'-1" in (made.out / "csv" / "plots.csv").read_text("utf-8")


@pytest.mark.parametrize("start", FORMULA_STARTS)
def test_every_formula_start_is_marked(start: str) -> None:
    """Whatever a spreadsheet may take for the begin of a formula gets a quote mark; other words stay."""
    assert harmless(f"{start}1+1") == f"'{start}1+1"
    assert harmless(f"a{start}") == f"a{start}"


def test_figures_show_each_treatment(made: Made) -> None:
    """There is a well-formed drawing for each treatment and nutrient, with a title that names both."""
    drawn = {p.name: ET.fromstring(p.read_text("utf-8")) for p in (made.out / "figures").iterdir()}  # noqa: S314 - our own file

    assert {"full-N.svg", "full-water.svg", "rich-N.svg", "unsteady-N.svg"} <= set(drawn)
    assert drawn["full-N.svg"].get("aria-label", "").startswith("Treatment full, N: dose of each run")
    key = "".join(drawn["full-N.svg"].itertext())
    assert "plots p1, p2" in key
    assert "target" in key
