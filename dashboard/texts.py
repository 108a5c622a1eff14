"""Every text of the screen, read from one file, so that another language is another file."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files

LANGUAGE = "en"
"""Language of the screen, as an HTML language code."""


@cache
def catalogue(language: str = LANGUAGE) -> dict[str, str]:
    """Return key to text of one language.

    Parameters
    ----------
    language : str
        Name of a file in ``dashboard/languages``, without its ending.

    Returns
    -------
    dict of str to str
        ``table.key`` to text.

    Examples
    --------
    >>> catalogue()["severity.stop"]
    'Stop'
    """
    read = tomllib.loads((files("dashboard") / "languages" / f"{language}.toml").read_text("utf-8"))
    return {f"{table}.{key}": text for table, rows in read.items() for key, text in rows.items()}


def say(key: str, **values: object) -> str:
    """Return a text of the screen with its values filled in.

    Parameters
    ----------
    key : str
        ``table.key`` of the language file.
    **values : object
        What stands in the text's braces.

    Returns
    -------
    str
        The text.

    Raises
    ------
    KeyError
        If the file has no such text, or a value is missing.

    Examples
    --------
    >>> say("time.today", clock="14:02")
    'today 14:02'
    """
    return catalogue()[key].format(**values)
