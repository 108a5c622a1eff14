"""The small drawing library is served only as it was published; the whole one serves where it is not there."""

from __future__ import annotations

import io
import tarfile
from pathlib import Path

import pytest

from dashboard.drawing import MEMBER, small_or_whole, take


def packed(content: bytes, member: str = MEMBER) -> bytes:
    """Return a package as npm packs it."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as tar:
        entry = tarfile.TarInfo(member)
        entry.size = len(content)
        tar.addfile(entry, io.BytesIO(content))
    return out.getvalue()


@pytest.mark.parametrize(
    "package", [packed(b"alert(1)"), packed(b"x", "package/other.js"), b"no package at all", b""]
)
def test_other_packages_are_refused(tmp_path: Path, package: bytes) -> None:
    """A package that holds anything but the one file that is expected leaves no file behind."""
    (tmp_path / "package.tgz").write_bytes(package)

    with pytest.raises(ValueError, match="another file than was expected"):
        take(tmp_path / "package.tgz", tmp_path / "place" / "bundle.js")

    assert not (tmp_path / "place").exists()


def test_altered_bundle_is_not_served(tmp_path: Path) -> None:
    """Where the bundle is missing or was changed, browsers get the library that plotly brings."""
    (tmp_path / "bundle.js").write_text("alert(1)")

    for place in (tmp_path / "bundle.js", tmp_path / "none.js"):
        name, content = small_or_whole(place)
        assert name.startswith("plotly-")
        assert b"plotly.js" in content[:100]
