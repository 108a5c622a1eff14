"""How a record writes shares, deviations, counts, and numbers with their intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.display import NO_VALUE, ratio, scale

if TYPE_CHECKING:
    from analysis.results import Estimate
    from dashboard.display import Units


def percent(value: float | None, decimals: int = 1) -> str:
    r"""Return a share as per cent, without a minus before nought.

    Examples
    --------
    >>> print(ascii(percent(-0.0001)), ascii(percent(-0.021)))
    '0.0\xa0%' '\u22122.1\xa0%'
    """
    if value is None:
        return NO_VALUE
    number = f"{100 * value:.{decimals}f}"
    number = number.lstrip("-") if float(number) == 0 else number.replace("-", "\N{MINUS SIGN}")
    return f"{number}\N{NO-BREAK SPACE}%"


def signed(share: float) -> str:
    r"""Return a deviation with its sign.

    Examples
    --------
    >>> print(ascii(signed(0.031)), ascii(signed(-0.12)))
    '+3.1\xa0%' '\u221212.0\xa0%'
    """
    text = percent(share)
    return text if text[0] == "\N{MINUS SIGN}" or text.startswith("0.0\N{NO-BREAK SPACE}") else f"+{text}"


def spread(estimate: Estimate, units: Units) -> str:
    """Return a number with its interval, in the reader's units."""
    if estimate.quantity == "injection fraction":
        return f"{ratio(estimate.value)} ({ratio(estimate.high)} to {ratio(estimate.low)})"
    if estimate.unit == "1":
        return f"{percent(estimate.value)} ({percent(estimate.low)} to {percent(estimate.high)})"
    shown = scale(estimate.unit, units)
    low, high = (shown.text(end, unit=False) for end in (estimate.low, estimate.high))
    return f"{shown.text(estimate.value)} ({low} to {high})"


def counted(number: int, one: str, many: str = "") -> str:
    """Return a number of things.

    Examples
    --------
    >>> counted(1, "run"), counted(3, "run")
    ('1 run', '3 runs')
    """
    return f"{number} {one if number == 1 else many or one + 's'}"
