"""Subcommands of this folder, each in a module of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from ingest import cli_archive, cli_ingest, cli_load

if TYPE_CHECKING:
    import typer


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
    cli_ingest.register(app)
    cli_archive.register(app)
    cli_load.register(app)
