"""What a reader wants to see of a chart, from the words of the address, checked."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from dashboard.beside import Beside
from dashboard.theme import PALETTES, Mode

if TYPE_CHECKING:
    from collections.abc import Mapping

    from dashboard.display import Units

SHORTEST_S, LONGEST_S = 2.0, 40 * 366 * 86400.0
"""Ranges that a chart may have. [s]"""

EARLIEST_S, LATEST_S = 0.0, 7258118400.0
"""No chart begins before 1970 or ends after 2199. [s since 1970, UTC]"""

NARROWEST_PX, BROADEST_PX = 240, 4000
"""Widths that a chart may have. [px]"""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a reader wants to see, checked.

    Attributes
    ----------
    start, end : float
        [s since 1970, UTC]
    width : int
        [px]
    units : {"metric", "us"}
        Of the axes.
    mode : {"light", "dark"}
        Of the colours.
    beside : Beside or None
        What else to show on the same axes.
    fit : bool
        Whether the value axes fit the readings.
    """

    start: float
    end: float
    width: int
    units: Units
    mode: Mode
    beside: Beside | None = None
    fit: bool = False


def wanted(query: Mapping[str, str], now: float) -> Wanted:
    """Return what a reader wants, from the words of the address.

    Parameters
    ----------
    query : mapping of str to str
        ``span``, or ``from`` and ``to``; ``width``, ``units``, ``theme``; ``beside`` (a zone), ``earlier`` [s]
        and ``axis`` (``fit``).
    now : float
        The present, where a span ends. [s since 1970, UTC]

    Returns
    -------
    Wanted
        Clamped to what can be shown.

    Raises
    ------
    ValueError
        If a number is no number, or the end lies before the start.

    Examples
    --------
    >>> wanted({"span": "3600"}, 7200.0).start
    3600.0
    """
    if "from" in query or "to" in query:
        start, end = _number(query, "from", 0.0), _number(query, "to", now)
    else:
        end = now
        start = now - _number(query, "span", 21600.0)
    start, end = max(start, EARLIEST_S), min(end, LATEST_S)
    if end <= start:
        msg = "the end of the range must lie after its start"
        raise ValueError(msg)
    if end - start < SHORTEST_S:
        middle = (start + end) / 2
        start, end = middle - SHORTEST_S / 2, middle + SHORTEST_S / 2
    start = max(start, end - LONGEST_S)
    width = int(min(max(_number(query, "width", 900.0), NARROWEST_PX), BROADEST_PX))
    units = query.get("units", "metric")
    mode = query.get("theme", "light")
    if units not in {"metric", "us"} or mode not in PALETTES:
        msg = "units must be metric or us, theme light or dark"
        raise ValueError(msg)
    earlier = int(min(max(_number(query, "earlier", 0.0), 0.0), LONGEST_S))
    beside = Beside(query.get("beside") or None, earlier) if query.get("beside") or earlier else None
    return Wanted(start, end, width, cast("Units", units), mode, beside, query.get("axis") == "fit")


def _number(query: Mapping[str, str], key: str, default: float) -> float:
    """Return a finite number of the query."""
    try:
        value = float(query.get(key, default))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{key} must be a number"
        raise ValueError(msg)
    return value
