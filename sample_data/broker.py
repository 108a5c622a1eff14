"""Which broker the demo starts, and how: mosquitto where it is installed, else the embedded one from PyPI."""

from __future__ import annotations

import os
import shutil
import sys
from importlib.util import find_spec
from typing import TYPE_CHECKING, Literal

from ingest.errors import UserError
from sample_data.processes import Command

if TYPE_CHECKING:
    from pathlib import Path

Kind = Literal["auto", "mosquitto", "embedded"]
"""Which broker is wanted; ``auto`` takes mosquitto where it is installed."""

PLACES = ("/usr/sbin", "/usr/local/sbin", "/opt/homebrew/sbin")
"""Where mosquitto may be beside the search path, which often leaves these out."""

CONFIGURATION = """\
# Written by the demo at each start. This broker takes only programs of this machine.
listener {port} 127.0.0.1
allow_anonymous true
# What it still holds when it ends it hands on at the next start.
persistence true
persistence_location {folder}/
# The default queue of 1000 messages would drop the rest of a back-fill without a word.
max_queued_messages 200000
max_queued_bytes 400000000
log_dest stdout
log_type error
log_type warning
"""
"""What mosquitto is told."""


def broker_command(folder: Path, port: int, kind: Kind = "auto") -> Command:
    """Return the command that starts a broker on the loopback.

    Parameters
    ----------
    folder : Path
        Where its configuration is written.
    port : int
        Its port.
    kind : {"auto", "mosquitto", "embedded"}
        Which broker.

    Returns
    -------
    Command
        Named ``broker``.

    Raises
    ------
    UserError
        If no such broker is installed.
    """
    program = shutil.which("mosquitto") or shutil.which("mosquitto", path=os.pathsep.join(PLACES))
    if kind != "embedded" and program is not None:
        path = folder / "mosquitto.conf"
        text = CONFIGURATION.format(port=port, folder=folder.resolve())
        path.write_text(text + _user(), encoding="utf-8")
        return Command("broker", (program, "-c", str(path)))
    if kind != "mosquitto" and find_spec("iotcore") is not None:
        return Command("broker", (sys.executable, "-m", "sample_data.embedded_broker", str(port)))
    msg = (
        "no MQTT broker is installed; install mosquitto with the system's package manager (for example "
        'apt install mosquitto), or the embedded one with: pip install "tricklebook[demo]"'
    )
    raise UserError(msg)


def _user() -> str:
    """Return the line that keeps mosquitto from looking for a user of its own when root starts it."""
    return "user root\n" if hasattr(os, "geteuid") and os.geteuid() == 0 else ""
