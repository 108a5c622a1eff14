"""Lines that zones share are described alike in each of them, and begin at the head."""

from __future__ import annotations

import pytest

from ingest.installation_pipes import MainPipe, lines_of
from ingest.load_installation import InstallationError, loads
from tests.ingest.test_ingest_installation_file import GOOD

NORTH = '{ length = "50 m", diameter = "40 mm", shared = "north line" }'

OWN = '{ length = "10 m", diameter = "32 mm" }'


def _two(first: str, second: str) -> bytes:
    """Return a file whose two zones have these mains."""
    zone = "[zone.bench1]\n"
    assert GOOD.count(zone) == 1
    other = f'[zone.bench2]\ninjector = "main"\nmain = [{second}]\n\n'
    return GOOD.replace(zone, f"{other}{zone}main = [{first}]\n").encode()


def test_line_shared_by_two_zones_is_read() -> None:
    """The same line in two zones is one line, with its pieces in order."""
    found = loads(_two(f"{NORTH}, {OWN}", NORTH)).zone

    assert lines_of({name: zone.main for name, zone in found.items()}) == {"north line": ((50.0, 40.0),)}


@pytest.mark.parametrize(
    ("first", "second", "words"),
    [
        (
            NORTH,
            NORTH.replace("50 m", "60 m"),
            "'north line' has other lengths or diameters than in zone.bench2",
        ),
        (f"{OWN}, {NORTH}", NORTH, "'north line' must come before the zone's own pipes"),
    ],
)
def test_lines_that_contradict_each_other_are_told(first: str, second: str, words: str) -> None:
    """A line described in two ways, or one that begins beyond a zone's own pipes, is told with its zone."""
    with pytest.raises(InstallationError, match=words) as caught:
        loads(_two(first, second), source="fen.toml")

    assert "zone.bench1.main" in str(caught.value)


def test_pipes_without_a_name_are_the_zones_own() -> None:
    """Mains without a shared line give no line."""
    pipe = MainPipe.model_validate({"length": "50 m", "diameter": "40 mm"})

    assert lines_of({"a": [pipe], "b": [pipe]}) == {}
