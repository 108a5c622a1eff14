"""Ratio spellings, turned into the volume fraction f = stock / (stock + water)."""

from __future__ import annotations

import re

from ingest.quantities import parse

_OF_TOTAL = re.compile(r"^\s*1\s*(?::|in|to)\s*(\d+(?:\.\d+)?)(?:\s+of\s+total)?\s*$", re.IGNORECASE)
_OF_WATER = re.compile(r"^\s*1\s*(?::|to)\s*(\d+(?:\.\d+)?)\s+of\s+water\s*$", re.IGNORECASE)


def parse_fraction(text: object) -> float:
    """Read a ratio or a share as the volume fraction of stock in the delivered solution.

    Parameters
    ----------
    text : object
        ``"1:100"`` is 1 part of stock in 100 parts of delivered solution, the convention of the
        university bulletins; ``"1 to 100 of water"`` is 1 part added to 100 parts of water; ``"0.5 %"``
        is a share of the delivered solution; ``"water"`` is water alone.

    Returns
    -------
    float
        Volume fraction f = stock / (stock + water). [-]

    Raises
    ------
    ValueError
        If the text is none of these, or the fraction is not below 1.

    References
    ----------
    University of Maryland Extension FS-1121 (2020): 1:50 is 1 part in 50 parts of solution.

    Examples
    --------
    >>> parse_fraction("1:100")
    0.01
    >>> round(parse_fraction("1 to 100 of water"), 6)
    0.009901
    """
    if isinstance(text, str):
        if text.strip().lower() == "water":
            return 0.0
        if match := _OF_WATER.match(text):
            return 1.0 / (float(match[1]) + 1.0)
        if (match := _OF_TOTAL.match(text)) and float(match[1]) > 1:
            return 1.0 / float(match[1])
        if text.strip().endswith("%"):
            fraction = parse(text, "share")
            if 0 < fraction < 1:
                return fraction
    msg = 'expected a ratio, like "1:100" (1 part in 100 parts of solution), "1 to 100 of water", or "1 %"'
    raise ValueError(msg)
