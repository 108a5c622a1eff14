"""Push mutated payloads through every decoder and print what came of them.

``python -m fuzz.mutate --each 5000000`` is the full run. A payload that raises ends the run and is printed;
a batch that takes long is looked at payload by payload.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
import warnings
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from fuzz.grown import GROWN
from fuzz.targets import TOKENS, targets

if TYPE_CHECKING:
    from collections.abc import Sequence

    from fuzz.targets import Target

BATCH = 256
"""Payloads decoded together, as the archiver does."""

HANG_S = 1.0
"""A payload that takes longer counts as a hang. [CPU s]"""

LONGEST = 4096
"""Mutated payloads are cut to this length. [bytes]"""

SLOW_SHARE = 0.01
"""Share of payloads for decoders that read whole files, which take a thousand times as long."""


@dataclass(slots=True)
class Tally:
    """What came of one target so far."""

    payloads: int = 0
    readings: int = 0
    silent: int = 0
    slowest_s: float = 0.0
    rejects: Counter[str] = field(default_factory=Counter)
    memory_early: int = 0
    memory_late: int = 0


def payload(target: Target, source: random.Random) -> bytes:
    """Return the next payload: a seed or a grown one, with some slips; grown ones may have none.

    Parameters
    ----------
    target : Target
        What is fuzzed.
    source : random.Random
        Where everything comes from.

    Returns
    -------
    bytes
        At most `LONGEST` of them.
    """
    grow = GROWN.get(target.name)
    if grow is None or source.random() < 0.5:
        return mutated(source.choice(target.seeds), target.seeds, source)
    grown = grow(source)
    return grown[:LONGEST] if source.random() < 0.6 else mutated(grown, target.seeds, source)


def mutated(start: bytes, seeds: Sequence[bytes], source: random.Random) -> bytes:
    """Return a payload that some slips away from another.

    Parameters
    ----------
    start : bytes
        The other.
    seeds : sequence of bytes
        Good payloads, for pieces.
    source : random.Random
        Where the slips come from.

    Returns
    -------
    bytes
        At most `LONGEST` of them.
    """
    data = bytearray(start)
    for _ in range(source.choice((1, 1, 1, 2, 3, 5))):
        at = source.randrange(len(data) + 1)
        slip = source.randrange(7)
        if slip == 0 and at < len(data):
            data[at] ^= 1 << source.randrange(8)
        elif slip == 1 and at < len(data):
            data[at] = source.randrange(256)
        elif slip == 2:
            del data[at : at + source.randrange(1, 9)]
        elif slip == 3:
            data[at:at] = source.choice(TOKENS)
        elif slip == 4:
            data[at:at] = data[at : at + source.randrange(1, 33)]
        elif slip == 5:
            other = source.choice(seeds)
            cut = source.randrange(len(other) + 1)
            data[at:at] = other[cut : cut + source.randrange(1, 65)]
        else:
            del data[at:]
    return bytes(data[:LONGEST])


def resident() -> int:
    """Return the memory that this process holds now. [bytes]"""
    pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    return pages * 4096


def run(target: Target, count: int, seed: int) -> Tally:
    """Push payloads through one target.

    Parameters
    ----------
    target : Target
        What is fuzzed.
    count : int
        How many payloads.
    seed : int
        Of the mutations; the same seed gives the same payloads.

    Returns
    -------
    Tally
        What came of them.

    Raises
    ------
    AssertionError
        If one raises, or takes longer than `HANG_S`; its bytes are in the text.
    """
    source = random.Random(seed)
    tally = Tally()
    while tally.payloads < count:
        payloads = [payload(target, source) for _ in range(min(BATCH, count - tally.payloads))]
        _push(target, payloads, tally)
        if not tally.memory_early and tally.payloads >= count / 10:
            tally.memory_early = resident()
    tally.memory_late = resident()
    return tally


def _push(target: Target, payloads: Sequence[bytes], tally: Tally) -> None:
    """Push one batch through a target and count what came of it."""
    start = time.process_time()  # decoders wait for nothing, and a busy machine is no hang
    try:
        outcome = target.run(payloads)
    except Exception as error:
        msg = f"{target.name} raised {error!r} on one of {[_culprit(target, payloads)]!r}"
        raise AssertionError(msg) from error
    taken = time.process_time() - start
    if taken > HANG_S:
        taken = _slowest(target, payloads)
    tally.slowest_s = max(tally.slowest_s, taken)
    tally.payloads += len(payloads)
    tally.readings += outcome.readings
    tally.silent += outcome.silent
    tally.rejects.update(outcome.rejects)


def _culprit(target: Target, payloads: Sequence[bytes]) -> bytes:
    """Return the payload of a batch that raises by itself, or all of them."""
    for payload in payloads:
        try:
            target.run([payload])
        except Exception:  # noqa: BLE001 - whatever it is, this is the one
            return payload
    return b"\n".join(payloads)


def _slowest(target: Target, payloads: Sequence[bytes]) -> float:
    """Return the time of the slowest payload of a batch. [s]"""
    slowest = 0.0
    for payload in payloads:
        start = time.process_time()
        target.run([payload])
        taken = time.process_time() - start
        slowest = max(slowest, taken)
        if taken > HANG_S:
            msg = f"{target.name} took {taken:.1f} s for {payload!r}"
            raise AssertionError(msg)
    return slowest


def main(arguments: Sequence[str]) -> None:
    """Run and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=100_000, help="payloads for each decoder")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("names", nargs="*", help="decoders; all where none is named")
    chosen = parser.parse_args(arguments)
    warnings.simplefilter("error")
    known = targets()
    print(
        "| decoder | payloads | readings | silent | slowest batch, CPU ms | MB at 10 % | MB at 100 % | rejects |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for name in chosen.names or known:
        slow = name == "installation file"
        count = max(int(chosen.each * (SLOW_SHARE if slow else 1)), BATCH)
        tally = run(known[name], count, chosen.seed)
        rejects = ", ".join(f"{reason} {number}" for reason, number in tally.rejects.most_common())
        print(
            f"| {name} | {tally.payloads} | {tally.readings} | {tally.silent} | {tally.slowest_s * 1e3:.0f} "
            f"| {tally.memory_early / 1e6:.1f} | {tally.memory_late / 1e6:.1f} | {rejects} |",
            flush=True,
        )


if __name__ == "__main__":
    main(sys.argv[1:])
