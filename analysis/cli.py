"""Subcommands of this folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import typer


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
