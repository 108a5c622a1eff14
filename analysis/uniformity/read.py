"""Read a catch test as people write it: a table with a header, or numbers typed one after the other."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass

from ingest.errors import UserError
from ingest.quantities import convert, parse

COLUMNS = {"flow": "L/h", "pressure": "kPa", "volume": "L", "time": "s"}
"""Columns that a table may have, and the unit each is turned into. Others are passed over."""

HEADER = re.compile(r"^\s*(?P<name>[A-Za-z ]+?)\s*(?:[\[(](?P<unit>[^\])]+)[\])])?\s*$")
"""A column's name with its unit in brackets."""


class CatchTestError(UserError):
    """Raised when a catch test cannot be read; the text names the line and the mend."""


@dataclass(frozen=True, slots=True)
class CatchTest:
    """One catch test.

    Attributes
    ----------
    flows : tuple of float
        Flow of each emitter. [L/h]
    pressures : tuple of float or None
        Pressure at each, where it was measured at every one. [kPa]
    """

    flows: tuple[float, ...]
    pressures: tuple[float, ...] | None = None


def typed(text: str) -> CatchTest:
    """Read flows typed in one line or many, with their unit at the end.

    Parameters
    ----------
    text : str
        For example ``"2.0 1.95 2.05 L/h"``.

    Returns
    -------
    CatchTest
        Without pressures.

    Raises
    ------
    CatchTestError
        If there is no number or no unit.

    Examples
    --------
    >>> [round(flow, 3) for flow in typed("0.5 0.6 gal/h").flows]
    [1.893, 2.271]
    """
    words = text.replace(",", " ").replace(";", " ").split()
    numbers = [word for word in words if re.fullmatch(r"\d*\.?\d+(?:[eE][-+]?\d+)?", word)]
    unit = " ".join(words[len(numbers) :])
    if not numbers or words[: len(numbers)] != numbers or not unit:
        msg = f'catch test {text!r}: expected flows and their unit, like "2.0 1.95 2.05 L/h"'
        raise CatchTestError(msg)
    try:
        return CatchTest(tuple(parse(f"{number} {unit}", "flow") for number in numbers))
    except ValueError as error:
        msg = f"catch test: {error}"
        raise CatchTestError(msg) from error


def from_csv(text: str, *, name: str = "catch test") -> CatchTest:
    r"""Read a catch test from a table with a header.

    Parameters
    ----------
    text : str
        Comma or semicolon separated; columns ``flow [L/h]``, or ``volume [mL]`` and ``time [s]``, and
        perhaps ``pressure [kPa]``, each with its unit in brackets. Others are passed over.
    name : str
        File name for messages.

    Returns
    -------
    CatchTest
        One flow a line.

    Raises
    ------
    CatchTestError
        If a column or a unit is missing, or a value is no number; the line is named.

    Examples
    --------
    >>> from_csv("volume [mL],time [min]\n100,3\n110,3\n").flows
    (2.0, 2.2)
    """
    lines = text.splitlines() or [""]
    dialect = ";" if lines[0].count(";") > lines[0].count(",") else ","
    rows = list(csv.reader(io.StringIO(text), delimiter=dialect))
    columns = _columns(rows[0] if rows else [], name)
    if "flow" not in columns and not {"volume", "time"} <= columns.keys():
        msg = f'{name}, line 1: expected a column "flow [L/h]", or "volume [mL]" and "time [s]"'
        raise CatchTestError(msg)
    read = [
        _row(row, columns, f"{name}, line {number}")
        for number, row in enumerate(rows[1:], start=2)
        if any(field.strip() for field in row)
    ]
    flows = tuple(_flow(row, f"{name}, line {number}") for number, row in enumerate(read, start=2))
    pressures = tuple(row["pressure"] for row in read) if "pressure" in columns else None
    return CatchTest(flows, pressures)


def _columns(header: list[str], name: str) -> dict[str, tuple[int, str]]:
    """Return place and unit of every column that is known."""
    found: dict[str, tuple[int, str]] = {}
    for place, title in enumerate(header):
        match = HEADER.match(title)
        if match is None or match["name"].lower() not in COLUMNS:
            continue
        if match["unit"] is None:
            msg = f'{name}, line 1: the unit of {title.strip()!r} is missing; write it like "flow [L/h]"'
            raise CatchTestError(msg)
        found[match["name"].lower()] = (place, match["unit"].strip())
    return found


def _row(row: list[str], columns: dict[str, tuple[int, str]], where: str) -> dict[str, float]:
    """Return one line's values in the stored units."""
    values = {}
    for column, (place, unit) in columns.items():
        text = row[place].strip() if place < len(row) else ""
        try:
            values[column] = convert(float(text.replace(",", ".")), unit, COLUMNS[column])
        except ValueError as error:
            msg = (
                f"{where}: {column} {text!r} [{unit}] cannot be read; expected a number in a unit of {column}"
            )
            raise CatchTestError(msg) from error
    return values


def _flow(row: dict[str, float], where: str) -> float:
    """Return a line's flow, measured or from volume over time. [L/h]"""
    if "flow" in row:
        return row["flow"]
    if row["time"] <= 0:
        msg = f"{where}: a catch needs a time above zero, not {row['time']:g} s"
        raise CatchTestError(msg)
    return row["volume"] / row["time"] * 3600.0
