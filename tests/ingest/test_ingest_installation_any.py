"""No installation file, however broken, ends in anything but a description or a list of what to mend."""

from __future__ import annotations

import tomllib
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.installation import Installation
from ingest.load_installation import InstallationError, loads
from ingest.toml_places import places
from tests.support.bench import TEXT

LINES = TEXT.splitlines()
WORDS = st.sampled_from(
    [
        "sensor",
        "zone",
        "[",
        "]",
        "{",
        "}",
        '"',
        "'",
        '"""',
        "=",
        ".",
        ",",
        "\n",
        "#",
        "1e999",
        "nan",
        "-0",
        "🌱",
    ]
)
VALUES: st.SearchStrategy[Any] = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8) | st.sampled_from(LINES),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)


def _ends_well(data: bytes) -> bool:
    """Return whether a file loads, or is refused with at least one problem and a text."""
    try:
        installation = loads(data)
    except InstallationError as error:
        return bool(error.problems) and "installation.toml" in str(error)
    return isinstance(installation, Installation)


@settings(max_examples=150)
@given(data=st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_end_well(data: bytes) -> None:
    """Bytes that are no TOML are refused with a place."""
    assert _ends_well(data)


@settings(max_examples=100, deadline=None)
@given(
    cuts=st.lists(
        st.tuples(st.integers(0, len(TEXT)), st.integers(0, 40), WORDS | st.text(max_size=4)), max_size=4
    )
)
def test_any_slip_of_the_pen_ends_well(cuts: list[tuple[int, int, str]]) -> None:
    """Cutting out and inserting pieces of a good file ends in a description or a list of problems."""
    text = TEXT
    for at, length, word in cuts:
        text = text[:at] + word + text[at + length :]

    assert _ends_well(text.encode("utf-8", "replace"))


@settings(max_examples=100, deadline=None)
@given(data=st.data())
def test_any_value_anywhere_ends_well(data: st.DataObject) -> None:
    """A value of any kind in any place ends in a description or a list of problems with their places."""
    tables = tomllib.loads(TEXT)
    where = data.draw(
        st.sampled_from([(), ("supply",), ("zone", "a"), ("sensor", "flow"), ("sensor", "flow", "source")])
    )
    table: Any = tables
    for step in where:
        table = table[step]
    table[data.draw(st.sampled_from([*table, "odd"]))] = data.draw(VALUES)

    assert _ends_well(_toml(tables).encode("utf-8", "replace"))


def _toml(value: Any, *, top: bool = True) -> str:
    """Return a value as TOML, tables as inline ones below the top."""
    if isinstance(value, dict):
        pairs = [
            f"{_text(key)} = {_toml(entry, top=False)}" for key, entry in value.items() if entry is not None
        ]
        return "\n".join(pairs) if top else "{ " + ", ".join(pairs) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(entry, top=False) for entry in value if entry is not None) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return _text(value) if isinstance(value, str) else str(value)


def _text(text: str) -> str:
    """Return text as a TOML string."""
    return (
        '"'
        + "".join(f"\\U{ord(letter):08x}" if not 0xD800 <= ord(letter) < 0xE000 else "?" for letter in text)
        + '"'
    )


def test_every_key_of_a_file_has_its_line() -> None:
    """The line of each table and key of a file is the one on which it stands."""
    found = places(TEXT)

    for path, line in found.items():
        if all(isinstance(part, str) for part in path):
            assert str(path[-1]) in LINES[line - 1]
    assert (
        found["sensor", "pressure", "calibration", 1, "from"]
        == LINES.index('  { from = 2026-05-01, points = [[4.1, "0 kPa"], [20.1, "600 kPa"]] },') + 1
    )


@given(data=st.text(max_size=200))
def test_places_of_anything_are_lines_of_it(data: str) -> None:
    """Text that is no TOML gives lines that it has, and never hangs."""
    last = data.count("\n") + 1

    assert all(1 <= line <= last for line in places(data).values())
