"""Subcommands of this folder, each in a module of its own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis import cli_service
from analysis.cli_analyse import analyse
from analysis.cli_commission import commission
from analysis.cli_equivalence import equivalence
from analysis.uniformity.cli import uniformity

if TYPE_CHECKING:
    import typer


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
    app.command("analyse")(analyse)
    cli_service.register(app)
    app.command("uniformity")(uniformity)
    app.command("commission")(commission)
    app.command("equivalence")(equivalence)
