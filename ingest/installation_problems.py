"""What is wrong with an installation file, in words: place, value, what was expected, the nearest word."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time
from typing import TYPE_CHECKING, Any
from zoneinfo import available_timezones

from ingest.formats.units import TRADE_UNITS
from ingest.installation import Dangling, DanglingNamesError, Installation
from ingest.installation_keys import keys, meaning
from ingest.quantities import DIMENSIONS
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pydantic import ValidationError
    from pydantic_core import ErrorDetails

    from ingest.installation_types import Table
    from ingest.toml_places import Path

SECRET = re.compile(r"pass(word|phrase|wd)?$|secret|token|^user(name)?$", re.IGNORECASE)
"""Keys whose value must not stand in the file, nor in any message."""

_LONGEST_VALUE = 60
_UNITS = {unit for units in (*TRADE_UNITS.values(), *DIMENSIONS.values()) for unit in units}

_EXPECTED = {
    "string_type": "expected text in quotes",
    "int_type": "expected a whole number",
    "int_parsing": "expected a whole number",
    "int_from_float": "expected a whole number",
    "float_type": "expected a number",
    "float_parsing": "expected a number",
    "bool_type": "expected true or false",
    "bool_parsing": "expected true or false",
    "date_type": "expected a day, like 2026-03-01 without quotes",
    "date_parsing": "expected a day, like 2026-03-01",
    "date_from_datetime_parsing": "expected a day, like 2026-03-01",
    "date_from_datetime_inexact": "expected a day without a time, like 2026-03-01",
    "model_type": "expected a table",
    "dict_type": "expected a table",
    "tuple_type": "expected a list in brackets",
    "greater_than": "expected more than {gt}",
    "greater_than_equal": "expected {ge} or more",
    "less_than": "expected less than {lt}",
    "less_than_equal": "expected {le} or less",
    "too_short": "expected {min_length} or more entries",
    "too_long": "expected {max_length} entries",
    "string_too_short": "expected text that is not empty",
    "finite_number": "expected a finite number",
}
"""Kind of a model error to what was expected."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to mend in an installation file.

    Attributes
    ----------
    path : tuple of str and int
        Table, name, key and list places.
    line : int or None
        Where it stands, from 1.
    value : str
        What stands there, as written; empty where it is missing or secret.
    expected : str
        What should stand there, with the nearest right word where there is one.
    """

    path: Path
    line: int | None
    value: str
    expected: str

    def __str__(self) -> str:
        """Return the problem as one line of text."""
        line = "" if self.line is None else f"line {self.line}, "
        return f"{line}{_place(self.path)}{f' = {self.value}' if self.value else ''}: {self.expected}"


_NAMED = frozenset(
    {"injector", "stock", "zone", "sensor", "treatment", "plot", "webhook", "recipient", "rule"}
)
"""Tables that there may be several of, each with a name of its own."""


def _place(path: Path) -> str:
    """Return a path as it is read in the file: table in brackets, key, list places from 1."""
    if len(path) <= 1:
        return str(path[0]) if path else "the file"
    depth = 2 if path[0] in _NAMED else 1
    table = f"[{'.'.join(str(part) for part in path[:depth])}]"
    return table + "".join(
        f" entry {part + 1}" if isinstance(part, int) else f" {part}" for part in path[depth:]
    )


def written(value: object) -> str:
    """Return a value as a person would write it in TOML, short.

    Examples
    --------
    >>> written(["0 L/h", 3, True])
    '["0 L/h", 3, true]'
    """
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, list):
        text = "[" + ", ".join(written(entry) for entry in value[:20]) + "]"
    elif isinstance(value, dict):
        text = "{ " + ", ".join(f"{key} = {written(entry)}" for key, entry in list(value.items())[:20]) + " }"
    elif isinstance(value, (date, datetime, time)):
        text = value.isoformat()
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_VALUE else text[: _LONGEST_VALUE - 1] + "…"


def problems(
    error: ValidationError,
    tables: Mapping[str, Any],
    lines: Mapping[Path, int],
    *,
    root: type[Table] = Installation,
) -> list[Problem]:
    """Return a model's errors as problems for a person, in the order of the file.

    Parameters
    ----------
    error : pydantic.ValidationError
        What the model found.
    tables : mapping
        The file as the TOML reader returned it.
    lines : mapping of tuple to int
        Where everything stands, from `ingest.toml_places.places`.
    root : type of Table
        The model of the whole file.

    Returns
    -------
    list of Problem
        One a place.
    """
    found: dict[Path, Problem] = {}
    for details in error.errors():
        if isinstance(details.get("ctx", {}).get("error"), DanglingNamesError):
            continue
        path, value = _reach(tables, details["loc"])
        expected = _expected(details, path, value, root)
        if details["type"] in ("missing", "extra_forbidden", "string_pattern_mismatch") and value is _NOTHING:
            path = path or details["loc"]
        secret = details["type"] == "extra_forbidden"
        shown = "" if value is _NOTHING or secret or not path else written(value)
        if isinstance(value, dict):
            shown = ""
        found.setdefault(path, Problem(path, _line(lines, path), shown, expected))
    return sorted(found.values(), key=in_file_order)


def in_file_order(problem: Problem) -> tuple[int, str]:
    """Return the sort key of problems: line, then place."""
    return problem.line or 0, str(problem.path)


_NOTHING = object()


def _reach(tables: Mapping[str, Any], location: tuple[int | str, ...]) -> tuple[Path, object]:
    """Return the path as far as it exists in the file, and the value at its end; a missing key counts."""
    value: Any = tables
    path: list[int | str] = []
    for part in location:
        if part == "[key]":
            break
        within = range(len(value)) if isinstance(value, list) else value if isinstance(value, dict) else ()
        if part in within:
            value = value[part]
            path.append(part)
        elif isinstance(value, (dict, list)):
            path.append(part)
            value = _NOTHING
            break
        else:
            break  # the tag of a choice between types
    return tuple(path), value


def _line(lines: Mapping[Path, int], path: Path) -> int | None:
    """Return the line of a path, or of the nearest table around it."""
    for depth in range(len(path), 0, -1):
        if path[:depth] in lines:
            return lines[path[:depth]]
    return None


def _expected(details: ErrorDetails, path: Path, value: object, root: type[Table]) -> str:
    """Return what was expected, with the nearest right word."""
    kind, context = details["type"], details.get("ctx", {})
    if kind in _EXPECTED:
        return _EXPECTED[kind].format(**context)
    if kind in ("missing", "extra_forbidden"):
        return (
            f"this key is missing: {meaning(path, root)}" if kind == "missing" else _unknown_key(path, root)
        )
    if kind == "literal_error":
        choices = re.findall(r"'([^']*)'", str(context["expected"]))
        return f"expected {_one_of(choices)}{did_you_mean(value, choices)}"
    if kind == "string_pattern_mismatch":
        return _pattern(path, details["loc"], root)
    return _reason(str(context.get("error", details["msg"])), value)


def _reason(text: str, value: object) -> str:
    """Return the model's own words, and the nearest right one."""
    if text.startswith("expected one of "):
        return text + did_you_mean(value, text.removeprefix("expected one of ").split(", "))
    if text.startswith("expected a time zone"):
        return text + did_you_mean(value, available_timezones())
    if match := re.match(r"'(.*)' is not a unit ", text):
        return text + did_you_mean(match[1], _UNITS)
    return text


def _one_of(choices: list[str]) -> str:
    """Return choices as text."""
    quoted = [f'"{choice}"' for choice in choices]
    return quoted[0] if len(quoted) == 1 else f"one of {', '.join(quoted)}"


def _unknown_key(path: Path, root: type[Table]) -> str:
    """Return what to do about a key that the table does not have."""
    key = str(path[-1])
    known = list(keys(path[:-1], root))
    if SECRET.search(key):
        return "secrets never stand in this file; put it in a file and name that, like password_file"
    hint = did_you_mean(key, known)
    return f"unknown key{hint}" if hint else f"unknown key; known here are {', '.join(known)}"


def _pattern(path: Path, location: tuple[int | str, ...], root: type[Table]) -> str:
    """Return what was expected of a name or a source."""
    if location[-1] == "[key]":
        return "expected a table's name: a letter, then letters, digits, _ and -"
    return f"this is not right for {path[-1]}: {meaning(path, root)}"


def dangling_problem(dangling: Dangling, lines: Mapping[Path, int]) -> Problem:
    """Return a name that leads nowhere as a problem for a person."""
    place, name, known = dangling
    kind = place[-1]
    if not name:
        text = (
            f"this key is missing: a sensor at this point belongs to a zone, {_one_of(list(known) or ['?'])}"
        )
    elif not known:
        text = f"there is no [{kind}.{name}], and no other {kind}"
    else:
        text = f"there is no [{kind}.{name}]; expected {_one_of(list(known))}{did_you_mean(name, known)}"
    return Problem(place, _line(lines, place), f'"{name}"' if name else "", text)
