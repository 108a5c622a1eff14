"""Numbers with their unit inside sentences, in the one form that is found again and turned into the reader's units.

A no-break space stands between number and unit, and round the "to" of a range. Numbers that stay in their unit in
any system, such as a reference temperature of 25 °C, are written with a plain space and are left as they are.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING

from ingest.quantities import convert

if TYPE_CHECKING:
    from collections.abc import Mapping

    from analysis.results import Estimate, Finding

NBSP = "\N{NO-BREAK SPACE}"

US_UNITS: Mapping[str, str] = MappingProxyType(
    {
        "L": "gal",
        "L/h": "gal/min",
        "kPa": "psi",
        "g": "oz",
        "°C": "°F",
        "mm": "in",
        "kg": "lb",
        "m": "ft",
        "m2": "ft2",
        "g/m2": "oz/ft2",
    }
)
"""Stored unit to the unit of a reader of US customary units; the others stay."""

NUMBER = r"[+-]?\d+(?:\.\d+)?(?:e[+-]?\d+)?"

AMOUNT = re.compile(
    rf"({NUMBER})(?:{NBSP}to{NBSP}({NUMBER}))?{NBSP}({'|'.join(sorted(US_UNITS, key=len, reverse=True))})(?![\w/²])"
)
"""What an amount looks like whose unit has another one in US customary units."""

SQUARED = re.compile(rf"({NBSP}(?:g/m|oz/ft|m|ft))2(?![\w/])")
"""An area's unit as it is stored; people read a small figure there."""

LEAST_FIGURES = 2
"""Figures that a turned number keeps at least: 5 kPa is 0.73 psi and not 0.7. No source."""


def amount(value: float, unit: str, form: str = ".0f") -> str:
    r"""Return a number with its stored unit, as it stands in a sentence.

    Parameters
    ----------
    value : float
        The number. [`unit`]
    unit : str
        A stored unit, see `ingest.quantities.DIMENSIONS`.
    form : str
        How the number is written, as a format specification.

    Returns
    -------
    str
        In one piece, so that no line breaks within.

    Examples
    --------
    >>> amount(12.34, "kPa", ".1f")
    '12.3\xa0kPa'
    """
    return f"{value:{form}}{NBSP}{unit}"


def reach(low: float, high: float, unit: str, form: str = ".0f") -> str:
    r"""Return a range with its stored unit; as `amount`.

    Examples
    --------
    >>> reach(100, 2500, "L/h")
    '100\xa0to\xa02500\xa0L/h'
    """
    return f"{low:{form}}{NBSP}to{NBSP}{high:{form}}{NBSP}{unit}"


def in_units(text: str, units: str) -> str:
    r"""Return a sentence with its amounts as the reader wants them.

    Parameters
    ----------
    text : str
        With amounts as `amount` and `reach` write them.
    units : {"metric", "us"}
        What the reader wants.

    Returns
    -------
    str
        The same words; a turned number has as many figures as it had, and squares are written as such.

    Examples
    --------
    >>> in_units(f"p1 fell {amount(12.34, 'kPa', '.1f')} below p2", "us")
    'p1 fell 1.78\xa0psi below p2'
    """
    turned = AMOUNT.sub(_turned, text) if units == "us" else text
    return SQUARED.sub(r"\1²", turned)


def finding_in(finding: Finding, units: str) -> Finding:
    """Return a finding with its sentences as the reader wants them; its number stays as it is."""
    return replace(
        finding,
        evidence=in_units(finding.evidence, units),
        likely_causes=tuple(in_units(cause, units) for cause in finding.likely_causes),
        advice=in_units(finding.advice, units),
    )


def estimate_in(estimate: Estimate, units: str) -> Estimate:
    """Return an estimate with its method and its reason as the reader wants them; its numbers stay as they are."""
    reason = None if estimate.reason is None else in_units(estimate.reason, units)
    return replace(estimate, method=in_units(estimate.method, units), reason=reason)


def _turned(found: re.Match[str]) -> str:
    unit = found[3]
    ends = [_number(end, unit) for end in (found[1], found[2]) if end is not None]
    return f"{NBSP}to{NBSP}".join(ends) + f"{NBSP}{US_UNITS[unit]}"


def _number(written: str, unit: str) -> str:
    """Return a number in the other unit, with as many figures as it had."""
    value = convert(float(written), unit, US_UNITS[unit])
    if value == 0.0:
        return written
    figures = max(LEAST_FIGURES, len(re.sub(r"e.*|\D", "", written).lstrip("0")))
    decimals = max(0, figures - 1 - math.floor(math.log10(abs(value))))
    return f"{value:{'+' if written.startswith('+') else ''}.{decimals}f}"
