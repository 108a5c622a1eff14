"""Files of loggers: CSV, long or wide, as readings or as rows that say why they are none."""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal, TextIO

from ingest.formats.batch import EARLIEST_US
from ingest.formats.units import sensor_units
from ingest.logger_layout import LayoutError, layout, sensors_by_title, separator
from ingest.logger_stamps import StampError, Stamps
from ingest.records import shown
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator

    from ingest.installation import Installation
    from ingest.logger_layout import Layout

EMPTY = frozenset({"", "-", "--", "---", "na", "n/a", "nan", "null", "none"})
"""How loggers write that there is no value; such a cell is passed over."""

MAX_LINE = 100_000
"""Longest line; the rest of a longer one counts as the next. [characters]"""

_PLAIN = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?")
_COMMA = re.compile(r"[-+]?(?:\d+(?:,\d*)?|,\d+)(?:[eE][-+]?\d+)?")

Decimal = Literal["auto", "point", "comma"]
"""What separates the decimals; auto takes a comma where commas do not separate columns."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One reading of a file: sensor, instant [µs since 1970, UTC], value and its unit (None: the sensor's)."""

    line: int
    sensor: str
    time_us: int
    value: float
    unit: str | None


@dataclass(frozen=True, slots=True)
class BadRow:
    """A row or a cell that is no reading: reason (a key of `ingest.records.REASONS`), detail, text."""

    line: int
    reason: str
    detail: str
    text: str


@dataclass(slots=True)
class LoggerFile:
    """One file while it is read.

    Attributes
    ----------
    source : str
        Its name, for messages.
    file : TextIO
        Its text, at the beginning.
    installation : Installation
        Whose sensors it has.
    stamps : Stamps
        How its times are written.
    latest_us : int
        Times after this are not believed. [µs since 1970, UTC]
    decimal : {"auto", "point", "comma"}
        What separates the decimals.
    layout : Layout or None
        What its columns are, once the first line is read.
    empty : int
        Cells without a value, so far.
    """

    source: str
    file: TextIO
    installation: Installation
    stamps: Stamps
    latest_us: int
    decimal: Decimal = "auto"
    layout: Layout | None = None
    empty: int = 0
    _titles: dict[str, str] = field(default_factory=dict)
    _units: dict[str, dict[str, tuple[float, float]]] = field(default_factory=dict)

    def read(self) -> Iterator[Entry | BadRow]:
        """Yield every reading, and every row or cell that is none.

        Raises
        ------
        LayoutError
            If the first line does not say what the columns are.
        TimezoneError
            If the times carry no time zone and none was stated.
        """
        first = self.file.readline(MAX_LINE)
        mark = separator(first)
        titles = _cells(first, mark)
        if not any(title.strip() for title in titles):
            msg = f"{self.source}, line 1: expected the names of the columns, found nothing"
            raise LayoutError(msg)
        if self.decimal == "auto" and mark == ",":
            self.decimal = "point"
        self._titles = sensors_by_title(self.installation)
        self._units = {name: sensor_units(sensor) for name, sensor in self.installation.sensor.items()}
        self.layout = layout(titles, self._titles, self.source)
        self._check_units(self.layout)
        for line, text in enumerate(iter(lambda: self.file.readline(MAX_LINE), ""), start=2):
            if text.strip():
                yield from self._row(line, text, mark)

    def _check_units(self, plan: Layout) -> None:
        """Raise if a title has a unit that its sensor's quantity has not."""
        for column in plan.columns:
            known = self._units[column.sensor]
            if column.unit is not None and column.unit not in known:
                msg = (
                    f"{self.source}, line 1, column {column.title}: {column.unit!r} is no unit of sensor "
                    f"{column.sensor}; expected one of {', '.join(known)}{did_you_mean(column.unit, known)}"
                )
                raise LayoutError(msg)

    def _row(self, line: int, text: str, mark: str) -> Iterator[Entry | BadRow]:
        """Yield the readings of one row."""
        row, plan = _cells(text, mark), self.layout
        if plan is None or len(row) < plan.width:
            width = 0 if plan is None else plan.width
            yield self._bad(line, "syntax", f"{len(row)} columns; expected {width}", text)
            return
        try:
            time_us = self.stamps.parse(" ".join(row[place].strip() for place in plan.time))
        except StampError as error:
            yield self._bad(line, "time", str(error), text)
            return
        if not EARLIEST_US <= time_us <= self.latest_us:
            yield self._bad(line, "clock", "the time is before 2000, or more than a day ahead of now", text)
        elif plan.long is None:
            for column in plan.columns:
                cell = row[column.place].strip()
                yield from self._cell(line, column.title, column.sensor, column.unit, cell, time_us)
        else:
            name, value, unit = plan.long
            units = "" if unit is None else row[unit].strip()
            yield from self._named(line, row[name].strip(), row[value].strip(), units, time_us)

    def _named(self, line: int, name: str, value: str, unit: str, time_us: int) -> Iterator[Entry | BadRow]:
        """Yield the reading of a row of a long file."""
        sensor = self._titles.get(name)
        if sensor is None:
            detail = f"column sensor: no sensor is named {shown(name)}{did_you_mean(name, self._titles)}"
            yield self._bad(line, "unknown sensor", detail, f"{name} {value} {unit}")
        elif unit and unit not in self._units[sensor]:
            detail = f"column unit: {shown(unit)} is no unit of sensor {sensor}"
            yield self._bad(line, "unit", detail, f"{name} {value} {unit}")
        else:
            yield from self._cell(line, "value", sensor, unit or None, value, time_us)

    def _cell(
        self, line: int, title: str, sensor: str, unit: str | None, cell: str, time_us: int
    ) -> Iterator[Entry | BadRow]:
        """Yield the reading of one cell, unless it says that there is none."""
        if cell.casefold() in EMPTY:
            self.empty += 1
            return
        number = self._number(cell)
        if number is None:
            wanted = "1,31" if self.decimal == "comma" else "1.31"
            detail = f"column {title}: {shown(cell)} is no number; expected one like {wanted}"
            yield self._bad(line, "not a number", detail, cell)
        else:
            yield Entry(line, sensor, time_us, number, unit)

    def _number(self, text: str) -> float | None:
        """Return a cell as a number, None where it is none; the first decimals decide for the whole file."""
        if self.decimal == "auto" and ("," in text) != ("." in text):
            self.decimal = "comma" if "," in text else "point"
        pattern = _COMMA if self.decimal == "comma" else _PLAIN
        return float(text.replace(",", ".")) if pattern.fullmatch(text) else None

    def _bad(self, line: int, reason: str, detail: str, text: str) -> BadRow:
        """Return a row that is no reading, its place in front of the detail."""
        return BadRow(line, reason, f"{self.source}, line {line}: {detail}", text.strip())


def _cells(text: str, mark: str) -> list[str]:
    """Return the cells of one line; a quote that is not closed ends with it."""
    try:
        return next(csv.reader([text], delimiter=mark), [])
    except csv.Error:  # a line end inside the line
        return [text]
