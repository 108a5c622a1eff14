"""``tricklebook check``: read an installation file, say what is wrong with it, or what it says."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

import typer


def register(app: typer.Typer) -> None:
    """Add the command to the front door."""
    app.command("check")(check)


def check(
    installation: Annotated[
        Path, typer.Argument(help="The installation.toml that describes the system.")
    ] = Path("installation.toml"),
    schema: Annotated[  # noqa: FBT002 - a switch of the command line
        bool, typer.Option("--schema", help="Print the file's JSON Schema, for an editor, and end.")
    ] = False,
) -> None:
    """Read the description of a drip system and say what is wrong with it, or what it says."""
    if schema:
        from ingest.installation_schema import schema_text  # noqa: PLC0415 - pydantic loads only when needed

        sys.stdout.write(schema_text() + "\n")
        return
    from ingest.description import describe  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    sys.stdout.write(describe(load(installation)) + "\n")
