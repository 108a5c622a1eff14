"""Children start in order, are watched, and are all gone at the end, whatever happens."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path

import psutil
import pytest

from sample_data.processes import ChildEndedError, Command, Family, wait_until, with_parent

DEADLINE_S = 20.0

SLEEPER = "import time; print('ready', flush=True); time.sleep(600)"
BOUND = pytest.mark.skipif(
    sys.platform != "linux" or shutil.which("setpriv") is None, reason="only Linux with setpriv can do this"
)

STUBBORN = f"import signal; signal.signal(signal.SIGTERM, signal.SIG_IGN); {SLEEPER}"


def _python(name: str, code: str) -> Command:
    return Command(name, (sys.executable, "-c", code))


def _ready(family: Family, name: str) -> None:
    """Wait until a child has said that it is ready."""
    wait_until(
        lambda: "ready" in family.log(name).read_text(encoding="utf-8"),
        family=family,
        deadline_s=DEADLINE_S,
        what=f"the start of {name}",
    )


def test_all_children_end_with_the_block(tmp_path: Path) -> None:
    """Leaving the block ends every child, also one that ignores SIGTERM."""
    with Family(tmp_path, patience_s=0.5) as family:
        for name, code in (("calm", SLEEPER), ("stubborn", STUBBORN)):
            family.start(_python(name, code))
            _ready(family, name)
        pids = [child.pid for child in family.children.values()]
        assert all(psutil.pid_exists(pid) for pid in pids)

    assert not any(psutil.pid_exists(pid) for pid in pids)


def test_children_end_when_the_block_fails(tmp_path: Path) -> None:
    """An error inside the block ends the children too, and goes on."""
    pids = []

    def block() -> None:
        with Family(tmp_path) as family:
            family.start(_python("calm", SLEEPER))
            pids.append(family.children["calm"].pid)
            raise OSError(28, "the disk is full")

    with pytest.raises(OSError, match="the disk is full"):
        block()

    assert not psutil.pid_exists(pids[0])


def test_dead_child_is_quoted(tmp_path: Path) -> None:
    """A child that ends by itself is reported with its name, its status and its last words."""
    code = "import sys; print('the sky is falling', file=sys.stderr); sys.exit(3)"
    with Family(tmp_path) as family:
        family.start(_python("ingester", code))
        with pytest.raises(ChildEndedError, match="the ingester ended with status 3") as caught:
            wait_until(lambda: False, family=family, deadline_s=DEADLINE_S, what="nothing")

    assert "the sky is falling" in caught.value.last_words


def test_waiting_has_an_end(tmp_path: Path) -> None:
    """What never happens ends the waiting with a text that says where to look."""
    with Family(tmp_path) as family, pytest.raises(TimeoutError, match="a miracle did not happen within 0 s"):
        wait_until(lambda: False, family=family, deadline_s=0.1, what="a miracle")


def _works(pid: int) -> bool:
    """Tell whether a process has not ended; one that only waits to be noticed has."""
    try:
        return bool(psutil.Process(pid).status() != psutil.STATUS_ZOMBIE)
    except psutil.NoSuchProcess:
        return False


@BOUND
def test_child_of_a_parent_already_gone_does_not_begin() -> None:
    """A command whose parent died before the kernel could be asked to tie the two ends at once."""
    with subprocess.Popen([sys.executable, "-c", "pass"]) as gone:
        pass
    argv = [*with_parent(gone.pid), sys.executable, "-c", "print('begun')"]

    ended = subprocess.run(argv, capture_output=True, text=True, check=False)

    assert (ended.returncode, ended.stdout) == (1, "")


@BOUND
def test_children_do_not_outlive_a_killed_parent(tmp_path: Path) -> None:
    """A parent that is killed outright leaves no child behind."""
    code = (
        "import sys, time\nfrom pathlib import Path\n"
        "from sample_data.processes import Command, Family\n"
        f"family = Family(Path({str(tmp_path)!r})).__enter__()\n"
        f"family.start(Command('calm', (sys.executable, '-c', {SLEEPER!r})))\n"
        "print(family.children['calm'].pid, flush=True)\ntime.sleep(600)\n"
    )
    root = Path(__file__).parents[2]
    argv = [sys.executable, "-c", code]
    with subprocess.Popen(argv, stdout=subprocess.PIPE, cwd=root, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert psutil.pid_exists(child)
        parent.kill()
    deadline = time.monotonic() + DEADLINE_S
    while _works(child) and time.monotonic() < deadline:
        time.sleep(0.02)

    assert not _works(child)
