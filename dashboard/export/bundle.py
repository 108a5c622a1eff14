"""An export as a folder, or as one zip file: every table in every format, dictionary, figures, provenance."""

from __future__ import annotations

import shutil
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from analysis.equivalence.plots import plot_doses
from analysis.flagged import flagged_days
from dashboard.export import catalogue
from dashboard.export.columns import table_of
from dashboard.export.contents import README, tables_of
from dashboard.export.figures import figures
from dashboard.export.parquet_files import read_batches, write_parquet, writing
from dashboard.export.provenance import provenance, text_of
from dashboard.export.readings import reading_batches
from dashboard.export.text_files import write_csv
from dashboard.export.workbook import MOST_ROWS, Workbook
from dashboard.paper.evidence import sha256
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Mapping

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
    rows = {table.name: batch.num_rows for table, batch in tables.items()}
    long = {table: scratch / f"{table.name}.parquet" for table in (catalogue.FLAGGED, catalogue.READINGS)}
    rows |= _write_readings(order, long)
    said = provenance(order, results, rows)
    dictionary = table_of(catalogue.DICTIONARY, catalogue.dictionary_rows())
    write_csv(out / "dictionary.csv", catalogue.DICTIONARY, [dictionary])
    (out / "README.txt").write_text(README, "utf-8")
    if "csv" in order.formats:
        (out / "csv").mkdir()
        for table, batch in tables.items():
            write_csv(out / "csv" / f"{table.name}.csv", table, [batch])
        for table, path in long.items():
            write_csv(out / "csv" / f"{table.name}.csv", table, read_batches(path))
    if "xlsx" in order.formats:
        every = tables | {catalogue.DICTIONARY: dictionary}
        _workbook(order, said, out / "export.xlsx", every, long)
    if "parquet" in order.formats:
        (out / "parquet").mkdir()
        for table, batch in tables.items():
            write_parquet(out / "parquet" / f"{table.name}.parquet", table, [batch])
        for path in long.values():
            path.rename(out / "parquet" / path.name)
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


def _write_readings(order: Order, paths: Mapping[Table, Path]) -> dict[str, int]:
    """Write the readings and the flagged ones among them, a day at a time; return table to its number of rows."""
    days = flagged_days(order.archive, order.installation, order.start, order.end)
    count = 0
    with writing(paths[catalogue.FLAGGED], catalogue.FLAGGED) as add:

        def keep(batch: pa.Table) -> None:
            nonlocal count
            count += add(batch)

        batches = reading_batches(order.installation, days, order.start, order.end, order.bucket_s, keep)
        written = write_parquet(paths[catalogue.READINGS], catalogue.READINGS, batches)
    return {catalogue.FLAGGED.name: count, catalogue.READINGS.name: written}


def _workbook(
    order: Order,
    said: Mapping[str, Any],
    path: Path,
    tables: Mapping[Table, pa.Table],
    long: Mapping[Table, Path],
) -> None:
    """Write the workbook; `said` is its provenance, `long` the tables that a sheet may not hold."""
    scratch = long[catalogue.READINGS].parent
    book = Workbook(path, f"{order.installation.name}: research export", scratch)
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
    for table, kept in long.items():
        count = said["rows"][table.name]
        if count <= MOST_ROWS:
            book.sheet(table, read_batches(kept))
        else:
            book.instead(table, _elsewhere(order, table, count))
    book.close()


def _elsewhere(order: Order, table: Table, count: int) -> str:
    """Return where rows are that no sheet can hold."""
    kept = [f"{kind}/{table.name}.{kind}" for kind in order.formats if kind != "xlsx"]
    where = (
        " and ".join(kept)
        or "nowhere in this export: ask for --formats csv or parquet, or a coarser --resolution"
    )
    return f"{count} rows are more than a sheet holds ({MOST_ROWS}); they are in {where}"
