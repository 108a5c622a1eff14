"""Mutated payloads end in readings or in counted rejects, in time and in bounded memory; the fuzzers see if not."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from fuzz.mutate import HANG_S, run
from fuzz.targets import Outcome, Target, targets

if TYPE_CHECKING:
    from collections.abc import Sequence

ROOT = Path(__file__).parents[2]
DECODERS = [name for name in targets() if name != "installation file"]
GROWTH = 8 * 2**20
"""Memory that may come between a tenth of a run and its end: what an interpreter takes and gives. [bytes]"""


@pytest.mark.parametrize("name", DECODERS)
def test_mutated_payloads_are_read_or_counted(name: str) -> None:
    """No payload raises or hangs, memory stays, and what is not read is counted by its reason."""
    tally = run(targets()[name], 4000, seed=7)

    assert tally.payloads == 4000
    assert tally.slowest_s < HANG_S
    assert tally.memory_late - tally.memory_early < GROWTH
    assert tally.rejects["syntax"] > 0
    assert len(tally.rejects) >= 4


def test_same_seed_gives_the_same_payloads() -> None:
    """A run can be done again: the same seed gives the same counts."""
    first, second = (run(targets()["SenML JSON"], 500, seed=3) for _ in range(2))

    assert first.rejects == second.rejects


def _fault(payloads: Sequence[bytes]) -> Outcome:
    """Raise on any payload with a brace."""
    if any(b"{" in payload for payload in payloads):
        msg = "a planted fault"
        raise RuntimeError(msg)
    return Outcome(0, {}, 0)


def _delay(payloads: Sequence[bytes]) -> Outcome:
    """Use up more time than a payload may take, on any payload with a brace."""
    until = time.process_time() + (1.2 * HANG_S if any(b"{" in payload for payload in payloads) else 0.0)
    while time.process_time() < until:
        pass
    return Outcome(0, {}, 0)


def test_planted_crash_is_found_with_its_bytes() -> None:
    """A payload that raises ends the run and stands in its message."""
    with pytest.raises(AssertionError, match=r"planted raised RuntimeError\('a planted fault'\).*\{"):
        run(Target("planted", [b"{1}"], _fault), 256, seed=1)


def test_planted_hang_is_found_with_its_bytes() -> None:
    """A payload that takes more than a second ends the run and stands in its message."""
    with pytest.raises(AssertionError, match=r"planted took 1\.\d s for b'.*\{"):
        run(Target("planted", [b"{1}"], _delay), 4, seed=1)


def test_guided_fuzzer_runs() -> None:
    """The coverage-guided fuzzer gets past the seeds of a decoder and finds nothing in a short run."""
    pytest.importorskip("atheris", reason="atheris is not installed on this system")
    done = subprocess.run(
        [sys.executable, "-m", "fuzz.guided", "JSON field", "-runs=3000"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )

    assert done.returncode == 0, done.stderr[-2000:]
    assert "Done 3000 runs" in done.stderr
