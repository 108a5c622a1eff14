"""An export as a folder, or as one zip file: every table in every format, dictionary, figures, provenance."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.equivalence.plots import plot_doses
from dashboard.export import catalogue
from dashboard.export.columns import table_of
from dashboard.export.contents import README, tables_of
from dashboard.export.figures import figures
from dashboard.export.parquet_files import read_batches, write_parquet
from dashboard.export.provenance import provenance, text_of
from dashboard.export.readings import reading_batches
from dashboard.export.text_files import write_csv
from dashboard.export.workbook import MOST_ROWS, Workbook
from dashboard.paper.evidence import sha256
from ingest.errors import UserError
from ingest.store import read_readings

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    import pandas as pd
    import pyarrow as pa

    from analysis.equivalence.plots import PlotDose
    from analysis.results import Results
    from dashboard.export.columns import Table
    from dashboard.export.order import Order

ZIP_TIME = (1980, 1, 1, 0, 0, 0)
"""Time of every file in a zip: the format's first, so that the same export makes the same bytes."""


def export_folder(order: Order, results: Results, out: Path) -> Path:
    """Write an export into a new folder.

    Parameters
    ----------
    order : Order
        What was asked for.
    results : Results
        The analysis of the same period.
    out : Path
        The folder; it appears when it is whole.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    UserError
        If something stands there already.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        msg = f"{out} is there already and not empty; name a new folder"
        raise UserError(msg)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".export-", dir=out.parent) as scratch:
        made = Path(scratch) / "export"
        made.mkdir()
        _write(order, results, made, Path(scratch))
        if out.exists():
            out.rmdir()
        made.rename(out)
    return out


def export_bundle(order: Order, results: Results, path: Path) -> Path:
    """Write an export as one zip file.

    Parameters
    ----------
    order : Order
        What was asked for.
    results : Results
        The analysis of the same period.
    path : Path
        The file; it appears when it is whole, and takes the place of one that was there.

    Returns
    -------
    Path
        The file: the same bytes for the same input.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".export-", dir=path.parent) as scratch:
        folder = export_folder(order, results, Path(scratch) / "export")
        packed = Path(scratch) / "export.zip"
        with zipfile.ZipFile(packed, "w") as archive:
            for file in sorted(p for p in folder.rglob("*") if p.is_file()):
                info = zipfile.ZipInfo(file.relative_to(folder).as_posix(), ZIP_TIME)
                info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
                with file.open("rb") as source, archive.open(info, "w", force_zip64=True) as target:
                    shutil.copyfileobj(source, target)
        packed.replace(path)
    return path


def _write(order: Order, results: Results, out: Path, scratch: Path) -> None:
    """Write every file of an export."""
    doses = plot_doses(order.installation, results.runs, tuple(results.estimates))
    tables = tables_of(order, results, doses)
    readings = scratch / "readings.parquet"
    rows = {table.name: batch.num_rows for table, batch in tables.items()}
    rows["readings"] = write_parquet(readings, catalogue.READINGS, _readings(order))
    said = provenance(order, results, rows)
    dictionary = table_of(catalogue.DICTIONARY, catalogue.dictionary_rows())
    write_csv(out / "dictionary.csv", catalogue.DICTIONARY, [dictionary])
    (out / "README.txt").write_text(README, "utf-8")
    if "csv" in order.formats:
        (out / "csv").mkdir()
        for table, batch in tables.items():
            write_csv(out / "csv" / f"{table.name}.csv", table, [batch])
        write_csv(out / "csv" / "readings.csv", catalogue.READINGS, read_batches(readings))
    if "xlsx" in order.formats:
        every = tables | {catalogue.DICTIONARY: dictionary}
        _workbook(order, said, out / "export.xlsx", every, readings)
    if "parquet" in order.formats:
        (out / "parquet").mkdir()
        for table, batch in tables.items():
            write_parquet(out / "parquet" / f"{table.name}.parquet", table, [batch])
        readings.rename(out / "parquet" / "readings.parquet")
    _figures(order, doses, out / "figures")
    files = {p.relative_to(out).as_posix(): sha256(p) for p in out.rglob("*") if p.is_file()}
    (out / "provenance.json").write_text(text_of(said | {"files": files}), "utf-8")


def _figures(order: Order, doses: tuple[PlotDose, ...], folder: Path) -> None:
    """Write the figures, where there is a trial."""
    drawn = figures(order.installation, doses)
    if drawn:
        folder.mkdir()
    for name, drawing in drawn.items():
        (folder / name).write_text(drawing, "utf-8")


def _readings(order: Order) -> Iterable[pa.Table]:
    """Yield the readings of the period, a day at a time."""

    def read(start: pd.Timestamp, end: pd.Timestamp) -> pd.DataFrame:
        return read_readings(order.archive, order.installation, start=start, end=end)

    return reading_batches(order.installation, read, order.start, order.end, order.bucket_s)


def _workbook(
    order: Order, said: Mapping[str, Any], path: Path, tables: Mapping[Table, pa.Table], readings: Path
) -> None:
    """Write the workbook; `said` is its provenance."""
    count = said["rows"]["readings"]
    book = Workbook(path, f"{order.installation.name}: research export", readings.parent)
    book.about(
        {
            "installation": said["installation"]["name"],
            "installation file, SHA-256": said["installation"]["sha256"],
            "period": f"{said['period']['from']} to {said['period']['to']} (UTC), end excluded",
            "time zone": said["time_zone"],
            "software": said["software"],
            "command": said["command"],
            **{f"method: {name}": words for name, words in said["methods"].items()},
            "columns": "the sheet dictionary says what each column means, its unit and what an empty cell says",
            "times": "UTC, to the millisecond",
        }
    )
    for table, batch in tables.items():
        book.sheet(table, [batch])
    if count <= MOST_ROWS:
        book.sheet(catalogue.READINGS, read_batches(readings))
    else:
        book.instead(catalogue.READINGS, _elsewhere(order, count))
    book.close()


def _elsewhere(order: Order, count: int) -> str:
    """Return where readings are that no sheet can hold."""
    kept = [f"{kind}/readings.{kind}" for kind in order.formats if kind != "xlsx"]
    where = (
        " and ".join(kept)
        or "nowhere in this export: ask for --formats csv or parquet, or a coarser --resolution"
    )
    return f"{count} rows are more than a sheet holds ({MOST_ROWS}); they are in {where}"
