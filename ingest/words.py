"""The nearest right word to a wrong one."""

from __future__ import annotations

from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

NEAR = 0.6
"""Likeness from which a word may be meant; the standard library's own default. [-]"""

LONGEST = 80
"""Words longer than this are not looked up. Computed: longer than any name that is known."""


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that a wrong one is most like, whatever its case.

    Parameters
    ----------
    word : str
        What was written.
    known : iterable of str
        What could have been.

    Returns
    -------
    str or None
        None where nothing is near.

    Examples
    --------
    >>> nearest("Presure", ["flow", "pressure", "volume"])
    'pressure'
    >>> nearest("kpa", ["kPa", "bar"])
    'kPa'
    """
    if not word or len(word) > LONGEST:
        return None
    spelled = {name.casefold(): name for name in known}
    close = get_close_matches(word.casefold(), list(spelled), n=1, cutoff=NEAR)
    return spelled[close[0]] if close else None


def did_you_mean(word: object, known: Iterable[str]) -> str:
    """Return the hint to the nearest word, or nothing.

    Examples
    --------
    >>> did_you_mean("flwo", ["flow"])
    '; did you mean "flow"?'
    """
    found = nearest(word, known) if isinstance(word, str) else None
    return "" if found is None or found == word else f'; did you mean "{found}"?'
