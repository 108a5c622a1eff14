"""Which file of summaries holds a moment: a month in each of the fine tiers, a year of the hours, all days in one."""

from __future__ import annotations

import numpy as np

from dashboard.windows import SECOND

MONTHLY_BELOW = 3600 * SECOND
"""Tiers finer than this have a file for each month, the others for each year. [us]"""

WHOLE_FROM, WHOLE = 86400 * SECOND, "all"
"""From this tier on [us] one file holds everything: ten years of a sensor are 3,650 rows. """


def period_of(time: int, tier: int) -> str:
    """Return the period whose file holds a moment [us].

    Examples
    --------
    >>> period_of(0, 60 * SECOND), period_of(0, 3600 * SECOND), period_of(0, 86400 * SECOND)
    ('1970-01', '1970', 'all')
    """
    if tier >= WHOLE_FROM:
        return WHOLE
    text = str(np.datetime64(time, "us"))
    return text[:7] if tier < MONTHLY_BELOW else text[:4]


def periods(start: int, end: int, tier: int) -> list[str]:
    """Return the periods of a stretch, oldest first.

    Examples
    --------
    >>> periods(0, 40 * 86400 * SECOND, 60 * SECOND)
    ['1970-01', '1970-02']
    """
    if tier >= WHOLE_FROM:
        return [WHOLE]
    unit = "M" if tier < MONTHLY_BELOW else "Y"
    first, last = (np.datetime64(t, "us").astype(f"datetime64[{unit}]") for t in (start, end - 1))
    return [str(p) for p in np.arange(first, last + 1)]
