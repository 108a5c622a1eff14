"""Ports of the loopback: which is free, and what to say when it is not."""

from __future__ import annotations

import errno
import socket

from ingest.errors import UserError

HOST = "127.0.0.1"
"""The demo listens nowhere else."""

TRIES = 50
"""How many ports above the usual one are tried."""


def is_free(port: int) -> bool:
    """Return whether a program could listen on a port of the loopback now."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((HOST, port))
        except OSError as error:
            if error.errno in (errno.EADDRINUSE, errno.EACCES):
                return False
            raise
    return True


def answers(port: int) -> bool:
    """Return whether something listens on a port of the loopback."""
    with socket.socket() as probe:
        probe.settimeout(1.0)
        return probe.connect_ex((HOST, port)) == 0


def choose(wanted: int | None, usual: int, *, option: str) -> int:
    """Return the port to listen on.

    Parameters
    ----------
    wanted : int or None
        What the user asked for; 0 for any; None for the usual one, or the next that is free.
    usual : int
        The usual port.
    option : str
        The option that chooses it, for the error's text.

    Returns
    -------
    int
        A port that was free a moment ago.

    Raises
    ------
    UserError
        If the wanted port, or every port tried, is in use.
    """
    if wanted == 0:
        with socket.socket() as probe:
            probe.bind((HOST, 0))
            return int(probe.getsockname()[1])
    if wanted is not None and is_free(wanted):
        return wanted
    first = usual if wanted is None else wanted + 1
    free = next((port for port in range(first, first + TRIES) if is_free(port)), None)
    if free is None:
        msg = f"ports {first} to {first + TRIES - 1} of {HOST} are all in use; choose another with {option}"
        raise UserError(msg)
    if wanted is not None:
        msg = (
            f"port {wanted} of {HOST} is in use by another program; end that program, "
            f"or choose another port, for example {option} {free}"
        )
        raise UserError(msg)
    return free
