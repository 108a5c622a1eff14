"""Subcommands of this folder: ``tricklebook run`` and ``tricklebook devices``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sample_data.broker import Kind


def register(app: typer.Typer) -> None:
    """Add this folder's subcommands to the front door."""
    app.command("run")(run)
    app.command("devices")(devices)


def run(
    *,
    port: Annotated[
        int | None, typer.Option(help="Port of the page; 8050, or the next that is free.", min=0, max=65535)
    ] = None,
    broker_port: Annotated[
        int | None, typer.Option(help="Port of the broker; 1883, or the next that is free.", min=0, max=65535)
    ] = None,
    data: Annotated[Path, typer.Option(help="Folder that keeps everything.")] = Path("demo-data"),
    days: Annotated[int, typer.Option(help="Days of history to begin with.", min=0, max=60)] = 3,
    broker: Annotated[
        str, typer.Option(help="Which broker: auto takes mosquitto where it is installed, else embedded.")
    ] = "auto",
    browser: Annotated[bool, typer.Option(help="Open the page, where there is a screen.")] = True,
) -> None:
    """Run the whole demo of an invented garden: broker, devices, ingester, dashboard. Ctrl-C ends it."""
    from sample_data.demo import Options  # noqa: PLC0415 - the simulator loads only when needed
    from sample_data.demo import run as run_demo  # noqa: PLC0415 - as above

    options = Options(data, port, broker_port, days, _kind(broker), browser)
    raise typer.Exit(run_demo(options, say=_say))


def devices(
    *,
    data: Annotated[Path, typer.Option(help="Folder of the demo; its scenario.json says what to send.")],
    archive: Annotated[Path, typer.Option(help="Archive that the history is continued from.")],
    broker_port: Annotated[int, typer.Option(help="Port of the broker on this machine.")] = 1883,
) -> None:
    """Send what the devices of the invented garden measure: their history first, then live."""
    from sample_data.devices import main  # noqa: PLC0415 - the simulator loads only when needed

    main(data, archive, broker_port)


def _kind(text: str) -> Kind:
    """Return which broker a user named."""
    if text in ("auto", "mosquitto", "embedded"):
        return text  # type: ignore[return-value] # narrowed by the test above
    msg = f"expected auto, mosquitto or embedded, not {text!r}"
    raise typer.BadParameter(msg, param_hint="--broker")


def _say(line: str) -> None:
    """Print a line for the user at once, also into a pipe."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()
