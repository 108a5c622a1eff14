"""Subcommands of this folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from dashboard import cli_check


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
    cli_check.register(app)

    @app.command()
    def dashboard(
        installation: Annotated[Path, typer.Option(help="The installation file.")],
        archive: Annotated[Path, typer.Option(help="Folder of the archive that the ingester fills.")],
        host: Annotated[
            str, typer.Option(help="Address to listen at; this machine alone by default.")
        ] = "127.0.0.1",
        port: Annotated[
            int, typer.Option(min=0, max=65535, help="Port to listen at; 0 takes a free one.")
        ] = 8050,
        prefix: Annotated[str, typer.Option(help="Path under which a reverse proxy shows the pages.")] = "/",
        days: Annotated[float, typer.Option(min=0.01, help="Days that the results look back.")] = 7.0,
    ) -> None:
        """Show every zone in the browser: what runs, what is wrong, what needs a person."""
        from dashboard.app import Settings  # noqa: PLC0415 - other commands do not pay for the screen
        from dashboard.serve import serve  # noqa: PLC0415 - as above
        from dashboard.watch import Pace  # noqa: PLC0415 - as above
        from ingest.load_installation import load  # noqa: PLC0415 - as above

        path = "/" + prefix.strip("/") + "/" if prefix.strip("/") else "/"
        serve(
            archive,
            load(installation),
            host=host,
            port=port,
            settings=Settings(prefix=path),
            pace=Pace(days=days),
        )
