"""The archiver's own process: it ends when it is told to, or when the process that started it is gone."""

from __future__ import annotations

import logging
import os
import select
import signal
import sys
from pathlib import Path

from ingest.archiver import Archiver
from ingest.errors import UserError
from ingest.fleet import FLEET, load_sites
from ingest.fleet_rounds import FleetRounds
from ingest.load_installation import load
from ingest.memory import be_frugal
from ingest.rounds import Rounds


class Orders:
    """Whether to stop: told by a signal, or by the end of standard input, which the parent holds open."""

    def __init__(self) -> None:
        self._told = False
        signal.signal(signal.SIGTERM, self._tell)
        signal.signal(signal.SIGINT, signal.SIG_IGN)

    def _tell(self, *_: object) -> None:
        self._told = True

    def should_stop(self) -> bool:
        """Tell whether to stop."""
        if not self._told and select.select([sys.stdin], [], [], 0)[0]:
            self._told = not os.read(sys.stdin.fileno(), 1)
        return self._told


def main(arguments: list[str]) -> int:
    """Archive until told to stop.

    Parameters
    ----------
    arguments : list of str
        Installation file and archive folder, or twice the folder of a fleet; and seconds between rounds.

    Returns
    -------
    int
        Exit status.
    """
    logging.basicConfig(format="%(asctime)s archiver: %(message)s")
    logging.getLogger("ingest").setLevel(logging.INFO)
    described, archive, every = Path(arguments[0]), Path(arguments[1]), float(arguments[2])
    be_frugal()
    orders = Orders()
    rounds: Rounds | FleetRounds
    try:
        if described == archive:
            site, rounds = FLEET, FleetRounds(archive, load_sites(archive))
        else:
            installation = load(described)
            site, rounds = installation.site, Rounds(archive, installation)
        Archiver(archive, site, rounds, orders.should_stop, every_s=every).run()
    except UserError as error:
        sys.stderr.write(f"archiver: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
