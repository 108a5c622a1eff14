"""The drawing library that browsers load: the small bundle where it is installed, else the whole one.

Charts here are lines, so a quarter of the library is enough; a browser then starts drawing more than a second
earlier (measured). ``python -m dashboard.drawing`` fetches the small bundle with npm, checks it, and puts it
beside the installed packages; without npm nothing is lost but that second.
"""

from __future__ import annotations

import gzip
import hashlib
import shutil
import subprocess
import sys
import tarfile
import tempfile
from functools import cache
from importlib.resources import files
from pathlib import Path

import plotly
from flask import Response, request

BUNDLE, BUNDLE_VERSION = "plotly.js-basic-dist-min", "4.1.1"
"""Package of the npm registry that holds the small bundle. Its licence is MIT."""

MEMBER = "package/plotly-basic.min.js"
"""The one file of that package that is taken."""

DIGEST = "99784e3abfb07b142a15e521a439e6d9addceadb3f79553fd24c72774f0649ba"
"""SHA-256 of that file; another one is not served."""

PLACE = Path(sys.prefix) / "share" / "tricklebook" / "plotly-basic.min.js"
"""Where the small bundle stands once it is installed."""

FETCH_S = 120.0
"""Longest time that fetching may take. [s]"""

_OTHER = "the package holds another file than was expected; nothing is changed"


def small_or_whole(place: Path = PLACE) -> tuple[str, bytes]:
    """Return the library's name and its bytes.

    Parameters
    ----------
    place : Path
        Where the small bundle would stand.

    Returns
    -------
    str, bytes
        The name changes with the content, so that browsers may keep what they have.
    """
    if place.is_file():
        content = place.read_bytes()
        if hashlib.sha256(content).hexdigest() == DIGEST:
            return f"plotly-basic-{BUNDLE_VERSION}.js", content
    return f"plotly-{plotly.__version__}.js", (
        files("plotly") / "package_data" / "plotly.min.js"
    ).read_bytes()


@cache
def library() -> tuple[str, bytes, bytes]:
    """Return what this process serves: name, content, content compressed."""
    name, content = small_or_whole()
    return name, content, gzip.compress(content, 9, mtime=0)


def name() -> str:
    """Return the name under which the library is served."""
    return library()[0]


def answer() -> Response:
    """Serve the library, to be kept by the browser."""
    packed = "gzip" in request.headers.get("Accept-Encoding", "")
    made = Response(library()[2 if packed else 1], mimetype="text/javascript")
    made.headers["Cache-Control"] = "public, max-age=31536000, immutable"
    made.headers["Vary"] = "Accept-Encoding"
    if packed:
        made.headers["Content-Encoding"] = "gzip"
    return made


def take(package: Path, place: Path) -> None:
    """Put the bundle of a downloaded package in place.

    Parameters
    ----------
    package : Path
        The package as npm packs it.
    place : Path
        Where the bundle goes.

    Raises
    ------
    ValueError
        If the package holds anything else than the file that is expected.
    """
    try:
        with tarfile.open(package) as tar:
            member = tar.extractfile(MEMBER)
            content = b"" if member is None else member.read()
    except (tarfile.TarError, KeyError) as error:
        raise ValueError(_OTHER) from error
    if hashlib.sha256(content).hexdigest() != DIGEST:
        raise ValueError(_OTHER)
    place.parent.mkdir(parents=True, exist_ok=True)
    spare = place.with_name(f".{place.name}")
    spare.write_bytes(content)
    spare.replace(place)


def fetch(place: Path = PLACE) -> str:
    """Fetch the small bundle where it is not there yet; return what came of it, in words."""
    if small_or_whole(place)[0].startswith("plotly-basic"):
        return f"{place}: the small drawing library is there"
    npm = shutil.which("npm")
    if npm is None:
        return "npm is not installed; browsers get the whole drawing library, and need a second more to start"
    with tempfile.TemporaryDirectory() as folder:
        command = [npm, "pack", "--silent", f"{BUNDLE}@{BUNDLE_VERSION}"]
        try:
            subprocess.run(command, cwd=folder, check=True, capture_output=True, timeout=FETCH_S)  # noqa: S603 - fixed words
            take(next(Path(folder).glob("*.tgz")), place)
        except (OSError, subprocess.SubprocessError, StopIteration, ValueError) as error:
            return f"the small drawing library did not come ({error}); browsers get the whole one"
    return f"{place}: the small drawing library is installed"


if __name__ == "__main__":
    sys.stdout.write(fetch() + "\n")
