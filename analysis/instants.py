"""Instants as people write them on the command line: local time unless they name a zone."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from ingest.errors import UserError

if TYPE_CHECKING:
    from ingest.installation import Installation


def instant(text: str | None, installation: Installation, option: str) -> pd.Timestamp | None:
    """Read an instant, in the installation's local time unless it names a zone.

    Parameters
    ----------
    text : str or None
        What was written.
    installation : Installation
        Whose local time counts.
    option : str
        The option, for the message.

    Returns
    -------
    pandas.Timestamp or None
        The instant; None where nothing was written. [UTC]

    Raises
    ------
    UserError
        If it is no time.

    Examples
    --------
    >>> from analysis.commissioning.example import garden
    >>> instant("2026-07-01T06:00", garden(), "--from").isoformat()
    '2026-07-01T05:00:00+00:00'
    """
    if text is None:
        return None
    try:
        read = pd.Timestamp(text)
        local = read.tz_localize(installation.tz) if read.tzinfo is None else read
    except ValueError as error:
        msg = (
            f'{option}: {text!r} is no time; write it like "2026-05-01" or "2026-05-01T06:00+01:00" ({error})'
        )
        raise UserError(msg) from error
    return local.tz_convert("UTC")


def in_order(start: pd.Timestamp | None, end: pd.Timestamp | None) -> None:
    """Refuse a period that ends before it starts.

    Raises
    ------
    UserError
        If it does.
    """
    if start is not None and end is not None and end <= start:
        msg = f"--to ({end}) must be later than --from ({start})"
        raise UserError(msg)
