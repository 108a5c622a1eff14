"""``tricklebook notices``: tell people and machines what the analysis finds."""

from __future__ import annotations

import logging
import signal
import sys
import uuid
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from dashboard.lately import RUN_DAYS, SEASON_DAYS
from ingest.errors import UserError
from ingest.words import did_you_mean

if TYPE_CHECKING:
    from collections.abc import Iterator

    from dashboard.notices.assemble import Ways

InstallationFile = Annotated[Path, typer.Option("--installation", help="The installation file.")]
Archive = Annotated[Path, typer.Option("--archive", help="Folder of the archive.")]
Config = Annotated[Path, typer.Option("--config", help="The file of notices, notices.toml.")]

FAILED = 5
"""Exit status of `test` where a message did not get through."""

PATIENCE_S = 15.0
"""How long `test` waits for the broker. [s]"""


def register(app: typer.Typer) -> None:
    """Add the commands to the front door."""
    group = typer.Typer(
        no_args_is_help=True, help="Tell people and machines what is found: mail, webhooks, MQTT."
    )
    group.command("run")(run)
    group.command("test")(try_out)
    group.command("state")(state)
    app.add_typer(group, name="notices")


def run(
    installation: InstallationFile,
    archive: Archive,
    config: Config,
    every: Annotated[float, typer.Option(min=0.1, help="Seconds between two analyses.")] = 15.0,
    days: Annotated[
        float, typer.Option(min=0.01, help="Days that runs and what is over are looked back on.")
    ] = RUN_DAYS,
    season: Annotated[
        float, typer.Option(min=1.0, help="Days that losses, forecasts and slow faults look back, at most.")
    ] = SEASON_DAYS,
) -> None:
    """Watch the findings and tell them, until interrupted; beside the dashboard, not instead of it."""
    from dashboard.notices.assemble import Files, assembled  # noqa: PLC0415 - other commands do not pay for it
    from dashboard.notices.runner import Runner  # noqa: PLC0415 - as above
    from dashboard.watch import utc_now  # noqa: PLC0415 - as above

    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(message)s", stream=sys.stderr)
    for noisy in ("urllib3", "dashboard.watch"):
        logging.getLogger(noisy).setLevel(logging.WARNING)
    with assembled(Files(installation, archive, config), every_s=every, days=days, season=season) as parts:
        runner = Runner(parts, utc_now)
        for number in (signal.SIGTERM, signal.SIGINT):
            signal.signal(number, lambda *_: runner.stop())
        sys.stderr.write(f"tricklebook: notices of {parts.place.installation.name} run (Ctrl-C ends them)\n")
        sys.stderr.flush()
        runner.run()


def try_out(
    installation: InstallationFile,
    config: Config,
    to: Annotated[
        str | None,
        typer.Option(help="A recipient of the file; everybody where left out.", show_default=False),
    ] = None,
) -> None:
    """Send one real message by each way, and say what the other side answered.

    Exit status: 0 where everything got through, 5 where something did not.
    """
    from dashboard.notices.assemble import Files, ways_of  # noqa: PLC0415 - other commands do not pay for it

    files = Files(installation, Path(), config)
    ways = ways_of(files)
    names = list(ways.settings.recipient)
    if to is not None and to not in names:
        msg = f"--to {to}: {config.name} has no such recipient{did_you_mean(to, names)}; there are {', '.join(names)}"
        raise UserError(msg)
    failed = False
    for line, arrived in (*_tried(ways, [to] if to else names), *_shown(ways, files.config.parent)):
        sys.stdout.write(line + "\n")
        sys.stdout.flush()
        failed = failed or not arrived
    if failed:
        raise typer.Exit(FAILED)


def _tried(ways: Ways, names: list[str]) -> Iterator[tuple[str, bool]]:
    """Send to each recipient by each way; yield what came of it."""
    from dashboard.notices.deliveries import Delivery, Message  # noqa: PLC0415 - only `test` pays for it
    from dashboard.notices.messages import ways as ways_to  # noqa: PLC0415 - as above
    from dashboard.notices.words import trial_words  # noqa: PLC0415 - as above
    from dashboard.watch import utc_now  # noqa: PLC0415 - as above

    for name in names:
        for channel, address in ways_to(ways.settings.recipient[name]):
            now, mark = utc_now(), uuid.uuid4().hex[:16]
            words = trial_words(name, ways.place, now)
            said = (words.subject, words.text, words.data)
            message = Message(f"test.{mark}", mark, name, "test", channel, address, now, *said)
            answer = ways.senders[channel].send(Delivery(message, "queued", 0, now), now)
            verb = "taken" if answer.arrived else "NOT taken"
            yield f"{name} by {channel} ({address}): {verb}: {answer.said}", answer.arrived


def _shown(ways: Ways, folder: Path) -> Iterator[tuple[str, bool]]:
    """Publish one message at the broker, where there is one; yield what came of it."""
    from dashboard.notices.assemble import board_of  # noqa: PLC0415 - only `test` pays for it

    mqtt = ways.settings.mqtt
    if mqtt is None:
        return
    client = f"tricklebook-test-{uuid.uuid4().hex[:8]}"
    board = board_of(mqtt, ways.place.installation, folder, client, lambda _: True)
    problem = board.try_out({"test": True, "installation": ways.place.installation.name}, PATIENCE_S)
    verb = f"NOT taken: {problem}" if problem else f"taken: the broker has acknowledged {board.base}/test"
    yield f"mqtt ({mqtt.host}:{mqtt.port}): {verb}", not problem


def state(installation: InstallationFile, archive: Archive) -> None:
    """Say how the notices go: what was delivered last by each way, what failed, what waits."""
    from dashboard.display import NO_VALUE, when  # noqa: PLC0415 - only `state` pays for it
    from dashboard.notices.state import read_state  # noqa: PLC0415 - as above
    from dashboard.watch import utc_now  # noqa: PLC0415 - as above
    from ingest.load_installation import load  # noqa: PLC0415 - as above

    system, now = load(installation), utc_now()
    found = read_state(archive, system.site, now)
    running = {True: "running", False: "NOT running", None: "never ran here"}[found.running]
    lines = [f"notices: {running}{f'; {found.problem}' if found.problem else ''}"]
    lines.append(f"last sign of life: {when(found.beaten, system.tz, now)}")
    for one in found.channels:
        problem = f"; failed {when(one.failed, system.tz, now)}: {one.problem}" if one.problem else ""
        delivered = when(one.delivered, system.tz, now) if one.delivered else NO_VALUE
        counts = f"waiting {one.waiting}, given up {one.given_up}"
        lines.append(f"{one.channel}: last delivered {delivered}; {counts}{problem}")
    sys.stdout.write("\n".join(lines) + "\n")
