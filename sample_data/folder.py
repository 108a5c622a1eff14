"""The demo's folder: one demo at a time in it, and the history that the next start goes on with."""

from __future__ import annotations

import fcntl
import json
import os
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, TextIO

from ingest.errors import UserError
from sample_data.schedule import SESSION_S, Scenario, session

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

INSTALLATION = Path(__file__).with_name("installation.toml")
"""The invented installation."""

SEED = 20260807
"""Of the usual demo."""

SCENARIO = "scenario.json"
"""Name of the file that keeps seed, days and sessions."""

TRUTH = "truth.json"
"""Name of the file that says what really happened."""


@contextmanager
def only_one(folder: Path) -> Iterator[Callable[[str], None]]:
    """Hold a folder for this process; the lock ends with the process, however it ends.

    Parameters
    ----------
    folder : Path
        The demo's folder; it is made where it is missing.

    Yields
    ------
    callable
        Takes a line about the holder, for the next who tries.

    Raises
    ------
    UserError
        If another process holds it, or it cannot be written.
    """
    with _open_lock(folder) as held:
        try:
            fcntl.flock(held, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            held.seek(0)
            who = held.read().strip() or "it is just starting"
            msg = (
                f"the demo is already running in {folder} ({who}); use that one, "
                "end it with Ctrl-C where it runs, or give this one a folder of its own with --data"
            )
            raise UserError(msg) from error

        def tell(line: str) -> None:
            held.truncate(0)
            held.write(line)
            held.flush()

        tell("")
        yield tell


def _open_lock(folder: Path) -> TextIO:
    """Open the file that is held, in a folder that is made where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        return (folder / "running.txt").open("a+", encoding="utf-8")
    except OSError as error:
        reason = error.strerror or type(error).__name__
        msg = f"the demo cannot write into {folder} ({reason}); choose a folder of your own with --data"
        raise UserError(msg) from error


def write_whole(path: Path, text: str) -> None:
    """Write a file so that a reader sees the old text or the new one, never a part."""
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    draft.write_text(text, encoding="utf-8")
    draft.replace(path)


def read_scenario(folder: Path) -> Scenario:
    """Return the history that a folder's data come from.

    Raises
    ------
    UserError
        If the file is not what the demo wrote.
    """
    path = folder / SCENARIO
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        sessions = tuple((int(anchor), int(begin)) for anchor, begin in kept["sessions"])
        return Scenario(int(kept["seed"]), int(kept["days"]), sessions)
    except (ValueError, KeyError, TypeError) as error:
        msg = f"{path} is damaged ({error}); delete the folder {folder}, or choose another with --data"
        raise UserError(msg) from error


def continue_scenario(folder: Path, *, days: int, now: int) -> Scenario:
    """Begin a history in an empty folder, or go on with the one that is there.

    Parameters
    ----------
    folder : Path
        The demo's folder.
    days : int
        Days to back-fill; only a new history looks at it.
    now : int
        The present. [s since 1970]

    Returns
    -------
    Scenario
        With a session of rounds by hand that covers the present.
    """
    if not (folder / SCENARIO).exists():
        scenario = Scenario(SEED, days, (session(now),))
    else:
        scenario = read_scenario(folder)
        anchor, _ = scenario.sessions[-1]
        if now >= anchor + SESSION_S:
            again = session(now, not_before=now)
            scenario = Scenario(scenario.seed, scenario.days, (*scenario.sessions, again))
    kept = {"seed": scenario.seed, "days": scenario.days, "sessions": scenario.sessions}
    write_whole(folder / SCENARIO, json.dumps(kept))
    return scenario
