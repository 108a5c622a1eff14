"""The chart of a zone or of the head: pure functions from values to a Plotly figure.

A figure's traces carry no readings; they name a column, and ``assets/chart.js`` lays the columns in.
`dashboard.columns.assembled` does the same in Python, for tests and for files.
"""

from __future__ import annotations

from typing import Any

from dashboard.chart import PANEL_PX, STRIP_PX, Chart, Line, Look, height, key_rows, plain, title_room
from dashboard.columns import column
from dashboard.display import quantity_scale
from dashboard.figure_frame import Place, base, inner, legend, title, value_axis, value_range
from dashboard.figure_marks import bands, beyond, shade_silences, strip
from dashboard.texts import say
from dashboard.theme import DASHES


def figure(chart: Chart, look: Look) -> dict[str, Any]:
    """Return a chart as a Plotly figure whose traces name their columns.

    Parameters
    ----------
    chart : Chart
        What to show.
    look : Look
        How.

    Returns
    -------
    dict
        ``data`` and ``layout`` of Plotly, and ``columns``: sensor to its buckets in shown units.
    """
    total = height(chart, look.width)
    layout = base(chart, look, total)
    data: list[dict[str, Any]] = []
    columns: dict[str, Any] = {}
    top = len(chart.rows) * STRIP_PX
    if chart.rows:
        data += strip(chart, look, layout, (0, top, total))
    for number, panel in enumerate(chart.panels, start=2):
        pixels = round(PANEL_PX * panel.height)
        top += title_room(chart, panel, look.width)
        place = Place(number, 1 - (top + pixels) / inner(total), 1 - top / inner(total))
        top += pixels
        lines = [chart.lines[s] for s in panel.sensors if s in chart.lines]
        second = chart.second.get(panel.title, [])
        both = [*lines, *second]
        scale = quantity_scale(panel.quantity, look.units)
        ends = value_range(panel, both, scale, fit=chart.fit)
        layout[f"yaxis{number}"] = value_axis(place, look, ends)
        title(layout, place, look, panel, scale, rows=key_rows(chart, panel, look.width))
        bands(layout, place, look, panel, scale)
        shade_silences(chart, layout, place, look, lines)
        beyond(layout, place, look, both, scale)
        data += [_second(line, i, place, look) for i, line in enumerate(second)]
        data += [trace for i, line in enumerate(lines) for trace in _traces(line, i, place, look, len(both))]
        layout[f"legend{number}"] = legend(place, look)
        columns |= {line.sensor: column(line, scale, panel.title) for line in both}
    return {"data": data, "layout": layout, "columns": columns, "height": total}


def _second(line: Line, number: int, place: Place, look: Look) -> dict[str, Any]:
    """Return the line of what stands beside: thinner and paler, with the pattern of the line that it belongs to."""
    return {
        "type": "scatter",
        "yaxis": place.axis,
        "legend": f"legend{place.number}",
        "name": plain(line.label),
        "column": [line.sensor, "mean"],
        "mode": "lines",
        "line": {"width": 0.9, "color": look.palette.edge, "dash": DASHES[number % len(DASHES)]},
        "connectgaps": False,
        "showlegend": True,
    }


def _traces(line: Line, number: int, place: Place, look: Look, beside: int) -> list[dict[str, Any]]:
    """Return a sensor's band, its line and its marks; all three draw the same column."""
    shared = {
        "type": "scatter",
        "yaxis": place.axis,
        "legend": f"legend{place.number}",
        "name": plain(line.label),
    }
    band = {
        **shared,
        "column": [line.sensor, "band"],
        "mode": "lines",
        "line": {"width": 0.75, "color": look.palette.band},
        "fill": "toself",
        "fillcolor": look.palette.band,
        "opacity": 0.6,
        "showlegend": False,
    }
    mean = {
        **shared,
        "column": [line.sensor, "mean"],
        "mode": "lines",
        "line": {"width": 1.6, "color": look.palette.line, "dash": DASHES[number % len(DASHES)]},
        "connectgaps": False,
        "showlegend": beside > 1 or line.label.endswith(")"),
    }
    flagged = {
        **shared,
        "column": [line.sensor, "flagged"],
        "mode": "markers",
        "marker": {"symbol": "x-thin", "size": 8, "line": {"width": 2, "color": look.palette.alarm}},
        "name": say("chart.flagged"),
        "showlegend": bool(line.window.flagged.any()),
    }
    wanted = [band, mean] if bool((line.window.count > 1).any()) else [mean]
    return [*wanted, flagged] if line.window.flagged.any() else wanted
