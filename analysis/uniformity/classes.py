"""Classes of uniformity and of emitters, as the published tables have them."""

from __future__ import annotations

import numpy as np

US_CLASSES = (
    ("excellent", 95.0, 100.0),
    ("good", 85.0, 90.0),
    ("fair", 75.0, 80.0),
    ("poor", 65.0, 70.0),
    ("unacceptable", -np.inf, 60.0),
)
"""Classes of statistical uniformity, from and to. [%] ASAE EP458 (from memory), gaps as printed."""

EU_CLASSES = (
    ("excellent", 94.0, 100.0),
    ("good", 81.0, 87.0),
    ("fair", 68.0, 75.0),
    ("poor", 56.0, 62.0),
    ("unacceptable", -np.inf, 50.0),
)
"""Classes of emission uniformity, from and to. [%] ASAE EP458 (from memory), gaps as printed."""

POINT_SOURCE_CLASSES = (
    ("excellent", 0.05),
    ("average", 0.07),
    ("marginal", 0.11),
    ("poor", 0.15),
    ("unacceptable", np.inf),
)
"""Classes of a maker's coefficient of variation, upper ends. [-] ASAE EP405, point source (from memory)."""

LINE_SOURCE_CLASSES = (("good", 0.10), ("average", 0.20), ("marginal or unacceptable", np.inf))
"""The same for line sources. [-] ASAE EP405 (from memory)."""


def us_class(percent: float) -> str:
    """Return the class of a statistical uniformity; between two classes where the table has a gap.

    Examples
    --------
    >>> us_class(87.9), us_class(92.0), us_class(40.0)
    ('good', 'between good and excellent', 'unacceptable')
    """
    return _classed(percent, US_CLASSES)


def eu_class(percent: float) -> str:
    """Return the class of an emission uniformity; between two classes where the table has a gap.

    Examples
    --------
    >>> eu_class(84.8)
    'good'
    """
    return _classed(percent, EU_CLASSES)


def variation_class(cv: float, *, line_source: bool = False) -> str:
    """Return the class of a maker's coefficient of variation.

    Examples
    --------
    >>> variation_class(0.06), variation_class(0.06, line_source=True)
    ('average', 'good')
    """
    table = LINE_SOURCE_CLASSES if line_source else POINT_SOURCE_CLASSES
    return next(name for name, upper in table if cv < upper or upper == np.inf)


def _classed(percent: float, table: tuple[tuple[str, float, float], ...]) -> str:
    """Return the class, or the two that a value lies between."""
    for place, (name, low, high) in enumerate(table):
        if low <= percent <= high:
            return name
        if percent > high:
            return name if place == 0 else f"between {name} and {table[place - 1][0]}"
    return table[-1][0]
