"""Child processes that belong together: started in order, watched, and all gone at the end."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path
    from types import TracebackType

PATIENCE_S = 45.0
"""Usual patience with a child that was asked to end; the ingester publishes what it holds first. [s]"""

LAST_WORDS = 15
"""Lines of its log that a dead child is quoted with."""

POLL_S = 0.05
"""How often an ending child is looked at. [s]"""


@dataclass(frozen=True, slots=True)
class Command:
    """A program to start, and the name that it goes by."""

    name: str
    argv: tuple[str, ...]


class ChildEndedError(RuntimeError):
    """Raised when a child has ended by itself; carries its name, its exit status and its last words."""

    def __init__(self, name: str, status: int, last_words: str) -> None:
        self.name, self.status, self.last_words = name, status, last_words
        super().__init__(f"the {name} ended with status {status}")


@dataclass
class Family:
    """Child processes with one log each; leaving the ``with`` block ends them, newest first.

    Attributes
    ----------
    folder : Path
        Where the logs go, one a child, named after it.
    patience_s : float
        How long a child may take to end when asked, before it is killed. [s]
    """

    folder: Path
    patience_s: float = PATIENCE_S
    children: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    def __enter__(self) -> Self:
        """Make the folder of the logs."""
        self.folder.mkdir(parents=True, exist_ok=True)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """End every child."""
        self.end()

    def start(self, command: Command) -> None:
        """Start one child.

        Parameters
        ----------
        command : Command
            What; its output goes to its log.

        Notes
        -----
        A child has a session of its own, so that Ctrl-C in the terminal reaches only the parent, which then
        ends the children in order. On Linux the kernel ends a child whose parent was killed.
        """
        with self.log(command.name).open("wb") as log:
            self.children[command.name] = subprocess.Popen(  # noqa: S603 - only commands built by the demo
                [*with_parent(os.getpid()), *command.argv],
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    def log(self, name: str) -> Path:
        """Return the log of one child."""
        return self.folder / f"{name}.log"

    def check(self) -> None:
        """Look whether all are alive.

        Raises
        ------
        ChildEndedError
            If one has ended.
        """
        for name, child in self.children.items():
            status = child.poll()
            if status is not None:
                raise ChildEndedError(name, status, self._last_words(name))

    def end(self) -> None:
        """Ask each child to end, newest first, and kill one that does not."""
        while self.children:
            _, child = self.children.popitem()
            if child.poll() is None:
                child.send_signal(signal.SIGTERM)
            try:
                child.wait(self.patience_s)
            except subprocess.TimeoutExpired:
                child.kill()
                child.wait()

    def _last_words(self, name: str) -> str:
        lines = self.log(name).read_text(encoding="utf-8", errors="replace").splitlines()
        return "\n".join(lines[-LAST_WORDS:])


def with_parent(parent: int) -> list[str]:
    """Return what stands before a command so that it ends with its parent, where the system can do so.

    Parameters
    ----------
    parent : int
        Process identifier of the parent.

    Returns
    -------
    list of str
        Words to put before the command; none where the system cannot do it.

    Notes
    -----
    The kernel sends the signal only for a parent that dies after it was asked to; one that died before has left
    the child to another process, which the shell sees, and the command is not begun.
    """
    program = shutil.which("setpriv") if sys.platform == "linux" else None
    if program is None:
        return []
    guard = '[ "$PPID" = "$1" ] || exit 1; shift; exec "$@"'
    return [program, "--pdeathsig", "TERM", "--", "/bin/sh", "-c", guard, "sh", str(parent)]


def wait_until(condition: Callable[[], bool], *, family: Family, deadline_s: float, what: str) -> None:
    """Wait for something that the children do, as long as they live.

    Parameters
    ----------
    condition : callable
        Returns True when it has happened.
    family : Family
        Whose death ends the waiting.
    deadline_s : float
        How long to wait at most. [s]
    what : str
        What is waited for, for the error's text.

    Raises
    ------
    ChildEndedError
        If a child ended meanwhile.
    TimeoutError
        If it has not happened in time.
    """
    end = time.monotonic() + deadline_s
    while not condition():
        family.check()
        if time.monotonic() > end:
            msg = f"{what} did not happen within {deadline_s:.0f} s; see the logs in {family.folder}"
            raise TimeoutError(msg)
        time.sleep(POLL_S)
