"""Readings on their way to the screen: each bucket once, though line, band and marks all draw it."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from dashboard.windows import GAP_STEPS, SECOND, gaps, usual_interval

if TYPE_CHECKING:
    from dashboard.chart import Line
    from dashboard.display import Scale


def column(line: Line, scale: Scale, title: str) -> dict[str, Any]:
    """Return a sensor's buckets in shown units, as arrays, with the breaks that its gaps make.

    Parameters
    ----------
    line : Line
        The sensor's line.
    scale : Scale
        To the shown unit.
    title : str
        What its panel shows.

    Returns
    -------
    dict
        ``start`` and ``step`` [s], ``index``, ``low``, ``mean``, ``high``, ``flagged`` and ``breaks``:
        positions in the arrays before which the line breaks.
    """
    drawn = line.window
    ends = {b for _, b in gaps(drawn, line.interval)}
    lefts = drawn.start + drawn.index * drawn.step
    low, mean, high = (
        (values * scale.factor + scale.offset).astype(np.float32)
        for values in (drawn.low, drawn.mean, drawn.high)
    )
    return {
        "title": title,
        "label": line.label,
        "reach": GAP_STEPS * max(line.interval or usual_interval(drawn), drawn.step) / SECOND,
        "unit": "" if scale.unit == "1" else scale.unit,
        "decimals": scale.decimals,
        "start": drawn.start / SECOND,
        "step": drawn.step / SECOND,
        "index": drawn.index.astype(np.uint16),
        "low": low,
        "mean": mean,
        "high": high,
        "flagged": np.flatnonzero(drawn.flagged).astype(np.uint16),
        "breaks": [int(i) for i in np.flatnonzero([int(left) in ends for left in lefts])],
    }


def laid(col: dict[str, Any], role: str) -> tuple[list[float | None], list[float | None]]:
    """Return the points that a line, its band or its marks draw from one column."""
    x = [col["start"] + (int(i) + 0.5) * col["step"] for i in col["index"]]
    if role == "flagged":
        return [x[i] for i in col["flagged"]], [float(col["high"][i]) for i in col["flagged"]]
    starts = [0, *col["breaks"], len(x)]
    px: list[float | None] = []
    py: list[float | None] = []
    for a, b in pairwise(starts):
        if role == "mean":
            px += [*x[a:b], None]
            py += [*map(float, col["mean"][a:b]), None]
        else:
            px += [*x[a:b], *reversed(x[a:b]), None]
            py += [*map(float, col["high"][a:b]), *map(float, col["low"][a:b][::-1]), None]
    return px[:-1], py[:-1]


def assembled(made: dict[str, Any]) -> dict[str, Any]:
    """Return a figure with its columns laid in, as ``assets/chart.js`` does it, ready for Plotly.

    Parameters
    ----------
    made : dict
        What `figure` gives.

    Returns
    -------
    dict
        ``data`` and ``layout``.
    """
    data = []
    for trace in made["data"]:
        if "column" not in trace:
            data.append(trace)
            continue
        sensor, role = trace["column"]
        x, y = laid(made["columns"][sensor], role)
        data.append({**{k: v for k, v in trace.items() if k != "column"}, "x": x, "y": y})
    return {"data": data, "layout": made["layout"]}
