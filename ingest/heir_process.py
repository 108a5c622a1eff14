"""A process that takes over what waits for one ingester that is gone, and ends."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

from ingest.address import address_of
from ingest.errors import UserError
from ingest.fleet import FLEET, fleet_broker
from ingest.heir import inherit
from ingest.load_installation import load


def main(arguments: list[str]) -> int:
    """Take over.

    Parameters
    ----------
    arguments : list of str
        Installation file and archive folder, or twice the folder of a fleet; the writer that is gone; host and
        port of the broker.

    Returns
    -------
    int
        Exit status.
    """
    logging.basicConfig(format="%(asctime)s heir: %(message)s")
    logging.getLogger("ingest").setLevel(logging.INFO)
    file, archive, writer, host, port = arguments
    try:
        if file == archive:
            site, broker, folder = FLEET, fleet_broker(Path(file)), Path(file)
        else:
            installation = load(Path(file))
            site, broker, folder = installation.site, installation.broker, Path(file).parent
        inherit(Path(archive), site, writer, address_of(broker, folder, writer, host=host, port=int(port)))
    except (UserError, OSError) as error:
        sys.stderr.write(f"heir: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
