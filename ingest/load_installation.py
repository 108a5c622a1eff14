"""Read ``installation.toml``, or say in one go everything that is wrong with it."""

from __future__ import annotations

import re
import tomllib
from typing import TYPE_CHECKING, Any, TypeVar

from pydantic import ValidationError

from ingest.errors import UserError
from ingest.installation import Installation, dangling
from ingest.installation_problems import Problem, dangling_problem, in_file_order, problems
from ingest.installation_trial import slips
from ingest.installation_types import Table
from ingest.toml_places import places
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from ingest.toml_places import Path as Place

Model = TypeVar("Model", bound=Table)

MAX_SIZE = 4 << 20
"""A larger file is no description of a drip system; computed: some 10,000 sensors. [B]"""

_WHERE = re.compile(r"^(.*?) \(at (?:line (\d+), column (\d+)|end of document)\)$", re.DOTALL)


class InstallationError(UserError):
    """Raised when an installation file must be mended; its text names every problem.

    Parameters
    ----------
    source : str
        The file.
    found : list of Problem
        What is wrong, in the order of the file.
    """

    def __init__(self, source: str, found: list[Problem]) -> None:
        self.source = source
        self.problems = found
        if len(found) == 1:
            text = f"{source}, {found[0]}"
        else:
            text = f"{source} has {len(found)} problems:\n" + "\n".join(f"  {problem}" for problem in found)
        super().__init__(text)


def load(path: Path) -> Installation:
    """Read an installation file.

    Parameters
    ----------
    path : pathlib.Path
        The file.

    Returns
    -------
    Installation
        The system that it describes.

    Raises
    ------
    InstallationError
        If it cannot be read, is no TOML, or anything in it must be mended.
    """
    return loads(content(path), source=path.name)


def content(path: Path) -> bytes:
    """Return what stands in a file.

    Raises
    ------
    InstallationError
        If it cannot be read; names the nearest file in its folder.
    """
    try:
        with path.open("rb") as file:
            return file.read(MAX_SIZE + 1)
    except OSError as error:
        raise InstallationError(str(path), [_unreadable(path, error)]) from error


def _unreadable(path: Path, error: OSError) -> Problem:
    """Return why a file cannot be read, with the nearest name in its folder."""
    near = [other.name for other in path.parent.glob("*.toml")] if path.parent.is_dir() else []
    reason = (error.strerror or str(error)).lower()
    return Problem((), None, "", f"cannot be read: {reason}{did_you_mean(path.name, near)}")


def loads(data: bytes, *, source: str = "installation.toml") -> Installation:
    """Read the content of an installation file.

    Parameters
    ----------
    data : bytes
        TOML in UTF-8.
    source : str
        The file's name, for messages.

    Returns
    -------
    Installation
        The system that it describes.

    Raises
    ------
    InstallationError
        If it is no TOML, or anything in it must be mended.

    Examples
    --------
    >>> loads(b'name = "Bench"')
    Traceback (most recent call last):
        ...
    ingest.load_installation.InstallationError: installation.toml has 4 problems:
      sensor: this key is missing: the sensors, by name
      supply: this key is missing: where the water comes from
      timezone: this key is missing: time zone of its place, for the screen and paper, like "Europe/Lisbon"
      zone: this key is missing: the zones, by name
    """
    tables, lines = toml(data, source)
    found = [dangling_problem(name, lines) for name in dangling(tables)]
    found += _doubled(tables, lines)
    installation = None
    try:
        installation = Installation.model_validate(tables)
    except ValidationError as error:
        found += problems(error, tables, lines)
    else:
        found += _slips(installation, lines)
    if installation is None or found:
        raise InstallationError(source, sorted(found, key=in_file_order))
    return installation


def toml(data: bytes, source: str) -> tuple[dict[str, Any], dict[Place, int]]:
    """Return the tables of a TOML file, and on which line everything stands.

    Raises
    ------
    InstallationError
        If it is no TOML; names the line.
    """
    text = _text(data, source)
    return _tables(text, source), places(text)


def read_as(path: Path, model: type[Model]) -> Model:
    """Read another file that is described by a model, with the same words about what is wrong with it.

    Parameters
    ----------
    path : Path
        A TOML file.
    model : type of Table
        What it may hold.

    Returns
    -------
    Table
        What it holds.

    Raises
    ------
    InstallationError
        If it cannot be read, is no TOML, or anything in it must be mended.
    """
    tables, lines = toml(content(path), path.name)
    try:
        return model.model_validate(tables)
    except ValidationError as error:
        raise InstallationError(str(path), problems(error, tables, lines, root=model)) from error


def _text(data: bytes, source: str) -> str:
    """Return the file as text."""
    if len(data) > MAX_SIZE:
        expected = f"the file is larger than {MAX_SIZE >> 20} MiB; is it the right one?"
        raise InstallationError(source, [Problem((), None, "", expected)])
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        expected = f"byte {data[error.start]:#04x} is no UTF-8; save the file as UTF-8"
        raise InstallationError(source, [Problem((), line, "", expected)]) from error


def _tables(text: str, source: str) -> dict[str, Any]:
    """Return the tables of a TOML text."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        match = _WHERE.match(str(error))
        reason, line = (match[1], int(match[2] or text.count("\n") + 1)) if match else (str(error), 1)
        column = f" at column {match[3]}" if match and match[3] else ""
        here = text.splitlines()[line - 1 : line] or [""]
        expected = f"not TOML{column}: {reason[:1].lower()}{reason[1:]}; the line is {here[0].strip()[:80]!r}"
        raise InstallationError(source, [Problem((), line, "", expected)]) from error
    except RecursionError as error:
        expected = "not TOML: lists inside lists without end"
        raise InstallationError(source, [Problem((), None, "", expected)]) from error


def _slips(installation: Installation, lines: Mapping[Place, int]) -> Iterator[Problem]:
    """Yield what does not hang together in the trial."""
    stocks = {zone: installation.stock_of(zone) for zone in installation.zone}
    stated = {zone: stock.nutrients for zone, stock in stocks.items() if stock is not None}
    tables = installation.treatment, installation.plot, installation.zone
    for place, value, expected in slips(*tables, stated):
        line = lines.get(place) or lines.get(place[:2])
        yield Problem(place, line, f'"{value}"' if value else "", expected)


def _doubled(tables: Mapping[str, Any], lines: Mapping[Place, int]) -> Iterator[Problem]:
    """Yield every sensor whose source is another's too."""
    seen: dict[tuple[str, ...], str] = {}
    sensors = tables.get("sensor")
    for name, sensor in sensors.items() if isinstance(sensors, dict) else ():
        source = sensor.get("source") if isinstance(sensor, dict) else None
        if not isinstance(source, dict):
            continue
        live = {key: value for key, value in source.items() if key not in ("csv", "time")}
        for way in (live, {"csv": source.get("csv")}):
            if not any(way.values()):
                continue
            same = tuple(f"{key} {way[key]}" for key in sorted(way))
            first = seen.setdefault(same, name)
            if first != name:
                place = ("sensor", name, "source")
                text = f"[sensor.{first}] reads the same source; expected one sensor for each"
                yield Problem(place, lines.get(place), "", text)
