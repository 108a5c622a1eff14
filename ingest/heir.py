"""Takes over what the broker holds for an ingester that is gone, where several share a subscription.

A broker keeps the messages that it chose a member of the group for until that member comes back; what
happens to them when it never does differs between brokers, and mosquitto 2.0.11 drops them. So another
ingester on the same archive connects once in its name: it leaves the subscription, so that nothing new goes
there, takes what is waiting, and ends the session.
"""

from __future__ import annotations

import logging
import selectors
import time
from dataclasses import replace
from typing import TYPE_CHECKING

from ingest import session
from ingest.address import tls_context
from ingest.connection import RECEIVE_MAXIMUM, Connection, Stage
from ingest.files import locked
from ingest.intake import Intake
from ingest.journal import JournalWriter, WriterError
from ingest.status import read_all
from ingest.tail import writers

if TYPE_CHECKING:
    from pathlib import Path

    from ingest.address import Address

log = logging.getLogger(__name__)

GONE_S = 10.0
"""Time after its last sign of life after which an ingester counts as gone: its manager restarts it sooner. [s]"""

IDLE_S = 2.0
"""Time without a message after which nothing is waiting any more. [s]"""

LONGEST_S = 600.0
"""Time after which a take-over that does not end is given up, to be begun again. [s]"""

_WAIT_S = 0.1


def orphans(archive: Path, site: str, own: str, now: float) -> list[str]:
    """Return the writers of a shared subscription that are gone and have a session with the broker.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    own : str
        The writer that asks.
    now : float
        This machine's clock. [s since 1970]
    """
    receivers = read_all(archive, site)[1]
    found = []
    for folder in writers(archive, site):
        known = session.remembered(folder)
        if folder.name == own or known is None or not known.shared:
            continue
        if now - receivers.get(folder.name, {}).get("time", 0.0) < GONE_S:
            continue
        with locked(folder / "lock", wait=False) as is_free:
            if is_free:
                found.append(folder.name)
    return found


def inherit(archive: Path, site: str, writer: str, address: Address) -> int:
    """Take over what is waiting for a writer, into its own journal.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    writer : str
        Who is gone.
    address : Address
        How the heir itself connects.

    Returns
    -------
    int
        Messages taken over.

    Raises
    ------
    OSError
        If there is no way to the broker.
    BrokenDiskError
        If the disk fails.
    """
    try:
        journal = JournalWriter(archive, writer, site)
    except WriterError:
        return 0  # it is back
    with journal:
        known = session.remembered(journal.folder)
        if known is None:
            return 0
        intake = Intake(journal, lambda _: None)
        redelivery = session.Redelivery(journal.folder, RECEIVE_MAXIMUM)
        as_other = replace(address, client_id=known.client_id, topics=())
        connection = Connection(
            as_other, redelivery.is_stored, context=tls_context(address), watch_drops=False
        )
        connection.open()
        if _drain(connection, intake, known.filters):
            session.forget(journal.folder)
        log.info("%d messages of %s taken over", intake.tally.messages, writer)
        return intake.tally.messages


def _drain(connection: Connection, intake: Intake, filters: list[str]) -> bool:
    """Leave the subscription and take what is waiting; tell whether it came to its end."""
    link = connection.link
    begun, last, taken = time.monotonic(), time.monotonic(), -1
    stage = connection.stage
    with selectors.DefaultSelector() as selector:
        selector.register(link, selectors.EVENT_READ)
        while connection.stage is not Stage.CLOSED and time.monotonic() - begun < LONGEST_S:
            selector.select(_WAIT_S)
            if intake.is_holding:
                intake.try_held()
            else:
                intake.store(link.fill(), link)
            connection.attend()
            if stage is not connection.stage is Stage.READY:
                connection.forget(filters)
                last = time.monotonic()
            stage = connection.stage
            if intake.tally.messages != taken or intake.is_holding:
                last, taken = time.monotonic(), intake.tally.messages
            elif stage is Stage.READY and time.monotonic() - last > IDLE_S:
                connection.close(for_good=True)
                return True
    connection.drop("given up")
    return False
