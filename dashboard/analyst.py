"""The analysis in a process of its own, so that pages stay quick while it works and need less memory.

The process is started with the first question and ends with the server, however that ends: it reads its
questions from a pipe, and a pipe whose other end is gone says so.
"""

from __future__ import annotations

import logging
import os
import pickle
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from typing import TYPE_CHECKING, Any, BinaryIO

from ingest.memory import be_frugal, give_back

if TYPE_CHECKING:
    from pathlib import Path

    import pandas as pd

    from analysis.quality.outcomes import Count
    from analysis.results import Results
    from ingest.installation import Installation

NICE = 10
"""How far the analysis steps back behind the pages where the machine is busy. [-]"""

log = logging.getLogger(__name__)


class AnalysisError(RuntimeError):
    """Raised when the analysis could not be done; says why."""


class Analyst:
    """Analyses one archive in another process.

    Parameters
    ----------
    archive : Path
        Its folder.
    installation : Installation
        The system.
    """

    def __init__(self, archive: Path, installation: Installation) -> None:
        self._about = (archive, installation)
        self._process: subprocess.Popen[bytes] | None = None
        self._lock = threading.Lock()

    def analyse(self, start: pd.Timestamp, end: pd.Timestamp) -> Results:
        """Return what `analysis.archive.analyse_archive` says of a period.

        Raises
        ------
        AnalysisError
            If it failed, or its process ended; the next question starts a new one.
        """
        results: Results = self._answer("results", start, end)
        return results

    def flags(self, start: pd.Timestamp, end: pd.Timestamp) -> tuple[Count, ...]:
        """Return what `analysis.flagged.FlagCounts` says of the days of a period.

        Raises
        ------
        AnalysisError
            As `analyse`.
        """
        counted: tuple[Count, ...] = self._answer("flags", start, end)
        return counted

    def _answer(self, what: str, start: pd.Timestamp, end: pd.Timestamp) -> Any:
        """Ask, in turn with others, and return the answer."""
        with self._lock:
            try:
                said, answer = self._ask((what, start, end))
            except (OSError, EOFError, pickle.UnpicklingError) as error:
                process = self._process
                self.end()
                status = None if process is None else process.returncode
                msg = f"the analysis ended unexpectedly (status {status}); it is started again"
                raise AnalysisError(msg) from error
        if said == "problem":
            raise AnalysisError(answer)
        return answer

    def _ask(self, question: tuple[str, pd.Timestamp, pd.Timestamp]) -> tuple[str, Any]:
        process = self._running()
        assert process.stdin is not None  # noqa: S101 - it was asked for
        assert process.stdout is not None  # noqa: S101 - it was asked for
        _send(process.stdin, question)
        answer: tuple[str, Any] = pickle.load(process.stdout)  # noqa: S301 - from our own child, by a pipe of its own
        return answer

    def _running(self) -> subprocess.Popen[bytes]:
        """Return the process, started where there is none."""
        if self._process is None or self._process.poll() is not None:
            command = [sys.executable, "-m", "dashboard.analyst"]
            self._process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE)  # noqa: S603 - this module
            assert self._process.stdin is not None  # noqa: S101 - it was asked for
            _send(self._process.stdin, self._about)
        return self._process

    @property
    def process_id(self) -> int | None:
        """Number of the process; None before the first question."""
        return None if self._process is None else self._process.pid

    def end(self) -> None:
        """End the process, also one that is at work."""
        process = self._process
        if process is not None:
            process.terminate()
            process.wait()
            for pipe in (process.stdin, process.stdout):
                if pipe is not None:
                    with suppress(OSError):
                        pipe.close()


def _send(pipe: BinaryIO | Any, value: object) -> None:
    pickle.dump(value, pipe, pickle.HIGHEST_PROTOCOL)
    pipe.flush()


def _work(questions: BinaryIO, answers: BinaryIO) -> None:
    """Answer one question after the other, until there is nobody to ask."""
    from analysis.archive import analyse_archive  # noqa: PLC0415 - the server does not pay for it
    from analysis.flagged import FlagCounts  # noqa: PLC0415 - as above

    archive, installation = pickle.load(questions)  # noqa: S301 - from the server that started this process
    flags = FlagCounts(archive, installation)
    while True:
        what, start, end = pickle.load(questions)  # noqa: S301 - as above
        try:
            said = (
                flags.of(start, end)
                if what == "flags"
                else analyse_archive(archive, installation, start, end)
            )
            answer: tuple[str, object] = (what, said)
        except Exception as error:
            log.exception("the analysis failed")
            answer = ("problem", str(error) or type(error).__name__)
        _send(answers, answer)
        del answer
        give_back()


def main() -> None:
    """Be the process: keep what is printed apart from what is answered, and leave Ctrl-C to the server."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    os.nice(NICE)
    be_frugal()
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    with suppress(EOFError, BrokenPipeError):
        _work(sys.stdin.buffer, answers)
    os._exit(0)  # nothing is left to be flushed, least of all into a pipe that is gone


if __name__ == "__main__":
    main()
