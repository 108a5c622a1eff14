"""The whole demo: broker, ingester, dashboard and devices as child processes, watched until the end."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import time
import webbrowser
from dataclasses import dataclass
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

from ingest.load_installation import load
from ingest.status import read_all
from sample_data.broker import Kind, broker_command
from sample_data.folder import INSTALLATION, continue_scenario, only_one
from sample_data.ports import HOST, answers, choose
from sample_data.processes import ChildEndedError, Command, Family, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable

PAGE_PORT, BROKER_PORT = 8050, 1883
"""Usual ports."""

START_S = 60.0
"""How long a child may take to answer. [s]"""

NOTICES = "notices.toml"
"""File in the demo's folder that says who is told; without it nobody is."""

LOOK_S = 0.2
"""How often the children are looked at. [s]"""


@dataclass(frozen=True, slots=True)
class Ports:
    """Where the page and the broker listen."""

    page: int
    broker: int


@dataclass(frozen=True, slots=True)
class Options:
    """What the user asked for.

    Attributes
    ----------
    folder : Path
        Where everything is kept.
    port, broker_port : int or None
        Wanted ports; None for the usual ones or the next that are free, 0 for any.
    days : int
        Days to back-fill.
    broker : {"auto", "mosquitto", "embedded"}
        Which broker.
    browser : bool
        Whether to open the page in a browser where there is one.
    """

    folder: Path
    port: int | None
    broker_port: int | None
    days: int
    broker: Kind
    browser: bool


def run(options: Options, *, say: Callable[[str], None]) -> int:
    """Run the demo until Ctrl-C, SIGTERM or the death of a child.

    Parameters
    ----------
    options : Options
        What the user asked for.
    say : callable
        Takes one line for the user.

    Returns
    -------
    int
        Exit status: 0 when told to end, 1 when a child ended by itself or never answered.

    Raises
    ------
    UserError
        If a port is in use, a demo already runs in the folder, or no broker is installed.
    """
    ending = _end_on_signals()
    with only_one(options.folder) as tell:
        port = choose(options.port, PAGE_PORT, option="--port")
        broker_port = choose(options.broker_port, BROKER_PORT, option="--broker-port")
        address = f"http://{HOST}:{port}/"
        tell(f"process {os.getpid()}, {address}")
        try:
            with Family(options.folder / "logs") as family:
                _start(options, family, Ports(port, broker_port), ending, say)
                if not ending.is_set():
                    say(f"The page is at {address}  (Ctrl-C ends everything)")
                    _open(address, wanted=options.browser)
                while not ending.wait(LOOK_S):
                    family.check()
                say("Ending.")
        except TimeoutError as error:
            say(f"{error}.")
            return 1
        except ChildEndedError as error:
            say(f"{error}. Its last words, from {options.folder / 'logs' / error.name}.log:")
            say(error.last_words or "(none)")
            return 1
    return 0


def _start(options: Options, family: Family, ports: Ports, ending: Event, say: Callable[[str], None]) -> None:
    """Start the children in order, each as soon as the one before it answers."""
    if ports.page != (options.port or PAGE_PORT) and options.port is None:
        say(f"Port {PAGE_PORT} is in use by another program; the page takes {ports.page} instead.")
    if ports.broker != (options.broker_port or BROKER_PORT) and options.broker_port is None:
        say(f"Port {BROKER_PORT} is in use by another program; the broker takes {ports.broker} instead.")
    archive = options.folder / "archive"
    scenario = continue_scenario(options.folder, days=options.days, now=int(time.time()))
    broker = broker_command(options.folder, ports.broker, options.broker)
    say(f"Starting the broker ({Path(broker.argv[0]).name}), the ingester, the dashboard and the devices ...")

    def up(port: int, what: str) -> None:
        wait_until(lambda: ending.is_set() or answers(port), family=family, deadline_s=START_S, what=what)

    family.start(broker)
    up(ports.broker, "the broker's answer")
    family.start(ingester(archive, ports.broker))
    family.start(dashboard(archive, ports.page))
    wait_until(
        lambda: ending.is_set() or _receives(archive, family),
        family=family,
        deadline_s=START_S,
        what="the ingester's subscription",
    )
    family.start(devices(options.folder, archive, ports.broker))
    if (options.folder / NOTICES).exists():
        family.start(notices(options.folder, archive))
    up(ports.page, "the dashboard's answer")
    say(f"The devices send {scenario.days} days of history first; the page fills as it arrives.")


def _receives(archive: Path, family: Family) -> bool:
    """Return whether this start's ingester has subscribed; what is sent before that goes nowhere."""
    pid = family.children["ingester"].pid
    _, receivers = read_all(archive, load(INSTALLATION).site)
    return any(one["pid"] == pid and one["state"] == "receiving" for one in receivers.values())


def _tricklebook(name: str, *arguments: object) -> Command:
    """Return the command of one of the project's own subcommands."""
    return Command(name, (sys.executable, "-m", "tricklebook", *(str(argument) for argument in arguments)))


def ingester(archive: Path, port: int) -> Command:
    """Return the command of the ingester."""
    where = ("--installation", INSTALLATION, "--archive", archive)
    return _tricklebook("ingester", "ingest", *where, "--host", HOST, "--port", port)


def dashboard(archive: Path, port: int) -> Command:
    """Return the command of the dashboard."""
    where = ("--installation", INSTALLATION, "--archive", archive)
    return _tricklebook("dashboard", "dashboard", *where, "--host", HOST, "--port", port)


def devices(folder: Path, archive: Path, port: int) -> Command:
    """Return the command of the devices."""
    return _tricklebook("devices", "devices", "--data", folder, "--archive", archive, "--broker-port", port)


def notices(folder: Path, archive: Path) -> Command:
    """Return the command of the notices; they run only where the folder has a file for them."""
    where = ("--installation", INSTALLATION, "--archive", archive)
    return _tricklebook("notices", "notices", "run", *where, "--config", folder / NOTICES)


def _end_on_signals() -> Event:
    """Return an event that Ctrl-C, a kill or a closed terminal sets."""
    ending = Event()
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, lambda *_: ending.set())
    return ending


def _open(address: str, *, wanted: bool) -> None:
    """Open the page where there is a screen; a text browser would take over the terminal."""
    screen = sys.platform == "darwin" or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    if not wanted or not screen:
        return
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)
