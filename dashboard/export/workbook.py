"""The workbook of an export: every table a sheet, words never formulas, the same bytes for the same rows."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

    import pyarrow as pa

    from dashboard.export.columns import Column, Table

MOST_ROWS = 1_048_575
"""Rows that a sheet holds below its heading. ECMA-376 workbooks as the usual programs open them: 2^20 rows."""

LONGEST_TEXT = 32_767
"""Characters that a cell holds, in the same programs."""

MADE = datetime(1980, 1, 1)  # noqa: DTZ001 - the format's own first instant, without a zone
"""What every workbook gives as the time it was made, so that the same rows make the same bytes."""

WIDTHS = {"time": 21, "day": 11, "text": 22, "number": 13, "whole": 9, "yes or no": 9}
"""Width of a column by what it holds. [characters]"""


class Workbook:
    """A workbook that is written sheet after sheet and row after row, and held in no memory."""

    def __init__(self, path: Path, title: str, scratch: Path) -> None:
        try:
            import xlsxwriter  # noqa: PLC0415 - an optional part: a program without it exports the other formats
        except ImportError as error:
            msg = "the workbook needs XlsxWriter: install tricklebook[export], or name --formats csv,parquet"
            raise UserError(msg) from error
        options = {
            "constant_memory": True,
            "tmpdir": str(scratch),
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        }
        self._book: Any = xlsxwriter.Workbook(str(path), options)
        self._book.set_properties({"title": title, "created": MADE})
        self._bold = self._book.add_format({"bold": True})
        self._formats = {
            "time": self._book.add_format({"num_format": "yyyy-mm-dd hh:mm:ss"}),
            "day": self._book.add_format({"num_format": "yyyy-mm-dd"}),
        }

    def about(self, lines: Mapping[str, str]) -> None:
        """Write the first sheet: what this is, as pairs of words."""
        sheet = self._book.add_worksheet("about")
        sheet.set_column(0, 0, 24)
        sheet.set_column(1, 1, 100)
        for row, (word, text) in enumerate(lines.items()):
            sheet.write_string(row, 0, word, self._bold)
            sheet.write_string(row, 1, text[:LONGEST_TEXT])

    def sheet(self, table: Table, batches: Iterable[pa.Table]) -> None:
        """Write a table as a sheet; there must not be more than `MOST_ROWS` rows."""
        sheet = self._heading(table)
        row = 0
        for batch in batches:
            for cells in zip(*(batch.column(c.name).to_pylist() for c in table.columns), strict=True):
                row += 1
                for place, (column, value) in enumerate(zip(table.columns, cells, strict=True)):
                    if value is not None:
                        self._write(sheet, row, place, column, value)
        sheet.autofilter(0, 0, max(row, 1), len(table.columns) - 1)

    def instead(self, table: Table, words: str) -> None:
        """Write a sheet that says where the rows are, because it cannot hold them."""
        self._heading(table).write_string(1, 0, words)

    def close(self) -> None:
        """Put the file together."""
        self._book.close()

    def _heading(self, table: Table) -> Any:
        """Add a sheet with a table's heading."""
        sheet = self._book.add_worksheet(table.name)
        sheet.freeze_panes(1, 0)
        for place, column in enumerate(table.columns):
            sheet.set_column(place, place, WIDTHS[column.kind])
        for place, column in enumerate(table.columns):
            sheet.write_string(0, place, column.name, self._bold)
        return sheet

    def _write(self, sheet: Any, row: int, place: int, column: Column, value: object) -> None:
        """Write one cell as what it is."""
        if isinstance(value, datetime):
            sheet.write_datetime(row, place, value.replace(tzinfo=None), self._formats["time"])
        elif isinstance(value, date):
            sheet.write_datetime(row, place, value, self._formats["day"])
        elif column.kind == "yes or no":
            sheet.write_boolean(row, place, value)
        elif column.kind == "text":
            sheet.write_string(row, place, str(value)[:LONGEST_TEXT])
        else:
            sheet.write_number(row, place, value)
