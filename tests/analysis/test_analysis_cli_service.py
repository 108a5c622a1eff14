"""The service log from the command line: written, read back, refused without a note where one is needed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

COMMAND = Path(sys.executable).with_name("tricklebook")


def _run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([COMMAND, "service", *arguments], capture_output=True, text=True, check=False)


def test_entry_is_written_and_listed(tmp_path: Path) -> None:
    """What is added is what is listed, with time, place and person."""
    archive = str(tmp_path)
    done = _run(
        "add", "--archive", archive, "--kind", "acid flush", "--person", "A. Weller", "--zone", "bench1",
        "--time", "2026-05-01T08:00+01:00",
    )  # fmt: skip

    assert done.returncode == 0
    assert (
        _run("list", "--archive", archive).stdout == "2026-05-01 07:00 UTC  acid flush (bench1), A. Weller\n"
    )


def test_backflow_is_not_closed_without_a_note(tmp_path: Path) -> None:
    """Closing needs a note, and says so on standard error with a status that is not nought."""
    done = _run("add", "--archive", str(tmp_path), "--kind", "backflow cleared", "--person", "A. Weller")

    assert done.returncode == 2
    assert "--note is empty" in done.stderr
    assert not (tmp_path / "service.jsonl").exists()
