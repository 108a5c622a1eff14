"""One demo in a folder, free ports, and a history that a second start goes on with."""

from __future__ import annotations

import socket
from typing import TYPE_CHECKING

import pytest

from ingest.errors import UserError
from sample_data.folder import SCENARIO, continue_scenario, only_one, read_scenario
from sample_data.ports import HOST, choose, is_free
from sample_data.schedule import SESSION_S
from tests.sample_data.conftest import ANCHOR

if TYPE_CHECKING:
    from pathlib import Path


def test_second_holder_is_refused_and_told_who_holds(tmp_path: Path) -> None:
    """While one demo runs, the next is told which one, and three ways out."""
    with only_one(tmp_path) as tell:
        tell("process 4711, http://127.0.0.1:8050/")
        second = only_one(tmp_path)
        with pytest.raises(UserError, match=r"already running.*process 4711.*8050.*--data"):
            second.__enter__()


def test_folder_that_cannot_be_is_told(tmp_path: Path) -> None:
    """Where the folder cannot be made, the error names it and another way."""
    (tmp_path / "file").write_text("", encoding="utf-8")
    held = only_one(tmp_path / "file" / "data")

    with pytest.raises(UserError, match=r"cannot write into .*data.*--data"):
        held.__enter__()


def test_folder_is_free_again(tmp_path: Path) -> None:
    """A folder that was held can be held again, and nothing is left of the former holder."""
    with only_one(tmp_path) as tell:
        tell("process 4711")
    with only_one(tmp_path) as tell:
        tell("process 12")

        assert (tmp_path / "running.txt").read_text(encoding="utf-8") == "process 12"


def test_second_start_goes_on_with_the_same_history(tmp_path: Path) -> None:
    """Within a session the history stays as it is; after it, one is added and nothing else changes."""
    first = continue_scenario(tmp_path, days=3, now=ANCHOR)
    soon = continue_scenario(tmp_path, days=9, now=ANCHOR + 600)
    later = continue_scenario(tmp_path, days=3, now=ANCHOR + SESSION_S + 5)

    assert soon == first
    assert later.sessions[:1] == first.sessions
    assert later.sessions[1:] == ((ANCHOR + SESSION_S + 5, ANCHOR + SESSION_S + 5),)
    assert read_scenario(tmp_path) == later


@pytest.mark.parametrize("text", ["", "{}", '{"seed": 1, "days": 1, "sessions": [[1]]}', "[1]"])
def test_damaged_scenario_is_told_with_its_mend(tmp_path: Path, text: str) -> None:
    """A damaged file is named, with what to do."""
    (tmp_path / SCENARIO).write_text(text, encoding="utf-8")

    with pytest.raises(UserError, match=r"scenario\.json is damaged .* delete the folder"):
        continue_scenario(tmp_path, days=3, now=ANCHOR)


def test_used_port_is_told_with_one_that_is_free() -> None:
    """A wanted port that another program has is an error that names a free one."""
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        used = other.getsockname()[1]

        assert not is_free(used)
        with pytest.raises(UserError, match=rf"port {used} .* in use by another program.*--port \d+"):
            choose(used, 8050, option="--port")


def test_usual_port_in_use_gives_the_next() -> None:
    """Without a wish, the next free port above the usual one is taken."""
    with socket.socket() as other:
        other.bind((HOST, 0))
        other.listen()
        used = other.getsockname()[1]

        assert used < choose(None, used, option="--port") <= used + 50


def test_port_zero_is_any() -> None:
    """Port 0 stands for any free port."""
    assert is_free(choose(0, 8050, option="--port"))
