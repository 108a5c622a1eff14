"""Every text of the screen stands in the language file, and every text there is used."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

from dashboard.texts import catalogue

SOURCES = [path for path in Path(str(files("dashboard"))).rglob("*") if path.suffix in {".py", ".html"}]
COMPOSED = re.compile(r'say\(\s*f"([^"]*)"')
JOINED = re.compile(r'say\("([a-z_.]+)" ~')
PLAIN = re.compile(r'"((?:[a-z_]+)\.(?:[a-z0-9_]+))"')


def used() -> set[str]:
    """Return every text key that stands in the sources, composed ones by their table."""
    text = "\n".join(path.read_text("utf-8") for path in SOURCES)
    keys = set(PLAIN.findall(text)) & set(catalogue())
    for pattern in COMPOSED.findall(text):
        shape = re.compile(
            re.sub(r"\{[^}]*\}", ".*", re.escape(pattern).replace(r"\{", "{").replace(r"\}", "}"))
        )
        keys |= {key for key in catalogue() if shape.fullmatch(key)}
    keys |= {key for begin in JOINED.findall(text) for key in catalogue() if key.startswith(begin)}
    return keys


def test_every_plain_key_exists() -> None:
    """No page asks for a text that the language file lacks."""
    asked = {
        key
        for path in SOURCES
        for key in re.findall(r'say\(\s*"([a-z_.0-9]+)"(?! ~)', path.read_text("utf-8"))
    }

    assert asked - set(catalogue()) == set()
    assert len(asked) > 50


def test_every_text_is_used() -> None:
    """The language file holds nothing that no page shows."""
    composed_elsewhere = {key for key in catalogue() if key.startswith("estimate.")}

    assert set(catalogue()) - used() - composed_elsewhere == set()


def test_every_estimate_has_a_name() -> None:
    """Each estimate of the analysis is called something on the screen."""
    from analysis.results import ESTIMATE_UNITS  # noqa: PLC0415 - only here
    from dashboard.estimates import ORDER  # noqa: PLC0415 - only here

    names = {"estimate." + q.lower().replace(" ", "_").replace("-", "_") for q in ESTIMATE_UNITS}
    assert names - set(catalogue()) == set()
    assert set(ORDER) == set(ESTIMATE_UNITS)
