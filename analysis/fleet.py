"""Many sites: a folder with one folder a site, each with its description and its archive."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from ingest.errors import UserError

if TYPE_CHECKING:
    from pathlib import Path

DESCRIPTION, ARCHIVE = "installation.toml", "archive"
"""What stands in a site's folder: its description, and the folder with its readings."""


@dataclass(frozen=True, slots=True)
class Site:
    """One site.

    Attributes
    ----------
    name : str
        What its folder is called.
    description : Path
        Its ``installation.toml``.
    archive : Path
        The folder with its readings.
    """

    name: str
    description: Path
    archive: Path


def sites_in(folder: Path) -> list[Site]:
    """Return the sites of a fleet by name.

    Parameters
    ----------
    folder : Path
        Holds one folder a site.

    Raises
    ------
    UserError
        If there is none.
    """
    found = [
        Site(path.parent.name, path, path.parent / ARCHIVE)
        for path in sorted(folder.glob(f"*/{DESCRIPTION}"))
    ]
    if not found:
        msg = (
            f"{folder}: there is no site here; each needs a folder of its own with {DESCRIPTION} and a folder "
            f"{ARCHIVE} in it"
        )
        raise UserError(msg)
    return found
