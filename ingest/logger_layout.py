"""The layout of a logger's file: which column holds the time, and which sensor each other one is."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.errors import UserError
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from ingest.installation import Installation

SEPARATORS = (";", "\t", ",")
"""What may stand between columns; a comma only where neither of the others does."""

_UNIT = re.compile(r"^(.*?)\s*[\[(]([^\])]*)[\])]$")


class LayoutError(UserError):
    """Raised when the first line of a file does not say what its columns are."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a wide file.

    Attributes
    ----------
    place : int
        Its place in a row, from 0.
    title : str
        As it stands in the first line.
    sensor : str
        The sensor.
    unit : str or None
        As the title says; None for the sensor's own.
    """

    place: int
    title: str
    sensor: str
    unit: str | None


@dataclass(frozen=True, slots=True)
class Layout:
    """What the columns of a file are.

    Attributes
    ----------
    width : int
        Columns of a row.
    time : tuple of int
        Places of the time: one, or date and time.
    columns : tuple of Column
        The sensors' columns of a wide file; empty for a long one.
    long : tuple of (int, int, int or None) or None
        Places of sensor, value and unit in a long file.
    unused : tuple of str
        Titles that belong to no sensor.
    """

    width: int
    time: tuple[int, ...]
    columns: tuple[Column, ...]
    long: tuple[int, int, int | None] | None
    unused: tuple[str, ...]


def separator(line: str) -> str:
    """Return what separates the columns of a line.

    Examples
    --------
    >>> separator("time;EC, mixed;flow")
    ';'
    """
    return next((mark for mark in SEPARATORS if mark in line), ",")


def sensors_by_title(installation: Installation) -> dict[str, str]:
    """Return every title by which a file may name a sensor: its ``source.csv``, or its own name."""
    own = {name: name for name in installation.sensor}
    described = {s.source.csv: name for name, s in installation.sensor.items() if s.source.csv is not None}
    return own | described


def layout(titles: Sequence[str], sensors: Mapping[str, str], source: str) -> Layout:
    """Return what the columns of a file are.

    Parameters
    ----------
    titles : sequence of str
        The first line.
    sensors : mapping of str to str
        Title to sensor, from `sensors_by_title`.
    source : str
        The file, for messages.

    Returns
    -------
    Layout
        A long file has columns named sensor and value; any other is wide.

    Raises
    ------
    LayoutError
        If there is no time, no known column, or a column twice.

    Examples
    --------
    >>> layout(["time", "EC1 (mS/cm)"], {"EC1": "feed_ec"}, "a.csv").columns[0].unit
    'mS/cm'
    """
    bare = [title.strip() for title in titles]
    places = {title.casefold(): place for place, title in reversed(list(enumerate(bare)))}
    doubled = sorted({title for title in bare if title and bare.count(title) > 1})
    if doubled:
        msg = f"{source}, line 1: column {doubled[0]!r} stands there twice"
        raise LayoutError(msg)
    time = _time(places, bare, source)
    if {"sensor", "value"} <= places.keys():
        long = (places["sensor"], places["value"], places.get("unit"))
        return Layout(len(bare), time, (), long, ())
    rest = [(place, title) for place, title in enumerate(bare) if place not in time and title]
    columns = [found for place, title in rest if (found := _column(place, title, sensors))]
    if not columns:
        hints = [did_you_mean(title, sensors) for _, title in rest]
        msg = (
            f"{source}, line 1: no column is a sensor of the installation{next(filter(None, hints), '')}; "
            f'name each in the installation file, like source = {{ csv = "{rest[0][1] if rest else "EC 1"}" }}, '
            "or give the columns time, sensor, value and unit"
        )
        raise LayoutError(msg)
    used = {column.place for column in columns}
    unused = tuple(title for place, title in rest if place not in used)
    return Layout(len(bare), time, tuple(columns), None, unused)


def _time(places: Mapping[str, int], titles: Sequence[str], source: str) -> tuple[int, ...]:
    """Return the places of the time."""
    if "date" in places and "time" in places:
        return places["date"], places["time"]
    for name in ("time", "timestamp", "datetime", "date"):
        if name in places:
            return (places[name],)
    msg = f"{source}, line 1: no column is named time; the columns are {', '.join(titles)[:200]}"
    raise LayoutError(msg)


def _column(place: int, title: str, sensors: Mapping[str, str]) -> Column | None:
    """Return the sensor's column with a title, its unit in brackets or not; None where it is no sensor's."""
    if title in sensors:
        return Column(place, title, sensors[title], None)
    match = _UNIT.match(title)
    if match and match[1] in sensors:
        return Column(place, title, sensors[match[1]], match[2].strip() or None)
    return None
