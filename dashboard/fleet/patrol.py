"""Goes round the sites of a fleet, one after the other, and notes how each stands. A process of its own.

The pages read what it notes, so they stay quick however long a round takes, and know it after a restart.
"""

from __future__ import annotations

import json
import logging
import os
import select
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from dashboard.cases import cases, with_services
from dashboard.display import finding_place
from dashboard.feed import ArchiveFeed
from dashboard.fleet.standing import Standing, from_row, standing, to_row
from dashboard.lately import of_late
from dashboard.notices.own import ingest_watcher
from dashboard.records import Records
from dashboard.snapshot import ordered, sensor_states
from dashboard.watch import Pace
from ingest.errors import UserError
from ingest.files import publish_soon
from ingest.fleet import FLEET, Site, sites_in
from ingest.load_installation import load
from ingest.memory import be_frugal
from ingest.store import latest

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

log = logging.getLogger(__name__)

REST = 1.0
"""It rests as long as it worked, so that half a processor is left to others. [-]"""

ROUND_S = 60.0
"""Time between the beginnings of two rounds at least. [s]"""

FURTHER = 2.0
"""So many days a season reaches further back with each visit, so that no first round of a fleet with long archives
keeps news of the other sites back for hours. [d] No source."""


def noted_in(folder: Path) -> Path:
    """Return the folder of the notes of a fleet."""
    return folder / "state" / f"site={FLEET}" / "standing"


def read_notes(folder: Path) -> list[Standing]:
    """Return how each site stands, as noted last; a site without a note has not been looked at."""
    found = []
    for site in sites_in(folder):
        try:
            row = json.loads((noted_in(folder) / f"{site.name}.json").read_bytes())
            found.append(from_row(row))
        except (FileNotFoundError, ValueError, TypeError):
            found.append(Standing(site.name, site.name))
    return found


def reach_of(before: float, pace: Pace) -> float:
    """Return how far back a season is looked at, from how far it was at the last visit. [d]

    Examples
    --------
    >>> [reach_of(before, Pace(days=7.0, season=120.0)) for before in (0.0, 7.0, 119.0, 120.0)]
    [7.0, 9.0, 120.0, 120.0]
    """
    return min(pace.season, max(pace.days, before + FURTHER))


def look_at(site: Site, pace: Pace, now: pd.Timestamp, *, before: float = 0.0) -> Standing:
    """Return how a site stands now.

    Parameters
    ----------
    site : Site
        Which.
    pace : Pace
        How far the analysis looks back.
    now : pandas.Timestamp
        The present. [UTC]
    before : float
        How far back its season was looked at when it was visited last. [d]
    """
    title, reach = site.name, reach_of(before, pace)
    try:
        installation = load(site.description)
        title = installation.name
        records = Records(site.archive)
        feed = ArchiveFeed(site.archive, installation)
        findings = of_late(feed, records.services(), now, days=pace.days, season=reach).findings
        also = ingest_watcher(site.archive, installation.site, now)(now) if _has_ingester(site) else ()
        known = with_services(records.cases.book(), records.services())
        told = ordered(cases((*findings, *also), known))
        states = sensor_states(installation, latest(site.archive, installation), now)
    except (UserError, OSError, RuntimeError, ValueError) as error:
        log.warning("%s: %s", site.name, error)
        return Standing(
            site.name, title, now.isoformat(), problem=str(error).partition("\n")[0], reach=before
        )
    open_cases = [case.finding for case in told if case.state == "open"]
    words = f"{open_cases[0].kind}, {finding_place(open_cases[0])}" if open_cases else ""
    return replace(standing(site.name, title, told, states.values(), now, words=words), reach=reach)


def _has_ingester(site: Site) -> bool:
    """Tell whether a site has an ingester of its own; one for the whole fleet is watched by the fleet's page."""
    return any((site.archive / "state").glob("site=*/receiver.*.json"))


def go_round(folder: Path, pace: Pace, should_stop: Callable[[], bool]) -> Iterator[Standing]:
    """Look at every site, note how it stands, and yield that."""
    before = {one.name: one.reach for one in read_notes(folder)}
    for site in sites_in(folder):
        if should_stop():
            return
        begun = time.monotonic()
        found = look_at(site, pace, pd.Timestamp.now("UTC"), before=before.get(site.name, 0.0))
        publish_soon(noted_in(folder) / f"{site.name}.json", to_row(found))
        yield found
        time.sleep(REST * (time.monotonic() - begun))


def main(arguments: list[str]) -> None:
    """Go round a fleet until standard input ends: ``FOLDER DAYS SEASON``."""
    logging.basicConfig(format="%(asctime)s patrol: %(message)s")
    os.nice(10)
    be_frugal()
    folder, pace = Path(arguments[0]), Pace(days=float(arguments[1]), season=float(arguments[2]))

    def should_stop(wait_s: float = 0.0) -> bool:
        return bool(select.select([sys.stdin], [], [], wait_s)[0]) and not os.read(sys.stdin.fileno(), 1)

    while True:
        begun = time.monotonic()
        for _ in go_round(folder, pace, should_stop):
            pass
        if should_stop(max(ROUND_S - (time.monotonic() - begun), 1.0)):
            return


if __name__ == "__main__":
    main(sys.argv[1:])
