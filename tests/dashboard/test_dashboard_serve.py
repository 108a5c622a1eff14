"""The command starts, says where, refuses plainly, and ends when told."""

from __future__ import annotations

import re
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest

from dashboard.serve import listen
from ingest.errors import UserError
from tests.dashboard import field
from tests.support.ingester import ROOT

ADDRESS = re.compile(r"http://127\.0\.0\.1:\d+/\S*")


@pytest.fixture
def command(tmp_path: Path) -> list[str]:
    """Return the command that serves an empty archive on a free port."""
    description = tmp_path / "installation.toml"
    description.write_text(field.installation_text())
    asked = [
        "dashboard",
        "--installation",
        str(description),
        "--archive",
        str(tmp_path / "archive"),
        "--port",
        "0",
    ]
    return [sys.executable, "-m", "tricklebook", *asked]


@pytest.fixture
def running(command: list[str]) -> Iterator[subprocess.Popen[str]]:
    """Run the command until the test is done."""
    process = subprocess.Popen(command, stderr=subprocess.PIPE, text=True)
    yield process
    process.kill()
    process.communicate()


def test_listen_says_that_a_port_is_in_use() -> None:
    """A second start on the same port names the port and the mend."""
    with listen("127.0.0.1", 0) as first:
        port = first.getsockname()[1]

        with pytest.raises(UserError, match=rf"port {port} is in use.*--port"):
            listen("127.0.0.1", port)


def test_listen_says_that_a_host_is_not_here() -> None:
    """An address of another machine is refused by name."""
    with pytest.raises(UserError, match=r"192\.0\.2\.7 is no address of this machine"):
        listen("192.0.2.7", 0)


def test_listen_is_for_this_machine_alone_by_default() -> None:
    """The default address cannot be reached from elsewhere."""
    with listen("127.0.0.1", 0) as server:
        assert server.family == socket.AF_INET
        assert server.getsockname()[0] == "127.0.0.1"


def test_command_serves_an_empty_archive_and_ends_cleanly(running: subprocess.Popen[str]) -> None:
    """The command prints its address, answers there, and ends at once on Ctrl-C with status 0."""
    assert running.stderr is not None
    found = ADDRESS.search(running.stderr.readline())
    assert found is not None

    with urllib.request.urlopen(found[0], timeout=10) as answer:  # noqa: S310 - the address of this test's own server
        assert answer.status == 200
    running.send_signal(signal.SIGINT)

    assert running.wait(15) == 0
    assert "Traceback" not in running.stderr.read()


def test_server_does_not_carry_the_analysis() -> None:
    """What only the analysis and a few pages need is not in the server's memory: statistics, papers, the analysis."""
    told = "import sys, dashboard.serve, dashboard.fleet.host; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", told], cwd=ROOT, capture_output=True, text=True, check=True)

    loaded = set(done.stdout.split())
    assert "dashboard.pages.zone" in loaded
    assert not loaded & {
        "scipy",
        "analysis.archive",
        "analysis.pipeline",
        "typst",
        "xlsxwriter",
        "distributed",
    }
