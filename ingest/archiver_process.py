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
from ingest.load_installation import load


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
        Installation file, archive folder, and seconds between rounds.

    Returns
    -------
    int
        Exit status.
    """
    logging.basicConfig(format="%(asctime)s archiver: %(message)s")
    logging.getLogger("ingest").setLevel(logging.INFO)
    installation, archive, every = arguments
    orders = Orders()
    try:
        Archiver(Path(archive), load(Path(installation)), orders.should_stop, every_s=float(every)).run()
    except UserError as error:
        sys.stderr.write(f"archiver: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
