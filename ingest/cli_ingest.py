"""``tricklebook ingest``: take what the devices publish into the archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("ingest")(ingest)


def ingest(
    *,
    installation: Annotated[Path, typer.Option(help="The installation.toml that describes the system.")],
    archive: Annotated[Path, typer.Option(help="Folder that keeps the readings; made where missing.")],
    host: Annotated[
        str | None, typer.Option(help="Broker, where it is not the one of the installation file.")
    ] = None,
    port: Annotated[int | None, typer.Option(help="Its port, likewise.", min=1, max=65535)] = None,
    writer: Annotated[
        str | None,
        typer.Option(
            help="Name of this ingester; the installation's own where only one runs. "
            "Each of several on one archive needs its own."
        ),
    ] = None,
    every: Annotated[
        float,
        typer.Option(
            help="Seconds between two files of the archive; pages see new readings at once.", min=0.0
        ),
    ] = 15.0,
    health_port: Annotated[
        int | None,
        typer.Option(
            help="Port on this machine for /health and /metrics; none where left out.", min=0, max=65535
        ),
    ] = None,
) -> None:
    """Take what the devices publish into the archive, until Ctrl-C.

    A message is acknowledged to the broker only once it is on the disk; a crash, a full disk or a lost
    connection loses nothing after that. User and password of the broker come from the files that the
    installation names, or from TRICKLEBOOK_MQTT_USER and TRICKLEBOOK_MQTT_PASSWORD, or with _FILE
    appended from files that these name; never from the command line, where others could read them.
    """
    import logging  # noqa: PLC0415 - loads only when needed

    from ingest.address import from_installation  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above
    from ingest.service import Plan, run  # noqa: PLC0415 - as above

    logging.basicConfig(format="%(asctime)s ingest: %(message)s")
    logging.getLogger("ingest").setLevel(logging.INFO)
    described = load(installation)
    name = writer or described.site
    address = from_installation(described, installation.parent, name, host=host, port=port)
    run(Plan(installation, archive, described.site, name, address, every, health_port))
