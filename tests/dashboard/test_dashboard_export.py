"""The research export: the same numbers in every format, the same bytes twice, nothing that a spreadsheet runs."""

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
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl  # type: ignore[import-untyped] # it has no types
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from analysis.archive import analyse_archive
from analysis.cli_equivalence import read_margin, words
from analysis.equivalence.plots import plot_doses
from analysis.equivalence.treatments import compare
from analysis.flagged import flagged_days
from analysis.quality.outcomes import WORDS
from analysis.results import Results
from dashboard.export import workbook
from dashboard.export.bundle import export_bundle, export_folder
from dashboard.export.catalogue import DICTIONARY, READINGS, TABLES
from dashboard.export.columns import DIGITS, Column, Table, rounded, table_of
from dashboard.export.order import Order, read_formats
from dashboard.export.readings import bucketed, reading_batches, resolution_s
from dashboard.export.text_files import FORMULA_STARTS, harmless, write_csv
from ingest import upkeep
from ingest.errors import UserError
from ingest.load_installation import load
from ingest.readings import Quality
from ingest.store import read_readings
from tests.support import trial_archive
from tests.support.trial_archive import Given

DAYS = 5
BUCKET_S = 600
ROOT = Path(__file__).parents[2]
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


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Made:
    """Return an export of six days of the trial ground in every format."""
    return Made(tmp_path_factory.mktemp("trial"))


NAMES = {table.name: table for table in TABLES} | {"dictionary": DICTIONARY}


def _plainly(name: str) -> dict[str, Any]:
    """Return how the export's README says to read: words stay words, only an empty cell is empty."""
    texts = {c.name: str for c in NAMES[name].columns if c.kind == "text"}
    return {"keep_default_na": False, "na_values": [""], "dtype": texts}


def _csv(made: Made, name: str) -> pd.DataFrame:
    """Return a table as a person with plain pandas reads it."""
    table: pd.DataFrame = pd.read_csv(made.out / "csv" / f"{name}.csv", **_plainly(name))
    return table


def _parquet(made: Made, name: str) -> pd.DataFrame:
    """Return a table from Parquet."""
    return pd.read_parquet(made.out / "parquet" / f"{name}.parquet")


@pytest.fixture(scope="module")
def sheets(made: Made) -> dict[str, pd.DataFrame]:
    """Return every sheet of the workbook as pandas opens it."""
    with pd.ExcelFile(made.out / "export.xlsx") as book:
        return {name: pd.read_excel(book, sheet_name=name, **_plainly(name)) for name in NAMES}


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.name)
def test_every_format_has_the_same_numbers(made: Made, sheets: dict[str, pd.DataFrame], table: Table) -> None:
    """CSV, Parquet and the workbook open in pandas with the same columns, rows, words and, to the last digit, numbers."""
    kinds = {c.name: c.kind for c in table.columns}
    one, two, three = _csv(made, table.name), _parquet(made, table.name), sheets[table.name]

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
    filled = {table.name for table in TABLES if len(_parquet(made, table.name))}

    assert {"doses", "treatment_means", "equivalence", "runs", "estimates", "readings", "sensors"} <= filled


def test_doses_are_what_the_plots_were_given(made: Made) -> None:
    """Every run's nitrogen lies in its interval in 95 % of the runs or more, and the plots of a zone got the same."""
    doses = _parquet(made, "doses").query("nutrient == 'N'")
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
    table = _parquet(made, "equivalence").query("nutrient == 'N' and plot.isna()")
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
    means = _parquet(made, "treatment_means").query("treatment == 'rich' and nutrient == 'N'").iloc[0]
    doses = _parquet(made, "doses").query("treatment == 'rich' and nutrient == 'N'")

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
        shown = pd.read_csv(tmp_path / f"export-{table.name}.csv", **_plainly(table.name))
        stored = _parquet(made, table.name)
        assert len(shown) == len(stored), table.name
        for column in table.columns:
            if column.kind in ("number", "whole"):
                np.testing.assert_allclose(
                    shown[column.name].to_numpy(float),
                    stored[column.name].to_numpy(float),
                    rtol=5e-9,
                    atol=0.0,
                )


def _hashes(folder: Path) -> dict[str, str]:
    """Return the hash of every file under a folder."""
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


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
    there = _hashes(tmp_path / "far" / "off")

    assert there == _hashes(made.out)
    assert {"export.xlsx", "csv/doses.csv", "parquet/readings.parquet", "figures/full-N.svg"} <= set(there)


def test_bundle_is_the_folder_in_one_file(made: Made, tmp_path: Path) -> None:
    """The zip holds the folder's very files, and two of them are the same bytes."""
    first = export_bundle(made.order, made.results, tmp_path / "one.zip").read_bytes()
    second = export_bundle(made.order, made.results, tmp_path / "two.zip").read_bytes()
    with zipfile.ZipFile(io.BytesIO(first)) as archive:
        held = {name: hashlib.sha256(archive.read(name)).hexdigest() for name in archive.namelist()}

    assert first == second
    assert held == _hashes(made.out)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["one.zip", "two.zip"]


def test_archive_and_description_are_not_changed_by_an_export(made: Made, tmp_path: Path) -> None:
    """Readings, ledgers and the installation file are the same bytes before and after."""
    before = _hashes(made.archive / "readings"), made.described.read_bytes()
    export_folder(made.order, made.results, tmp_path / "again")

    assert (_hashes(made.archive / "readings"), made.described.read_bytes()) == before


def test_provenance_names_what_the_export_rests_on(made: Made) -> None:
    """Hashes of description, archive days and files of the export are right; no folder of this machine is named."""
    text = (made.out / "provenance.json").read_text("utf-8")
    said = json.loads(text)

    assert said["installation"]["sha256"] == hashlib.sha256(made.described.read_bytes()).hexdigest()
    assert len(said["archive"]["days"]) == DAYS
    for day, files in said["archive"]["days"].items():
        for name, digest in files.items():
            assert hashlib.sha256((made.archive / day / name).read_bytes()).hexdigest() == digest
    assert {**said["files"], "provenance.json": "itself"}.keys() == _hashes(made.out).keys()
    assert all(_hashes(made.out)[name] == digest for name, digest in said["files"].items())
    assert said["period"] == {"from": "2026-05-31T23:00:00Z", "to": "2026-06-05T23:00:00Z"}
    assert said["rows"]["readings"] == len(_parquet(made, "readings"))
    assert said["software"].startswith("tricklebook")
    assert str(made.folder) not in text


def test_dictionary_tells_every_column(made: Made, sheets: dict[str, pd.DataFrame]) -> None:
    """Every column of every file has a meaning, every number a unit or a column that names it, in both dictionaries."""
    told = pd.read_csv(made.out / "dictionary.csv", keep_default_na=False)
    for table in TABLES:
        assert list(told[told.table == table.name].column) == list(_csv(made, table.name))
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
        if not c.empty and _parquet(made, table.name)[c.name].isna().any()
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


def test_readings_are_summed_up_as_archive_and_flags_have_them(made: Made) -> None:
    """Each bucket's numbers are those of the archive's readings without the flagged ones; its counts are those of all."""
    frame = read_readings(made.archive, made.system, start=made.order.start, end=made.order.end)
    frame["bucket"] = frame["time"].dt.floor("10min")
    every = frame.groupby(["sensor", "bucket"], observed=True)
    flagged = _parquet(made, "flagged")
    out = pd.MultiIndex.from_frame(flagged.loc[flagged["quality"] >= 3, ["sensor", "time"]])
    good = frame[~pd.MultiIndex.from_frame(frame[["sensor", "time"]].astype({"sensor": str})).isin(out)]
    value = good.groupby(["sensor", "bucket"], observed=True)["value"]
    table = _parquet(made, "readings").set_index(["sensor", "time"]).sort_index()

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
    flagged = _parquet(made, "flagged")
    days = list(flagged_days(made.archive, made.system, made.order.start, made.order.end))
    every = pd.concat([day.readings for day in days])
    every = every[(every["time"] >= made.order.start) & (every["time"] < made.order.end)]

    assert len(flagged) == (every["flag"] != Quality.GOOD).sum()
    assert not flagged.duplicated(["sensor", "time"]).any()
    assert set(flagged["test"]) <= set(WORDS.values()) - {"passed"}
    assert set(flagged["status"]) == set(_parquet(made, "readings")["status"]) == {"provisional"}


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
    assert readings.n.sum() == _parquet(made, "readings").n.sum()


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
