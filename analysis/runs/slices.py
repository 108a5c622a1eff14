"""Parts of a series by time, without looking at every reading."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd


def between(
    series: pd.Series, start: pd.Timestamp, end: pd.Timestamp, *, last: Literal["in", "out"] = "in"
) -> pd.Series:
    """Return the readings from one instant to another.

    Parameters
    ----------
    series : pandas.Series
        Readings by ascending time. [any]
    start, end : pandas.Timestamp
        The instants; the first one is included. [UTC]
    last : {"in", "out"}
        Whether a reading at `end` is included.

    Returns
    -------
    pandas.Series
        A part of `series`.

    Examples
    --------
    >>> import pandas as pd
    >>> times = pd.date_range("2026-01-01", periods=4, freq="10s", tz="UTC")
    >>> readings = pd.Series([1, 2, 3, 4], times)
    >>> between(readings, times[1], times[2]).tolist(), between(readings, times[1], times[2], last="out").tolist()
    ([2, 3], [2])
    """
    stop = place(series.index, end, side="right" if last == "in" else "left")
    return series.iloc[place(series.index, start) : stop]


def place(index: pd.Index, instant: pd.Timestamp, *, side: Literal["left", "right"] = "left") -> int:
    """Return how many readings came before an instant, or up to it with ``side="right"``.

    Parameters
    ----------
    index : pandas.Index
        Times, ascending. [UTC]
    instant : pandas.Timestamp
        The instant, rounded to the resolution of the times. [UTC]
    side : {"left", "right"}
        Whether a reading at the instant itself counts.

    Returns
    -------
    int
        A position in `index`.

    Examples
    --------
    >>> import pandas as pd
    >>> times = pd.date_range("2026-01-01", periods=4, freq="10s", tz="UTC")
    >>> place(times, times[2]), place(times, times[2], side="right")
    (2, 3)
    """
    unit = str(getattr(index, "unit", "us"))
    return int(index.searchsorted(instant.as_unit(unit), side=side))  # type: ignore[arg-type]


def all_between(
    series: Mapping[str, pd.Series],
    start: pd.Timestamp,
    end: pd.Timestamp,
    *,
    last: Literal["in", "out"] = "in",
) -> dict[str, pd.Series]:
    """Return that part of every series; see `between`."""
    return {name: between(s, start, end, last=last) for name, s in series.items()}
