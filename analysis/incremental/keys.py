"""What a stretch's results depend on, as one key: the program, the system, the readings."""

from __future__ import annotations

import functools
import hashlib
import importlib
import json
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.said import StretchSaid

if TYPE_CHECKING:
    from ingest.installation import Installation

PACKAGES = ("analysis", "ingest")
"""Folders of this program whose every line counts: a changed method works everything out again."""

LIBRARIES = ("numpy", "pandas", "scipy")
"""Libraries that do arithmetic: another version may give another last bit."""

NOT_OF_READINGS = frozenset({"name", "units", "broker", "water"})
"""Tables of the installation file that no step on a stretch looks at."""

AT_THE_DOOR = frozenset({"source", "calibration"})
"""Keys of a sensor that act when a reading comes in, so that the stored readings tell of them."""


@functools.cache
def method() -> str:
    """Return a digest of this program's own lines and of the libraries that it computes with."""
    said = hashlib.sha256()
    for package in PACKAGES:
        folder = Path(str(importlib.import_module(package).__file__)).parent
        for path in sorted(folder.rglob("*.py")):
            said.update(f"{path.relative_to(folder)}\n".encode())
            said.update(path.read_bytes())
    said.update(" ".join(f"{name} {version(name)}" for name in LIBRARIES).encode())
    return said.hexdigest()


def system(installation: Installation) -> str:
    """Return a digest of what the steps can see of an installation.

    Examples
    --------
    >>> import tomllib
    >>> from ingest.installation import Installation
    >>> text = '''name = "Home"
    ... timezone = "UTC"
    ... supply = { kind = "well", backflow_preventer = "none" }
    ... zone.a = {}
    ... sensor.ec = { quantity = "conductivity", point = "mixed", unit = "mS/cm", source = { csv = "ec" } }'''
    >>> one = Installation.model_validate(tomllib.loads(text))
    >>> system(one) == system(one.model_copy(update={"name": "Garden"}))
    True
    >>> system(one) == system(one.model_copy(update={"timezone": "Europe/Lisbon"}))
    False
    """
    seen = installation.model_dump(mode="json", exclude=set(NOT_OF_READINGS))
    for sensor in seen["sensor"].values():
        for key in AT_THE_DOOR:
            sensor.pop(key, None)
    text = json.dumps(seen, sort_keys=True, default=str)
    return hashlib.sha256(text.encode()).hexdigest()


def beginning(installation: Installation) -> bytes:
    """Return what every key of an installation's stretches begins with: the program and the system."""
    form = ",".join(StretchSaid.__slots__)
    return f"{form}\n{method()}\n{system(installation)}\n".encode()


def key(begun: bytes, readings: bytes) -> bytes:
    """Return the key of a stretch's results.

    Parameters
    ----------
    begun : bytes
        What `beginning` returned.
    readings : bytes
        Digest of the readings that the stretch looked at.

    Examples
    --------
    >>> key(b"program and system", b"readings") == key(b"program and system", b"other readings")
    False
    """
    return hashlib.sha256(begun + hashlib.sha256(readings).digest()).digest()
