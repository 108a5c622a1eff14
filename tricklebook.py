"""The front door: one command, ``tricklebook``; each subcommand is defined in the folder that owns it."""

from __future__ import annotations

import sys

import typer

from analysis import cli as analysis_cli
from dashboard import cli as dashboard_cli
from ingest import cli as ingest_cli
from ingest.errors import UserError
from sample_data import cli as demo_cli

app = typer.Typer(
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Watch a drip system that feeds through the water: what was injected, what each zone got, "
    "when the lines ran clean. It only watches: it never commands a valve or a pump.",
)
for owner in (demo_cli, ingest_cli, analysis_cli, dashboard_cli):
    owner.register(app)


def main() -> None:
    """Run the command; what a person can mend goes to standard error with exit status 2."""
    try:
        app()
    except UserError as error:
        sys.stderr.write(f"tricklebook: {error}\n")
        sys.exit(2)


if __name__ == "__main__":
    main()
