"""How the notices go, for a page: of each way what was delivered last, what failed last, and what waits."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import pandas as pd

from analysis import ledger
from dashboard.notices.deliveries import Delivery
from dashboard.notices.outbox import FILE, replay
from ingest.status import read_status

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from pathlib import Path

STALE_S = 15.0
"""Age of the last sign of life after which the notices do not run; one is given every two seconds. [s]"""


@dataclass(frozen=True, slots=True)
class Status:
    """What the notices say of themselves, in a small file.

    Attributes
    ----------
    state : str
        ``watching`` or ``ended``.
    problem : str
        What keeps the installation from being watched.
    beaten : str or None
        When a sign of life got through last.
    board : bool or None
        Whether the broker is connected; None where there is none.
    board_problem : str
        Why it is not.
    """

    state: str
    problem: str
    beaten: str | None
    board: bool | None
    board_problem: str


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How one way goes.

    Attributes
    ----------
    channel : str
        ``mail``, ``webhook NAME`` or ``mqtt``.
    delivered : pandas.Timestamp or None
        When something was delivered last. [UTC]
    failed : pandas.Timestamp or None
        When an attempt failed last. [UTC]
    problem : str
        Why, where nothing was delivered since; empty where all is well.
    waiting, given_up : int
        Messages that will be tried again, and that will not. [-]
    """

    channel: str
    delivered: pd.Timestamp | None
    failed: pd.Timestamp | None
    problem: str
    waiting: int
    given_up: int


@dataclass(frozen=True, slots=True)
class NoticesState:
    """How the notices of an installation go.

    Attributes
    ----------
    running : bool or None
        Whether their process gives signs of life; None where it has never run here.
    beaten : pandas.Timestamp or None
        When a sign of life got through to the outside last. [UTC]
    problem : str
        What the process complains of.
    channels : tuple of ChannelState
        Every way that was ever used, by name.
    """

    running: bool | None
    beaten: pd.Timestamp | None
    problem: str
    channels: tuple[ChannelState, ...]


def notices_state(
    deliveries: Iterable[Delivery], status: Mapping[str, Any] | None, now: pd.Timestamp
) -> NoticesState:
    """Return how the notices go.

    Parameters
    ----------
    deliveries : iterable of Delivery
        Every message and how far it has come.
    status : mapping or None
        The process's status file.
    now : pandas.Timestamp
        The present. [UTC]

    Returns
    -------
    NoticesState
        For a page; nothing secret is in it.

    Examples
    --------
    >>> notices_state((), None, pd.Timestamp("2026-05-01", tz="UTC")).running is None
    True
    """
    by_channel: dict[str, list[Delivery]] = {}
    for one in deliveries:
        by_channel.setdefault(one.message.channel, []).append(one)
    channels = [_channel(name, found) for name, found in sorted(by_channel.items())]
    if status is None:
        return NoticesState(None, None, "", tuple(channels))
    if status["board"] is not None:
        told = None if status["board"] else str(status["board_problem"])
        channels.append(ChannelState("mqtt", None, None, told or "", 0, 0))
    beaten = pd.Timestamp(status["beaten"]) if status["beaten"] else None
    running = status["state"] == "watching" and now.timestamp() - float(status["time"]) < STALE_S
    return NoticesState(running, beaten, str(status["problem"]), tuple(channels))


def _channel(name: str, deliveries: list[Delivery]) -> ChannelState:
    delivered = max((d.last for d in deliveries if d.state == "delivered"), default=None)
    failing = [d for d in deliveries if d.state in ("failed", "given up")]
    last = max(failing, key=lambda d: d.last, default=None)
    fresh = last is not None and (delivered is None or last.last > delivered)
    return ChannelState(
        name,
        delivered,
        None if last is None else last.last,
        last.said if last is not None and fresh else "",
        sum(not d.settled for d in deliveries),
        sum(d.state == "given up" for d in deliveries),
    )


def status_path(archive: Path, site: str) -> Path:
    """Return where the status of the notices stands."""
    return archive / "state" / f"site={site}" / "notices.json"


def read_state(archive: Path, site: str, now: pd.Timestamp) -> NoticesState:
    """Return how the notices of an archive go; as `notices_state`, from its files.

    Parameters
    ----------
    archive : Path
        The archive's folder.
    site : str
        The installation's name as it stands in archive paths.
    now : pandas.Timestamp
        The present. [UTC]
    """
    deliveries = replay(ledger.rows(archive / FILE))[1]
    return notices_state(deliveries.values(), read_status(status_path(archive, site)), now)
