"""``tricklebook ingest``: take what the devices publish into the archive."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

EVERY_S, FLEET_EVERY_S = 15.0, 60.0
"""Time between two files of an archive, where one system and where a fleet is taken in. [s]"""

OWN_NAME = "fleet"
"""Name of the ingester of a fleet, where only one runs."""


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("ingest")(ingest)


def ingest(
    *,
    installation: Annotated[
        Path | None, typer.Option(help="The installation.toml that describes the system.")
    ] = None,
    archive: Annotated[
        Path | None, typer.Option(help="Folder that keeps the readings; made where missing.")
    ] = None,
    fleet: Annotated[
        Path | None,
        typer.Option(help="Instead of both: a folder with one folder a site, installation.toml in each."),
    ] = None,
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
        float | None,
        typer.Option(
            help="Seconds between two files of an archive, 15 for one system and 60 for a fleet where left "
            "out; pages see new readings at once.",
            min=0.0,
        ),
    ] = None,
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

    from ingest.address import address_of  # noqa: PLC0415 - as above
    from ingest.fleet import FLEET, fleet_broker  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above
    from ingest.service import Plan, run  # noqa: PLC0415 - as above

    logging.basicConfig(format="%(asctime)s ingest: %(message)s")
    logging.getLogger("ingest").setLevel(logging.INFO)
    if fleet is not None and installation is None and archive is None:
        file, kept, site, broker, folder = fleet, fleet, FLEET, fleet_broker(fleet), fleet
    elif fleet is None and installation is not None and archive is not None:
        described = load(installation)
        file, kept, site, broker = installation, archive, described.site, described.broker
        folder = installation.parent
    else:
        msg = "give --installation and --archive for one system, or --fleet for many"
        raise typer.BadParameter(msg)
    name = writer or (OWN_NAME if site == FLEET else site)
    pace = every if every is not None else (FLEET_EVERY_S if site == FLEET else EVERY_S)
    run(
        Plan(
            file, kept, site, name, address_of(broker, folder, name, host=host, port=port), pace, health_port
        )
    )
