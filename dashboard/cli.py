"""Subcommands of this folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from dashboard import cli_check, cli_export, cli_flags, cli_notices, cli_report
from dashboard.lately import RUN_DAYS, SEASON_DAYS
from ingest.errors import UserError

UsersFile = Annotated[Path, typer.Option(help="The file of users.")]


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
    cli_check.register(app)
    cli_report.register(app)
    cli_notices.register(app)
    cli_export.register(app)
    cli_flags.register(app)

    @app.command()
    def dashboard(  # noqa: PLR0913 - a command has the options that people need
        *,
        installation: Annotated[Path | None, typer.Option(help="The installation file.")] = None,
        archive: Annotated[
            Path | None, typer.Option(help="Folder of the archive that the ingester fills.")
        ] = None,
        fleet: Annotated[
            Path | None,
            typer.Option(help="Instead of both: a folder with one folder a site, each with both."),
        ] = None,
        host: Annotated[
            str, typer.Option(help="Address to listen at; this machine alone by default.")
        ] = "127.0.0.1",
        port: Annotated[
            int, typer.Option(min=0, max=65535, help="Port to listen at; 0 takes a free one.")
        ] = 8050,
        prefix: Annotated[str, typer.Option(help="Path under which a reverse proxy shows the pages.")] = "/",
        days: Annotated[
            float, typer.Option(min=0.01, help="Days that runs and what is over are looked back on.")
        ] = RUN_DAYS,
        season: Annotated[
            float,
            typer.Option(
                min=1.0, help="Days that losses, forecasts, services and slow faults look back, at most."
            ),
        ] = SEASON_DAYS,
        users: Annotated[
            Path | None,
            typer.Option(help="File of users, made by `tricklebook users`; without it nobody logs in."),
        ] = None,
        behind_proxy: Annotated[
            bool,
            typer.Option(
                "--behind-proxy", help="A reverse proxy stands before the pages; believe its headers."
            ),
        ] = False,
    ) -> None:
        """Show every zone, or of a fleet every site, in the browser: what runs, what is wrong, what needs you."""
        from dashboard.app import Settings  # noqa: PLC0415 - other commands do not pay for the screen
        from dashboard.serve import serve  # noqa: PLC0415 - as above
        from dashboard.watch import Pace  # noqa: PLC0415 - as above
        from ingest.load_installation import load  # noqa: PLC0415 - as above

        path = "/" + prefix.strip("/") + "/" if prefix.strip("/") else "/"
        settings, pace = Settings(path, users, behind_proxy), Pace(days=days, season=season, ahead=True)
        if fleet is not None and installation is None and archive is None:
            from dashboard.fleet.host import serve_fleet  # noqa: PLC0415 - as above

            serve_fleet(fleet, host=host, port=port, settings=settings, pace=pace)
        elif fleet is None and installation is not None and archive is not None:
            serve(archive, load(installation), host=host, port=port, settings=settings, pace=pace)
        else:
            msg = "give --installation and --archive for one system, or --fleet for many"
            raise typer.BadParameter(msg)

    app.add_typer(_users(), name="users")


def _users() -> typer.Typer:
    """Return the commands that keep the file of users."""
    group = typer.Typer(no_args_is_help=True, help="Who may see the dashboard, and who may write in it.")

    @group.command()
    def add(
        name: Annotated[str, typer.Argument(help="The name, as entries are signed.")],
        users: UsersFile,
        role: Annotated[
            Literal["look", "note", "manage"],
            typer.Option(help="look: see everything; note: write too; manage: calibrations and links too."),
        ] = "look",
    ) -> None:
        """Add a user, or give one a new password or role; asks for the password."""
        from dashboard.access.users import load, made, save  # noqa: PLC0415 - other commands do not pay for it

        known = load(users) if users.exists() else {}
        password = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
        save(users, known | {name: made(name, password, role)})
        typer.echo(f"{name} may now {role}.", err=True)

    @group.command()
    def remove(name: Annotated[str, typer.Argument(help="The name.")], users: UsersFile) -> None:
        """Take a user out; their sessions end at once."""
        from dashboard.access.users import load, save  # noqa: PLC0415 - other commands do not pay for it

        known = load(users)
        if name not in known:
            msg = f"{users}: there is no user {name!r}; there are {', '.join(sorted(known)) or 'none'}"
            raise UserError(msg)
        save(users, {other: user for other, user in known.items() if other != name})

    @group.command("list")
    def list_all(users: UsersFile) -> None:
        """List the users and their roles."""
        from dashboard.access.users import load  # noqa: PLC0415 - other commands do not pay for it

        for name, user in sorted(load(users).items()):
            typer.echo(f"{name}\t{user.role}")

    return group
