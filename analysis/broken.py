"""What is told where one part of the analysis breaks off: that part alone is missing, and everybody hears of it."""

from __future__ import annotations

import traceback
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.results import Finding
from analysis.view import RunView

if TYPE_CHECKING:
    from collections.abc import Callable

    from analysis.view import PeriodView, SeasonView

HERE = Path(__file__).parent

SURVIVED: tuple[type[Exception], ...] = (
    ArithmeticError,
    AttributeError,
    LookupError,
    RuntimeError,
    TypeError,
    ValueError,
)
"""Errors that the same readings bring again. A full memory or disk is none: that ends the analysis as a whole."""

WATCHES_WATER = ("backflow", "slow_leak_back")
"""Parts that look whether stock could reach the supply."""


def not_judged(
    step: Callable[..., object], view: RunView | PeriodView | SeasonView, error: Exception
) -> Finding:
    """Return the finding that one part of the analysis broke off.

    Parameters
    ----------
    step : callable
        The part.
    view : RunView, PeriodView or SeasonView
        What it looked at.
    error : Exception
        What ended it, as it was caught.

    Returns
    -------
    Finding
        ``not judged``, of the run and its zone, or of the period; the same error gives the same words.

    Examples
    --------
    >>> import pandas as pd
    >>> from analysis.view import PeriodView
    >>> def dry_cells(view): return 1 / 0
    >>> day = [pd.Timestamp(f"2026-06-0{n}", tz="UTC") for n in (1, 2)]
    >>> view = PeriodView(None, *day, {}, {}, ())
    >>> try:
    ...     dry_cells(view)
    ... except ZeroDivisionError as error:
    ...     not_judged(dry_cells, view, error).evidence
    'the part of the analysis that is called "dry cells" broke off: ZeroDivisionError, division by zero'
    """
    span = view.run if isinstance(view, RunView) else view
    water = step.__name__ in WATCHES_WATER
    return Finding(
        kind="not judged",
        zone=view.run.zone if isinstance(view, RunView) else None,
        sensor=None,
        start=span.start,
        end=span.end,
        severity="act",
        value=None,
        unit=None,
        evidence=f'the part of the analysis that is called "{step.__name__.replace("_", " ")}" broke off: '
        f"{type(error).__name__}, {error}{_place(error)}",
        likely_causes=(
            "a sensor whose readings make no sense",
            "a fault in the program, which met readings that it was not made for",
        ),
        advice=(
            "Nobody looks for backflow in these readings: see to the preventer and the pressures yourself until this "
            "is mended. "
            if water
            else ""
        )
        + "Only what this part would have told is missing; all else is told as ever. Look for a sensor that reads "
        "nonsense, and give these words, with the readings, to whoever keeps the program.",
    )


def _place(error: Exception) -> str:
    """Return where in the analysis an error came up, in brackets."""
    frames = [f for f in traceback.extract_tb(error.__traceback__) if HERE in Path(f.filename).parents]
    if not frames:
        return ""
    return f" ({Path(frames[-1].filename).relative_to(HERE.parent).as_posix()}, line {frames[-1].lineno})"
