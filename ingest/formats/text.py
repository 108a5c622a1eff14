"""Text and JSON from outside, with errors that a person can follow."""

from __future__ import annotations

import json


def text_of(payload: bytes) -> str:
    """Return a payload as text.

    Raises
    ------
    ValueError
        If it is no UTF-8.

    Examples
    --------
    >>> text_of(b"12.5")
    '12.5'
    """
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        msg = f"byte {payload[error.start]:#04x} at place {error.start} is no UTF-8"
        raise ValueError(msg) from error


def loads_json(payload: bytes) -> object:
    """Decode JSON, letting ``NaN`` and ``1e999`` through so that what holds them can be named.

    Raises
    ------
    ValueError
        If it is no JSON.
    RecursionError
        If lists are nested too deep.

    Examples
    --------
    >>> loads_json(b'[1, NaN]')
    [1, nan]
    """
    try:
        return json.loads(text_of(payload))
    except json.JSONDecodeError as error:
        msg = f"broken JSON at place {error.pos}: {error.msg[:1].lower()}{error.msg[1:]}"
        raise ValueError(msg) from error
