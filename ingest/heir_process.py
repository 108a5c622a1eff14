"""A process that takes over what waits for one ingester that is gone, and ends."""

from __future__ import annotations

import logging
import sys
from pathlib import Path

from ingest.address import from_installation
from ingest.errors import UserError
from ingest.heir import inherit
from ingest.load_installation import load


def main(arguments: list[str]) -> int:
    """Take over.

    Parameters
    ----------
    arguments : list of str
        Installation file, archive folder, the writer that is gone, host and port of the broker.

    Returns
    -------
    int
        Exit status.
    """
    logging.basicConfig(format="%(asctime)s heir: %(message)s")
    logging.getLogger("ingest").setLevel(logging.INFO)
    file, archive, writer, host, port = arguments
    try:
        installation = load(Path(file))
        address = from_installation(installation, Path(file).parent, writer, host=host, port=int(port))
        inherit(Path(archive), installation.site, writer, address)
    except (UserError, OSError) as error:
        sys.stderr.write(f"heir: {error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
