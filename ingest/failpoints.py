"""Named places at which the fault suite may kill the process or make a system call fail.

Nothing happens unless the environment variable names a place; then a reached place costs one look-up.
"""

from __future__ import annotations

import errno
import os
import signal
from dataclasses import dataclass

VARIABLE = "TRICKLEBOOK_FAULT"
"""Environment variable: ``place:nth:action``, where action is ``kill``, ``half`` or an errno name."""

WRITES = ("parquet", "quarantine", "events", "checkpoint", "manifest", "merged")
"""Kinds of file that are published by temporary file, fsync, rename and fsync of the folder."""

WRITE_STEPS = ("write", "fsync", "rename", "folder")
"""Steps of publishing one file, each a place: before the write, the fsync, the rename, the folder's fsync."""

PLACES = (
    "journal.write",
    "journal.fdatasync",
    "journal.rotate",
    "journal.truncate",
    "receiver.ack",
    "receiver.acked",
    "receiver.subscribe",
    "round.read",
    "round.decoded",
    "round.published",
    "round.committed",
    "round.unlink",
    "merge.built",
    "merge.intent",
    "merge.exchanged",
    "merge.manifest",
    "merge.committed",
    "depot.put",
    "depot.back",
    "depot.sent",
    "depot.let_go",
    *(f"{kind}.{step}" for kind in WRITES for step in WRITE_STEPS),
)
"""Every named place of the ingester, in the order of the protocol."""

NOTICE_PLACES = (
    "notices.queue",
    "notices.queued",
    "notices.attempt",
    "notices.attempting",
    "notices.accepted",
    "notices.ended",
    "notices.shown",
)
"""Named places of the notices: before and after each line of the outbox, and after a finding is shown."""


@dataclass(slots=True)
class _Fault:
    """One planted fault.

    Attributes
    ----------
    place : str
        Where.
    left : int
        How many more times the place is passed unharmed.
    action : str
        What happens then.
    """

    place: str
    left: int
    action: str


_armed: list[_Fault] = []


def arm(text: str) -> None:
    """Plant the fault that `text` describes, or none where it is empty.

    Parameters
    ----------
    text : str
        ``place:nth:action``; the first time is ``1``.

    Raises
    ------
    ValueError
        If the place is not one of `PLACES` or `NOTICE_PLACES`.

    Examples
    --------
    >>> arm("journal.write:2:ENOSPC")
    >>> reach("journal.write")
    >>> reach("journal.write")
    Traceback (most recent call last):
    OSError: [Errno 28] No space left on device: 'fault at journal.write'
    >>> arm("")
    """
    _armed.clear()
    if not text:
        return
    place, nth, action = text.split(":")
    known = (*PLACES, *NOTICE_PLACES)
    if place not in known:
        msg = f"{VARIABLE} names {place!r}, which is no place; expected one of {', '.join(known)}"
        raise ValueError(msg)
    _armed.append(_Fault(place, int(nth), action))


def reach(place: str) -> None:
    """Let a planted fault happen here; without one, do nothing."""
    if _armed:
        _happen(place)


def half(place: str, data: bytes | memoryview) -> bytes | memoryview:
    """Return what a write at this place gets out before the process dies: all of it, as a rule, or half."""
    if _armed and _armed[0].place == place and _armed[0].action == "half" and _armed[0].left == 1:
        return data[: len(data) // 2]
    return data


def _happen(place: str) -> None:
    fault = _armed[0]
    if fault.place != place:
        return
    fault.left -= 1
    if fault.left > 0:
        return
    if fault.action in ("kill", "half"):
        os.kill(os.getpid(), signal.SIGKILL)
        return
    if fault.left == 0:
        raise OSError(
            getattr(errno, fault.action), os.strerror(getattr(errno, fault.action)), f"fault at {place}"
        )


arm(os.environ.get(VARIABLE, ""))
