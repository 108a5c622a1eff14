"""Many sites and one ingester: a folder with one folder a site, each with its description and its archive."""

from __future__ import annotations

import bisect
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from ingest.errors import UserError
from ingest.formats.topics import matches
from ingest.installation_sources import Broker
from ingest.load_installation import load, read_as

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from ingest.installation import Installation

DESCRIPTION, ARCHIVE = "installation.toml", "archive"
"""What stands in a site's folder: its description, and the folder with its readings."""

FLEET = "_fleet"
"""Stands for all sites where the ingester's own state is kept; no installation has such a name in paths."""

TOPICS_KEPT = 65_536
"""Topics whose site is kept in mind. Computed: more than a thousand sites of twenty sensors have."""

BROKER = "broker.toml"
"""File in the fleet's folder that says where the broker is; the keys are those of an installation's table."""


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


def load_sites(folder: Path) -> list[tuple[Site, Installation]]:
    """Return the sites of a fleet with their descriptions.

    Raises
    ------
    UserError
        If there is none, a description must be mended, or two sites take the same messages.
    """
    found, wrong = [], []
    for site in sites_in(folder):
        try:
            found.append((site, load(site.description)))
        except UserError as error:
            wrong.append(str(error))
    if wrong:
        raise UserError("\n".join(wrong))
    _refuse_overlap(found)
    return found


def _literal(topic: str) -> str:
    """Return what every topic that fits a filter begins with."""
    return topic.partition("+")[0].partition("#")[0]


def _refuse_overlap(found: Sequence[tuple[Site, Installation]]) -> None:
    """Refuse sites whose topics cannot be told apart by how they begin."""
    begins = sorted(
        (_literal(topic), site.name, topic) for site, described in found for topic in described.broker.topics
    )
    for (one, first, topic), (other, second, _) in pairwise(begins):
        if other.startswith(one) and first != second:
            msg = (
                f"{first}/{DESCRIPTION}, [broker] topics: {topic!r} takes messages of the site {second!r} too; "
                'give each site topics of its own, like topics = ["sites/north/#"]'
            )
            raise UserError(msg)


def fleet_broker(folder: Path) -> Broker:
    """Return where the fleet's broker is, this machine where nothing is said, and the topics of all sites.

    Raises
    ------
    UserError
        If the file, or a site's description, must be mended.
    """
    path = folder / BROKER
    topics = {topic for _, described in load_sites(folder) for topic in described.broker.topics}
    said = read_as(path, Broker) if path.exists() else Broker()
    return said.model_copy(update={"topics": tuple(sorted(topics))})


class Dispatch:
    """Tells whose a message is.

    Parameters
    ----------
    topics : sequence of (str, int)
        Topic filters, and the number of the site that each belongs to.

    Examples
    --------
    >>> whose = Dispatch([("sites/north/#", 0), ("sites/south/+", 1)])
    >>> whose("sites/south/flow"), whose("sites/north"), whose("sites/east/flow")
    (1, 0, None)
    """

    def __init__(self, topics: Sequence[tuple[str, int]]) -> None:
        self._begins: list[str] = []
        self._groups: list[list[tuple[list[str], int]]] = []
        for begin, topic, site in sorted((_literal(topic), topic, site) for topic, site in topics):
            if not self._begins or not begin.startswith(self._begins[-1]):
                self._begins.append(begin)
                self._groups.append([])
            self._groups[-1].append((topic.split("/"), site))
        self._known: dict[str, int | None] = {}

    def __call__(self, topic: str) -> int | None:
        """Return the number of the site that a topic belongs to, or None."""
        if topic not in self._known:
            if len(self._known) >= TOPICS_KEPT:
                self._known.clear()
            self._known[topic] = self._find(topic)
        return self._known[topic]

    def _find(self, topic: str) -> int | None:
        place = bisect.bisect_right(self._begins, f"{topic}/") - 1
        levels = topic.split("/")
        fits = (
            (site for pattern, site in self._groups[place] if matches(pattern, levels)) if place >= 0 else ()
        )
        return next(iter(fits), None)
