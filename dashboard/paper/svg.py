"""Line charts and a pipe map as plain SVG text: grey, printable, the same bytes for the same numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

INK = "#1b1f23"
RULE = "#c9c9c4"
DASHES = ("", "6 3", "2 2", "8 3 2 3")
"""Lines are told apart by their dashes, not by colour, so that a grey print reads the same."""

FONT = 'font-family="DejaVu Sans, sans-serif"'
LEFT, RIGHT, TOP, BOTTOM = 52.0, 12.0, 12.0, 38.0
"""Margins of a chart. [px]"""

HEADING = 14.0
"""Room for the key above the grid. [px]"""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a chart.

    Attributes
    ----------
    label : str
        Its name in the key.
    x, y : ndarray
        Its points, same shape; nan breaks the line.
    low, high : ndarray or None
        Ends of an interval round each point, drawn as a whisker.
    marks : bool
        Points as dots instead of a line.
    """

    label: str
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    low: NDArray[np.float64] | None = None
    high: NDArray[np.float64] | None = None
    marks: bool = False


@dataclass(frozen=True, slots=True)
class Axis:
    """One axis: its title, and ticks with their texts where numbers would not do."""

    title: str
    ticks: tuple[tuple[float, str], ...] = ()
    zero: bool = False


def nice_ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Return round numbers from one end to the other.

    Parameters
    ----------
    low, high : float
        Ends of the data.
    most : int
        Ticks wanted at most.

    Returns
    -------
    list of float
        Multiples of 1, 2 or 5 times a power of ten; the first at or below `low`, the last at or above `high`.

    Examples
    --------
    >>> nice_ticks(0.0, 47.0)
    [0.0, 10.0, 20.0, 30.0, 40.0, 50.0]
    """
    span = high - low or abs(high) or 1.0
    raw = span / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1 - 1e-9))
    first, last = math.floor(low / step + 1e-9), math.ceil(high / step - 1e-9)
    return [round(n * step, 12) for n in range(first, last + 1)]


def _number(value: float) -> str:
    """Return a tick's number."""
    return f"{value:g}".replace("-", "\N{MINUS SIGN}")


def _extent(values: Sequence[NDArray[np.float64]], *, zero: bool) -> tuple[float, float]:
    """Return the smallest and the largest finite value."""
    joined = np.concatenate([np.asarray(v, float).ravel() for v in values] or [np.zeros(1)])
    finite = joined[np.isfinite(joined)]
    low, high = (float(finite.min()), float(finite.max())) if finite.size else (0.0, 1.0)
    return (min(low, 0.0) if zero else low), high


def line_chart(
    lines: Sequence[Line],
    x: Axis,
    y: Axis,
    *,
    bands: Sequence[tuple[float, float]] = (),
    events: Sequence[float] = (),
    size: tuple[int, int] = (640, 240),
    title: str = "",
) -> str:
    """Return a chart of lines with a key.

    Parameters
    ----------
    lines : sequence of Line
        What to draw.
    x, y : Axis
        The axes.
    bands : sequence of (float, float)
        Target bands on the y axis, shown light between dotted edges.
    events : sequence of float
        Places on the x axis, shown as dashed lines from top to bottom.
    size : tuple of int
        Width and height. [px]
    title : str
        What the chart shows, for readers that do not see it.

    Returns
    -------
    str
        An ``svg`` element.
    """
    plot = _plot(lines, x, y, bands, size)
    parts = [_open(*size, title)]
    for low, high in bands:
        (x1, y1), (x2, y2) = plot.place(plot.x[0], high), plot.place(plot.x[1], low)
        parts.append(
            f'<rect x="{x1}" y="{y1}" width="{round(x2 - x1, 1)}" height="{round(y2 - y1, 1)}" '
            f'fill="#efefec" stroke="{INK}" stroke-width="0.6" stroke-dasharray="1 3"/>'
        )
    parts += _frame(plot, x.title, y.title)
    for event in events:
        (x1, y1), (_, y2) = (plot.place(event, plot.y_ticks[end][0]) for end in (0, -1))
        parts.append(
            f'<line x1="{x1}" y1="{y1}" x2="{x1}" y2="{y2}" stroke="{INK}" stroke-width="1" stroke-dasharray="6 3"/>'
        )
    for number, one in enumerate(lines):
        parts += _drawn(one, DASHES[number % len(DASHES)], plot)
    parts += _key(lines)
    return "".join([*parts, "</svg>"])


@dataclass(frozen=True, slots=True)
class _Plot:
    """Where values stand: ends and ticks of both axes, and the size of the picture. [px]"""

    x: tuple[float, float]
    x_ticks: tuple[tuple[float, str], ...]
    y_ticks: tuple[tuple[float, str], ...]
    size: tuple[int, int]

    def place(self, x: float, y: float) -> tuple[float, float]:
        """Return where a point stands. [px]"""
        width, height = self.size
        across = LEFT + (x - self.x[0]) / (self.x[1] - self.x[0]) * (width - LEFT - RIGHT)
        span = self.y_ticks[-1][0] - self.y_ticks[0][0] or 1.0
        down = height - BOTTOM - (y - self.y_ticks[0][0]) / span * (height - TOP - BOTTOM - HEADING)
        return round(across, 1), round(down, 1)


def _plot(
    lines: Sequence[Line], x: Axis, y: Axis, bands: Sequence[tuple[float, float]], size: tuple[int, int]
) -> _Plot:
    """Return the scales that hold every line and band."""
    ends = [end for one in lines for end in (one.y, one.low, one.high) if end is not None]
    low, high = _extent([*ends, *(np.array(band) for band in bands)], zero=y.zero)
    y_ticks = tuple((value, _number(value)) for value in nice_ticks(low, high))
    first, last = _extent([one.x for one in lines], zero=x.zero)
    x_ticks = x.ticks or tuple((v, _number(v)) for v in nice_ticks(first, last) if first <= v <= last)
    return _Plot((first, last if last > first else first + 1.0), x_ticks, y_ticks, size)


def _open(width: int, height: int, title: str) -> str:
    """Return the opening of an svg element."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img" '
        f'aria-label="{escape(title, quote=True)}" {FONT} font-size="11" fill="{INK}">'
    )


def _text(x: float, y: float, words: str, anchor: str = "middle", extra: str = "") -> str:
    """Return a text element."""
    return f'<text x="{x}" y="{y}" text-anchor="{anchor}" {extra}>{escape(words)}</text>'


def _frame(plot: _Plot, x_title: str, y_title: str) -> list[str]:
    """Return grid, ticks and titles."""
    width, height = plot.size
    parts = []
    for value, words in plot.y_ticks:
        (x1, y1), (x2, _) = plot.place(plot.x[0], value), plot.place(plot.x[1], value)
        parts.append(f'<line x1="{x1}" y1="{y1}" x2="{x2}" y2="{y1}" stroke="{RULE}" stroke-width="0.6"/>')
        parts.append(_text(x1 - 5, y1 + 4, words, "end"))
    for value, words in plot.x_ticks:
        x1, y1 = plot.place(value, plot.y_ticks[0][0])
        parts.append(f'<line x1="{x1}" y1="{y1}" x2="{x1}" y2="{y1 + 4}" stroke="{INK}" stroke-width="0.8"/>')
        parts.append(_text(x1, y1 + 16, words))
    parts.append(_text(width / 2, height - 6, x_title))
    parts.append(_text(LEFT - 40, TOP + 2, y_title, "start", 'font-weight="bold"'))
    return parts


def _drawn(one: Line, dash: str, plot: _Plot) -> list[str]:
    """Return one line, its whiskers or its dots."""
    parts = []
    if one.low is not None and one.high is not None:
        for px, low, high in zip(one.x, one.low, one.high, strict=True):
            if np.isfinite(low) and np.isfinite(high):
                (x1, y1), (_, y2) = plot.place(px, low), plot.place(px, high)
                parts.append(
                    f'<line x1="{x1}" y1="{y1}" x2="{x1}" y2="{y2}" stroke="{INK}" stroke-width="0.9"/>'
                )
    good = np.isfinite(one.y)
    if one.marks:
        dots = [plot.place(px, py) for px, py in zip(one.x[good], one.y[good], strict=True)]
        parts += [f'<circle cx="{cx}" cy="{cy}" r="2.2" fill="{INK}"/>' for cx, cy in dots]
    else:
        breaks = np.flatnonzero(np.diff(good.astype(int)))
        for piece in np.split(np.arange(one.y.size), breaks + 1):
            points = " ".join("{},{}".format(*plot.place(one.x[n], one.y[n])) for n in piece if good[n])
            if points:
                style = f' stroke-dasharray="{dash}"' if dash else ""
                parts.append(
                    f'<polyline points="{points}" fill="none" stroke="{INK}" stroke-width="1.4"{style}/>'
                )
    return parts


def _key(lines: Sequence[Line]) -> list[str]:
    """Return the key above the chart, where there is more than one line."""
    if len(lines) < 2:  # noqa: PLR2004 - one line needs no key
        return []
    parts, x = [], 150.0
    for number, one in enumerate(lines):
        dash = DASHES[number % len(DASHES)]
        style = f' stroke-dasharray="{dash}"' if dash else ""
        parts.append(
            f'<circle cx="{x + 12}" cy="10" r="2.2" fill="{INK}"/>'
            if one.marks
            else f'<line x1="{x}" y1="10" x2="{x + 24}" y2="10" stroke="{INK}" stroke-width="1.4"{style}/>'
        )
        parts.append(_text(x + 29, 14, one.label, "start"))
        x += 44.0 + 6.6 * len(one.label)
    return parts


def pipe_map(minutes: NDArray[np.float64], *, size: tuple[int, int] = (640, 200), title: str = "") -> str:
    """Return a map of a zone's laterals, darker where the water arrives later, with times at the ends.

    Parameters
    ----------
    minutes : ndarray
        Travel time to each emitting place; shape (laterals, places). [min]
    size : tuple of int
        Width and height. [px]
    title : str
        What it shows, for readers that do not see it.

    Returns
    -------
    str
        An ``svg`` element: one row a lateral, the manifold at the left.
    """
    width, height = size
    laterals, places = minutes.shape
    rows = np.linspace(22.0, height - 26.0, laterals)
    across = np.linspace(LEFT, width - 62.0, places + 1)
    worst = float(minutes.max()) or 1.0
    pieces = max(1, places // 24)
    parts = [_open(width, height, title)]
    parts.append(
        f'<line x1="{LEFT}" y1="{rows[0]}" x2="{LEFT}" y2="{rows[-1]}" stroke="{INK}" stroke-width="3"/>'
    )
    for row, y in enumerate(rows):
        for n in range(0, places, pieces):
            last = min(n + pieces, places)
            grey = round(225 - 200 * float(minutes[row, last - 1]) / worst)
            parts.append(
                f'<line x1="{across[n]:.1f}" y1="{y:.1f}" x2="{across[last]:.1f}" y2="{y:.1f}" '
                f'stroke="rgb({grey},{grey},{grey})" stroke-width="5"/>'
            )
        if row in (0, laterals - 1):
            parts.append(_text(width - 56, round(float(y) + 4, 1), f"{minutes[row, -1]:.1f} min", "start"))
    parts.append(_text(LEFT, height - 6, "manifold"))
    parts.append(_text(width / 2, height - 6, "darker: the water arrives later; times at the far ends"))
    return "".join([*parts, "</svg>"])
