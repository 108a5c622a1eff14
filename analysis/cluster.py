"""The analysis on Dask: a task a zone and period, those that make ready and conclude; the one module that knows a cluster.

A worker runs what it is sent, so that who reaches the scheduler can run anything on every worker: only on a
network where everybody is trusted, or with TLS and certificates for both sides (``tls://`` and the
``distributed.comm`` settings of Dask).
"""

from __future__ import annotations

import logging
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from operator import getitem
from typing import TYPE_CHECKING, Any

from distributed import Client, LocalCluster

from analysis.archive import period_of, with_latched
from analysis.incremental.keys import method
from analysis.ledger import read_services
from analysis.runs.windows import walk
from analysis.tasks import ALL, conclude_site, look_at_zone, make_ready, put_together
from ingest.errors import UserError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    import pandas as pd
    from distributed import Future

    from analysis.results import Results
    from analysis.runs.windows import Stretch
    from analysis.service import Service
    from ingest.fleet import Site
    from ingest.installation import Installation

TASK_DAYS = 30
"""Stretches of one period: some seconds of work a zone, so that handing it out costs nothing and losing it little; half
a megabyte of readings a run goes from one worker to another (measured). [d]"""

RETRIES = 5
"""Attempts that a task has more, however its workers end. No source."""


LATER: dict[str, Any] = {"pure": False, "retries": RETRIES, "priority": 1}
"""How tasks are handed out that finish what is begun, before more is begun."""


@contextmanager
def connected(scheduler: str | None, *, processes: int = 0) -> Iterator[Client]:
    """Connect to a scheduler, or start one with workers on this machine.

    Parameters
    ----------
    scheduler : str or None
        Its address; None for processes of our own.
    processes : int
        How many of those.

    Yields
    ------
    Client
        The connection; our own processes end with the block.

    Raises
    ------
    UserError
        If the scheduler does not answer.
    """
    if scheduler is None:
        where: Any = LocalCluster(  # type: ignore[no-untyped-call]  # Dask is not typed
            n_workers=processes,
            threads_per_worker=1,
            host="127.0.0.1",
            dashboard_address=None,
            silence_logs=logging.ERROR,
            config={
                "distributed.worker.profile.enabled": False
            },  # a hundred looks a second cost some percent
        )
    else:
        where = nullcontext(scheduler)
    with where as found:
        try:
            client = Client(found)  # type: ignore[no-untyped-call]  # Dask is not typed
        except (OSError, ValueError) as error:
            msg = f"--scheduler {scheduler}: no Dask scheduler answers there ({error})"
            raise UserError(msg) from error
        with client:
            yield client


@dataclass(frozen=True, slots=True)
class Begun:
    """One site whose work is handed out.

    Attributes
    ----------
    site : Site
        The site.
    installation : Installation
        Its system.
    services : tuple of Service
        What people wrote down that they did.
    coming : Future
        The results to come, without what is latched.
    """

    site: Site
    installation: Installation
    services: tuple[Service, ...]
    coming: Future[Any]


def begin(
    client: Client,
    site: Site,
    installation: Installation,
    start: pd.Timestamp | None,
    end: pd.Timestamp | None,
) -> Begun:
    """Hand out one site's work.

    Parameters
    ----------
    client : Client
        The connection.
    site : Site
        The site; every worker must reach its archive under the same path.
    installation : Installation
        Its system.
    start, end : pandas.Timestamp or None
        The period, the archive's own where left out. [UTC]

    Returns
    -------
    Begun
        To be given to `finish`.

    Raises
    ------
    UserError
        If the archive cannot be used.
    """
    start, end = period_of(site.archive, installation, start, end)
    services = read_services(site.archive)
    stretches = list(walk(start, end))
    parts = [
        _hand_out(client, site.archive, installation, end, stretches[cut : cut + TASK_DAYS])
        for cut in range(0, len(stretches), TASK_DAYS)
    ]
    coming = client.submit(conclude_site, installation, start, end, services, parts, **LATER)
    return Begun(site, installation, services, coming)


def _hand_out(
    client: Client,
    archive: Path,
    installation: Installation,
    end: pd.Timestamp,
    stretches: Sequence[Stretch],
) -> Future[Any]:
    """Hand out one period of a site: made ready, its zones by themselves, and put together."""
    ready = client.submit(
        make_ready, archive, installation, end, method(), stretches, pure=False, retries=RETRIES
    )
    told = [
        client.submit(look_at_zone, method(), client.submit(getitem, ready, zone, **LATER), **LATER)
        for zone in installation.zone
    ]
    rest = client.submit(getitem, ready, ALL, **LATER)
    return client.submit(put_together, archive, installation, end, method(), rest, told, **LATER)


def finish(begun: Begun) -> Results:
    """Wait for one site's results, and add what is latched.

    Raises
    ------
    OtherProgramError
        If a worker runs another version of this program.
    """
    results: Results = begun.coming.result()
    return with_latched(begun.site.archive, results, begun.services)
