"""A hundred sites on two Dask workers beside one process: how much sooner, the same bytes, and with a worker killed.

On a machine that others use, wall time says little; the CPU time of each process is printed beside it, and
the ratio that two free cores would give.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import signal
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.archive import review
from analysis.cluster import begin, connected, finish
from analysis.document import pieces
from analysis.incremental.book import FOLDER
from benchmarks.long_archive import garden, garden_text, write_days
from ingest.fleet import ARCHIVE, DESCRIPTION, Site, sites_in
from ingest.load_installation import load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from distributed import Client

    from analysis.results import Results

WORKERS = 2
SEEDS = 4
"""Different simulated histories among the sites."""


def make(folder: Path, sites: int, days: int) -> None:
    """Write the fleet."""
    for n in range(sites):
        place, name = folder / f"site{n:03d}", f"Quillfen {n:03d}"
        place.mkdir(parents=True)
        (place / DESCRIPTION).write_text(garden_text(name), "utf-8")
        write_days(place / ARCHIVE, garden(name), days, seed=1 + n % SEEDS, base=days)


def digest(results: Results) -> str:
    """Return a digest of a document's bytes."""
    said = hashlib.sha256()
    for piece in pieces(results):
        said.update(piece.encode())
    return said.hexdigest()


def warm() -> str:
    """Make a worker import what its tasks need, before it is timed: to be found, this module is imported."""
    return begin.__module__


def forget(sites: Sequence[Site]) -> None:
    """Remove what earlier analyses kept."""
    for site in sites:
        for path in sorted((site.archive / FOLDER).rglob("*"), reverse=True):
            path.unlink() if path.is_file() else path.rmdir()


def alone(sites: Sequence[Site]) -> tuple[list[str], float, float]:
    """Return digests, wall and CPU time of one process."""
    forget(sites)
    wall, cpu = time.perf_counter(), time.process_time()
    said = [digest(review(site.archive, load(site.description))) for site in sites]
    return said, time.perf_counter() - wall, time.process_time() - cpu


def spread(
    client: Client, sites: Sequence[Site], *, kill: bool
) -> tuple[list[str], float, float, list[float]]:
    """Return digests, wall time, CPU time of this process and of each worker."""
    forget(sites)
    before = client.run(time.process_time)
    wall, cpu = time.perf_counter(), time.process_time()
    begun = [begin(client, site, load(site.description), None, None) for site in sites]
    said = []
    for place, one in enumerate(begun):
        said.append(digest(finish(one)))
        if kill and place == len(sites) // 4:
            pid = next(iter(client.run(os.getpid).values()))
            os.kill(pid, signal.SIGKILL)
            print(f"worker {pid} killed after {place + 1} sites")
    after = client.run(time.process_time)
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return said, wall, cpu, [after[name] - before[name] for name in after if name in before]


def main() -> None:
    """Measure."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--days", type=int, default=4)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as spare:
        make(Path(spare), given.sites, given.days)
        sites = sites_in(Path(spare))
        told, wall, cpu = alone(sites)
        print(f"{given.sites} sites of {given.days} days, one process: {wall:.1f} s, {cpu:.1f} s of CPU")
        with connected(None, processes=WORKERS) as client:
            client.run(warm)
            same, wall_two, own, each = spread(client, sites, kill=False)
            print(
                f"{WORKERS} workers: {wall_two:.1f} s; CPU {', '.join(f'{s:.1f}' for s in each)} s, here {own:.1f} s"
            )
            print(f"as fast: {wall / wall_two:.2f} times (wanted: at least 1.7 on {WORKERS} free cores)")
            print(f"as fast by CPU time of the busiest process: {cpu / max(*each, own):.2f} times")
            print(f"bytes of all documents as of one process: {same == told}")
            killed, *_ = spread(client, sites, kill=True)
            print(
                f"with a worker killed midway: {len(killed)} of {len(sites)} sites, same bytes: {killed == told}"
            )


if __name__ == "__main__":
    main()
